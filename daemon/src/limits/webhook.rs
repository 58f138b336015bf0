//! Posts the alarm to an address. Nothing of the address or of its header
//! lines is told: a token may be in them.

use std::time::Duration;

use ureq::Agent;
use ureq::tls::{RootCerts, TlsConfig};

use crate::config::WebhookConfig;

/// Posts it; the other side must answer with a success.
pub async fn post(hook: &WebhookConfig, body: Vec<u8>, limit: Duration) -> Result<(), String> {
    let hook = hook.clone();
    let done = tokio::task::spawn_blocking(move || post_now(&hook, &body, limit)).await;
    done.map_err(|_| "it failed inside".to_owned())?
}

fn post_now(hook: &WebhookConfig, body: &[u8], limit: Duration) -> Result<(), String> {
    // The system's own certificates, so that a workshop can have its own.
    let tls = TlsConfig::builder().root_certs(RootCerts::PlatformVerifier).build();
    let config = Agent::config_builder()
        .timeout_global(Some(limit))
        .max_redirects(0)
        .http_status_as_error(false)
        .tls_config(tls)
        .build();
    let mut request =
        Agent::new_with_config(config).post(&hook.url).header("content-type", "application/json");
    for (name, value) in &hook.headers {
        request = request.header(name, value);
    }
    let answer = request.send(body).map_err(|error| reason(&error))?;
    match answer.status() {
        status if status.is_success() => Ok(()),
        status => Err(format!("the other side answered {status}")),
    }
}

/// What went wrong, without the address.
fn reason(error: &ureq::Error) -> String {
    match error {
        ureq::Error::Timeout(_) => "the other side did not answer in time".to_owned(),
        ureq::Error::HostNotFound => "there is no such host".to_owned(),
        ureq::Error::ConnectionFailed => "no connection".to_owned(),
        ureq::Error::Io(error) => format!("no connection: {error}"),
        ureq::Error::BadUri(_) => "the address is none".to_owned(),
        _ => "the request could not be sent".to_owned(),
    }
}
