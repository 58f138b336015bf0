//! The adapter and the instrument: found afresh each time. An adapter that is
//! switched off is left off: a search would switch it on.

use std::time::Duration;

use btleplug::api::{Central, CentralState, Manager as _, Peripheral as _, ScanFilter};
use btleplug::platform::{Adapter, Manager, Peripheral};
use tokio::time::Instant;

use super::trouble::{ASK_LIMIT, within};
use crate::config::BleConfig;

/// How long the instrument is searched for at once.
const SEARCH: Duration = Duration::from_secs(15);
/// How often the devices that were found are looked through.
const LOOK_EVERY: Duration = Duration::from_millis(200);

/// The configured adapter, or the first one; it is switched on.
pub async fn find(config: &BleConfig) -> Result<Adapter, String> {
    let manager = within(ASK_LIMIT, "reaching the system bus", Manager::new()).await?;
    let adapters = within(ASK_LIMIT, "listing the adapters", manager.adapters()).await?;
    let mut names = Vec::new();
    for adapter in adapters {
        let name = name(&adapter).await?;
        let address = within(ASK_LIMIT, "asking the adapter", adapter.adapter_address()).await?;
        let is_wanted = config.adapter.as_deref().is_none_or(|wanted| {
            wanted == name || address.is_some_and(|a| wanted.eq_ignore_ascii_case(&a.to_string()))
        });
        if is_wanted {
            is_on(&adapter, &name).await?;
            return Ok(adapter);
        }
        names.push(name);
    }
    Err(match (&config.adapter, names.as_slice()) {
        (None, _) => "there is no Bluetooth adapter; is it plugged in?".to_owned(),
        (Some(wanted), []) => format!("there is no Bluetooth adapter {wanted}, and no other"),
        (Some(wanted), _) => {
            format!("there is no Bluetooth adapter {wanted}; there is {}", names.join(", "))
        }
    })
}

async fn name(adapter: &Adapter) -> Result<String, String> {
    let told = within(ASK_LIMIT, "asking the adapter", adapter.adapter_info()).await?;
    // As in `hci0 (usb:v1D6Bp0246d0542)`.
    Ok(told.split(' ').next().unwrap_or_default().to_owned())
}

async fn is_on(adapter: &Adapter, name: &str) -> Result<(), String> {
    match within(ASK_LIMIT, "asking the adapter", adapter.adapter_state()).await? {
        CentralState::PoweredOn => Ok(()),
        _ => Err(format!("the adapter {name} is switched off (`bluetoothctl power on`)")),
    }
}

/// The instrument, as the system knows it or as a search finds it.
pub async fn instrument(adapter: &Adapter, config: &BleConfig) -> Result<Peripheral, String> {
    if let Some(known) = known(adapter, config).await? {
        return Ok(known);
    }
    let scan = adapter.start_scan(ScanFilter::default());
    within(ASK_LIMIT, "beginning a search", scan).await?;
    let found = search(adapter, config).await;
    // Many adapters do not connect while they search.
    if let Err(why) = within(ASK_LIMIT, "ending the search", adapter.stop_scan()).await {
        tracing::debug!("{why}");
    }
    found?.ok_or_else(|| {
        let name = wanted(config);
        format!("{name} was not found within {} s; is it on and near?", SEARCH.as_secs())
    })
}

async fn search(adapter: &Adapter, config: &BleConfig) -> Result<Option<Peripheral>, String> {
    let deadline = Instant::now() + SEARCH;
    while Instant::now() < deadline {
        if let Some(found) = known(adapter, config).await? {
            return Ok(Some(found));
        }
        tokio::time::sleep(LOOK_EVERY).await;
    }
    Ok(None)
}

async fn known(adapter: &Adapter, config: &BleConfig) -> Result<Option<Peripheral>, String> {
    let mut found = Vec::new();
    let known = adapter.peripherals();
    for peripheral in within(ASK_LIMIT, "listing the instruments", known).await? {
        if is_wanted(&peripheral, config).await {
            found.push(peripheral);
        }
    }
    match found.len() {
        0 | 1 => Ok(found.pop()),
        n => Err(format!("{n} instruments are called {}; give the `address`", wanted(config))),
    }
}

/// Whether it is the instrument. One that is gone again is not.
pub async fn is_wanted(peripheral: &Peripheral, config: &BleConfig) -> bool {
    if let Some(address) = &config.address {
        return peripheral.address().to_string().eq_ignore_ascii_case(address);
    }
    let properties = within(ASK_LIMIT, "asking", peripheral.properties()).await.ok().flatten();
    let said = properties.map(|p| [p.advertisement_name, p.local_name]);
    said.into_iter().flatten().flatten().any(|name| Some(&name) == config.name.as_ref())
}

/// The instrument in words.
pub fn wanted(config: &BleConfig) -> String {
    match (&config.address, &config.name) {
        (Some(address), _) => address.to_uppercase(),
        (None, Some(name)) => format!("`{name}`"),
        (None, None) => "no instrument".to_owned(),
    }
}
