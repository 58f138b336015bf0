//! A time limit on every call to the system's Bluetooth service, and its
//! refusals in words that say what to do.

use std::future::Future;
use std::time::Duration;

use tokio::time::timeout;

/// How long a call may take that only asks the system.
pub const ASK_LIMIT: Duration = Duration::from_secs(3);
/// How long a call may take that talks to the instrument.
pub const TALK_LIMIT: Duration = Duration::from_secs(15);
/// How long connecting may take. BlueZ itself gives up after about 25 s, the
/// library after twice 30 s.
pub const CONNECT_LIMIT: Duration = Duration::from_secs(45);

/// Does a call within its limit; an error is said in words, with what was tried.
pub async fn within<T>(
    limit: Duration,
    what: &str,
    call: impl Future<Output = btleplug::Result<T>>,
) -> Result<T, String> {
    match timeout(limit, call).await {
        Ok(Ok(done)) => Ok(done),
        Ok(Err(error)) => Err(explain(what, &error.to_string())),
        Err(_) => Err(format!("{what}: no answer within {} s", limit.as_secs())),
    }
}

/// The system's words, with what to do.
fn explain(what: &str, said: &str) -> String {
    let has = |words: &[&str]| words.iter().any(|word| said.contains(word));
    if has(&["not provided by any .service", "ServiceUnknown", "NameHasNoOwner"]) {
        "the Bluetooth service is not running (`systemctl start bluetooth`)".to_owned()
    } else if has(&["Failed to connect to socket", "Failed to send message", "disconnected"]) {
        format!("the system bus cannot be reached: {said}")
    } else if has(&["AccessDenied", "rejected send message", "Rejected send message"]) {
        "this user may not use Bluetooth; add it to the group `bluetooth`, then start again"
            .to_owned()
    } else if has(&["rfkill", "Blocked"]) {
        "the adapter is blocked (`rfkill unblock bluetooth`)".to_owned()
    } else if has(&["NotReady", "Not Ready"]) {
        "the adapter is switched off (`bluetoothctl power on`)".to_owned()
    } else if has(&["Authentication", "NotAuthorized", "NotPermitted", "Insufficient"]) {
        format!("{what}: the instrument must be paired first (`bluetoothctl pair`): {said}")
    } else {
        format!("{what}: {said}")
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn refusals_say_what_to_do() {
        // What BlueZ 5.66 and the bus answered, as seen through the library.
        for (said, told) in [
            (
                "The name org.bluez was not provided by any .service files",
                "systemctl start bluetooth",
            ),
            ("Blocked through rfkill", "rfkill unblock"),
            ("Resource Not Ready", "bluetoothctl power on"),
            ("Failed to send message", "system bus"),
            ("Rejected send message, 2 matched rules", "group `bluetooth`"),
            ("org.bluez.Error.NotPermitted: Insufficient Authentication", "bluetoothctl pair"),
        ] {
            let words = explain("connecting", said);
            assert!(words.contains(told), "{words}");
        }
        assert_eq!(explain("connecting", "le-connection"), "connecting: le-connection");
    }

    #[tokio::test(start_paused = true)]
    async fn a_call_that_never_returns_is_given_up() {
        let call = std::future::pending::<btleplug::Result<()>>();
        let said = within(ASK_LIMIT, "asking", call).await.unwrap_err();
        assert_eq!(said, "asking: no answer within 3 s");
    }
}
