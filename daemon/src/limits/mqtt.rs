//! Publishes the alarm to a broker, and waits until the broker has taken it.

use std::path::Path;
use std::sync::Arc;
use std::time::Duration;

use rumqttc::{AsyncClient, Event, MqttOptions, Packet, QoS, TlsConfiguration, Transport};
use rustls::pki_types::CertificateDer;
use rustls::pki_types::pem::PemObject;
use rustls::{ClientConfig, RootCertStore};
use rustls_platform_verifier::BuilderVerifierExt;

use crate::config::MqttConfig;

/// What may wait on the way to the broker.
const QUEUE: usize = 4;

/// Publishes it at least once (QoS 1).
pub async fn publish(mqtt: &MqttConfig, body: Vec<u8>, limit: Duration) -> Result<(), String> {
    let id = format!("ampledger-{:08x}", fastrand::u32(..));
    let mut options = MqttOptions::new(id, &mqtt.host, mqtt.port());
    if mqtt.is_encrypted() {
        let mqtt = mqtt.clone();
        let made = tokio::task::spawn_blocking(move || tls(mqtt.ca.as_deref())).await;
        let made = made.map_err(|_| "it failed inside".to_owned())??;
        options.set_transport(Transport::tls_with_config(TlsConfiguration::Rustls(Arc::new(made))));
    }
    options.set_keep_alive(Duration::from_secs(30));
    if let Some(user) = &mqtt.user {
        options.set_credentials(user, mqtt.password.clone().unwrap_or_default());
    }
    let (client, mut events) = AsyncClient::new(options, QUEUE);
    let published = tokio::time::timeout(limit, async {
        client
            .publish(&mqtt.topic, QoS::AtLeastOnce, mqtt.retain, body)
            .await
            .map_err(|_| "it could not be handed over".to_owned())?;
        loop {
            match events.poll().await {
                Ok(Event::Incoming(Packet::PubAck(_))) => return Ok(()),
                Ok(_) => {}
                Err(error) => return Err(format!("the broker: {error}")),
            }
        }
    });
    published.await.map_err(|_| "the broker did not take it in time".to_owned())??;
    // A broker that is not told goodbye finds out by itself.
    let _ = client.disconnect().await;
    let _ = tokio::time::timeout(Duration::from_millis(200), events.poll()).await;
    Ok(())
}

/// TLS with the certificates of this file alone, or with the system's.
fn tls(ca: Option<&Path>) -> Result<ClientConfig, String> {
    let provider = Arc::new(rustls::crypto::ring::default_provider());
    let builder = ClientConfig::builder_with_provider(provider)
        .with_safe_default_protocol_versions()
        .map_err(|error| format!("TLS: {error}"))?;
    let Some(ca) = ca else {
        let checked = builder.with_platform_verifier();
        let checked = checked.map_err(|error| format!("the system's certificates: {error}"))?;
        return Ok(checked.with_no_client_auth());
    };
    let cannot = |why: String| format!("{}: {why}", ca.display());
    let mut roots = RootCertStore::empty();
    let certificates = CertificateDer::pem_file_iter(ca).map_err(|e| cannot(e.to_string()))?;
    for certificate in certificates {
        let certificate = certificate.map_err(|e| cannot(e.to_string()))?;
        roots.add(certificate).map_err(|e| cannot(e.to_string()))?;
    }
    if roots.is_empty() {
        return Err(cannot("there is no certificate in it".to_owned()));
    }
    Ok(builder.with_root_certificates(roots).with_no_client_auth())
}
