//! Server-sent events: every sample as it arrives, and what happens. A reader
//! that is too slow is told how much it missed, never waited for.

use std::convert::Infallible;
use std::sync::Arc;
use std::time::Duration;

use ampledger_store::NumberedSample;
use axum::extract::State;
use axum::http::HeaderMap;
use axum::response::sse::{Event, KeepAlive, Sse};
use futures_util::{Stream, StreamExt, stream};
use serde_json::{Map, Value, json};
use tokio_stream::wrappers::BroadcastStream;
use tokio_stream::wrappers::errors::BroadcastStreamRecvError;

use super::Daemon;
use crate::intake::News;

/// `GET /v1/stream`: events `sample`, `marker`, and `behind` when some were
/// missed. An event's id is the store's name and the sample's number.
pub async fn stream(
    State(daemon): State<Arc<Daemon>>,
    headers: HeaderMap,
) -> Sse<impl Stream<Item = Result<Event, Infallible>>> {
    let live = BroadcastStream::new(daemon.intake.listen());
    let missed = missed_since(&daemon, &headers);
    let first = stream::iter(missed.map(behind));
    let recorder = daemon.intake.recorder.clone();
    let rest = live.map(move |news| match news {
        Ok(News::Sample(sample)) => sample_event(&recorder.store_uuid(), &sample),
        Ok(News::Marker(marker)) => {
            Event::default().event("marker").data(json!(&*marker).to_string())
        }
        Err(BroadcastStreamRecvError::Lagged(missed)) => behind(missed),
    });
    Sse::new(first.chain(rest).map(Ok))
        .keep_alive(KeepAlive::new().interval(Duration::from_secs(15)))
}

/// How many samples came since the one that the client saw last.
fn missed_since(daemon: &Daemon, headers: &HeaderMap) -> Option<u64> {
    let last = headers.get("last-event-id")?.to_str().ok()?;
    let (store, seq) = last.rsplit_once(':')?;
    let seq: u64 = seq.parse().ok()?;
    let newest = daemon.intake.newest();
    let seen = if store == daemon.intake.recorder.store_uuid() { seq } else { 0 };
    (newest > seen).then_some(newest - seen)
}

fn behind(missed: u64) -> Event {
    Event::default().event("behind").data(json!({ "missed": missed }).to_string())
}

fn sample_event(store: &str, numbered: &NumberedSample) -> Event {
    let sample = &numbered.sample;
    let values: Map<String, Value> = sample
        .group
        .channels
        .iter()
        .zip(&sample.values)
        .map(|(channel, value)| (channel.name.clone(), json!(value)))
        .collect();
    let body = json!({
        "seq": numbered.seq,
        "source": numbered.decode_set.source,
        "group": sample.group.name,
        "run": numbered.run,
        "t_us": sample.t_us,
        "values": values,
    });
    Event::default().event("sample").id(format!("{store}:{}", numbered.seq)).data(body.to_string())
}
