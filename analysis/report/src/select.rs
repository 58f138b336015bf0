//! Finds the session that a person means: a number, a pack's label, or `last`.
//! One rule for the daemon's API and for commands on a store file.

use ampledger_types::Session;

/// The word for the newest session of all.
pub const LAST: &str = "last";

/// Why no session is meant.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum SelectError {
    /// There is none at all.
    #[error("there is no session yet; begin one with `ampledger start`")]
    NoneYet,
    /// None has this number or pack.
    #[error(
        "there is no session `{0}`: it is no session's number and no pack's label; \
             `ampledger sessions` lists them"
    )]
    Unknown(String),
}

/// The session that `text` means: the one of that number, else the newest of
/// the pack of that label, else for [`LAST`] the newest. Of two sessions the
/// one that starts later is newer.
pub fn session<'a>(sessions: &'a [Session], text: &str) -> Result<&'a Session, SelectError> {
    if sessions.is_empty() {
        return Err(SelectError::NoneYet);
    }
    let text = text.trim();
    let numbered = || {
        let number: i64 = text.parse().ok()?;
        sessions.iter().find(|session| session.id == number)
    };
    let of_pack = || newest(sessions, |session| session.pack.as_deref() == Some(text));
    let last = || (text == LAST).then(|| newest(sessions, |_| true)).flatten();
    numbered().or_else(of_pack).or_else(last).ok_or_else(|| SelectError::Unknown(text.to_owned()))
}

fn newest(sessions: &[Session], which: impl Fn(&Session) -> bool) -> Option<&Session> {
    sessions
        .iter()
        .filter(|session| which(session))
        .max_by_key(|session| (session.start, session.id))
}

#[cfg(test)]
mod tests {
    use ampledger_types::{Bound, RunId};

    use super::*;

    fn of(id: i64, pack: Option<&str>, t_us: i64) -> Session {
        Session {
            id,
            uuid: String::new(),
            pack: pack.map(str::to_owned),
            sources: Vec::new(),
            opened_by: Default::default(),
            start: Bound { run: RunId(1), t_us },
            end: None,
            revision: 1,
            cutoff_voltage_volt: None,
            cutoff_rule: Default::default(),
            tags: Vec::new(),
        }
    }

    fn meant(text: &str) -> Result<i64, SelectError> {
        let sessions = [
            of(1, Some("GAL-07"), 10),
            of(2, Some("GAL-12"), 20),
            of(3, Some("GAL-07"), 40),
            // Begun in the past: not the newest of its pack.
            of(4, Some("GAL-07"), 30),
            of(5, Some("12"), 5),
        ];
        session(&sessions, text).map(|session| session.id)
    }

    #[test]
    fn a_number_a_label_and_last_are_understood() {
        assert_eq!(meant("2"), Ok(2));
        assert_eq!(meant("GAL-12"), Ok(2));
        assert_eq!(meant("GAL-07"), Ok(3));
        assert_eq!(meant(" last "), Ok(3));
    }

    #[test]
    fn a_label_that_is_a_number_is_reached_where_no_session_has_it() {
        assert_eq!(meant("12"), Ok(5));
    }

    #[test]
    fn what_means_no_session_is_refused() {
        assert_eq!(meant("9"), Err(SelectError::Unknown("9".to_owned())));
        assert_eq!(meant("TUG-3"), Err(SelectError::Unknown("TUG-3".to_owned())));
        assert_eq!(meant(""), Err(SelectError::Unknown(String::new())));
        assert_eq!(session(&[], "last"), Err(SelectError::NoneYet));
    }
}
