//! Publishes the alarm to a broker, and waits until the broker has taken it.

use std::time::Duration;

use rumqttc::{AsyncClient, Event, MqttOptions, Packet, QoS};

use crate::config::MqttConfig;

/// What may wait on the way to the broker.
const QUEUE: usize = 4;

/// Publishes it at least once (QoS 1).
pub async fn publish(mqtt: &MqttConfig, body: Vec<u8>, limit: Duration) -> Result<(), String> {
    let id = format!("ampledger-{:08x}", fastrand::u32(..));
    let mut options = MqttOptions::new(id, &mqtt.host, mqtt.port);
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
