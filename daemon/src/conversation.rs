//! One open connection talking with one decoder: input goes in, what the
//! decoder asks for is done, samples go to the intake and everything to the
//! frame log.

use std::collections::VecDeque;
use std::sync::Arc;
use std::time::{Duration, Instant};

use ampledger_decoders::{Command, Input, Output};
use ampledger_store::NewRun;
use ampledger_types::time::EARLIEST_DATE_US;
use ampledger_types::{ClockObservation, Frame, FrameKind, MarkerKind, RunId};
use tokio::time::timeout;
use tokio_util::sync::CancellationToken;

use crate::decoding::Decoding;
use crate::frame_log::FrameLog;
use crate::plugin::Event;
use crate::source::Source;
use crate::supervise::{Arrival, Link};

/// How long one write may take.
const WRITE_LIMIT: Duration = Duration::from_secs(5);
/// How long a drain may take, beside twice the quiet that it waits for, before
/// the line counts as never quiet.
const DRAIN_LIMIT: Duration = Duration::from_secs(10);
/// How often waiting frames are handed to the recorder.
const FLUSH_EVERY: Duration = Duration::from_secs(1);

/// How long a decoder in a process of its own may take over the last inputs.
const FINISH_LIMIT: Duration = Duration::from_secs(10);

/// How a conversation ended.
pub enum Ended {
    /// The process stops.
    Stopped,
    /// A replay has come to its end.
    Finished,
    /// The connection is gone.
    Lost(String),
}

/// One open connection with its decoder.
pub struct Conversation<'l, L> {
    source: Arc<Source>,
    link: &'l mut L,
    decoding: Decoding,
    run: RunId,
    /// The boot id of a replay's own run; `None` for a live one.
    own_boot: Option<String>,
    replay_now_us: i64,
    wake_us: Option<i64>,
    asked: VecDeque<Output>,
    /// Why the connection is to be opened anew.
    lost: Option<String>,
}

impl<'l, L: Link> Conversation<'l, L> {
    /// Prepares a fresh decoder. A replay gets a run with a boot clock of its
    /// own, beginning at 0.
    pub async fn begin(source: Arc<Source>, link: &'l mut L) -> Result<Self, String> {
        let decoding = Decoding::begin(&source).await?;
        let own_boot =
            source.config.replay.is_some().then(|| format!("replay-{}", uuid::Uuid::new_v4()));
        let run = match &own_boot {
            None => source.intake.run,
            Some(boot_id) => begin_replay(&source, boot_id).await?,
        };
        source.begin_log(FrameLog::new(source.intake.recorder.clone(), run));
        Ok(Conversation {
            source,
            link,
            decoding,
            run,
            own_boot,
            replay_now_us: 0,
            wake_us: None,
            asked: VecDeque::new(),
            lost: None,
        })
    }

    /// Talks until the connection or the process ends.
    pub async fn run(mut self, stop: &CancellationToken) -> Ended {
        let ended = match self.talk(stop).await {
            Ok(ended) => ended,
            Err(reason) => Ended::Lost(reason),
        };
        self.give(Input::Closed);
        self.finish().await;
        self.source.commands.lost();
        self.asked.clear();
        self.flush(true);
        ended
    }

    async fn talk(&mut self, stop: &CancellationToken) -> Result<Ended, String> {
        let mut flush = tokio::time::interval(FLUSH_EVERY);
        let is_live = self.own_boot.is_none();
        let is_logged = !is_live && self.link_is_frame_log();
        if !is_logged {
            self.give(Input::Opened { record: self.own_boot.is_some() });
        }
        loop {
            self.do_what_was_asked().await?;
            if let Some(reason) = self.lost.take() {
                return Ok(Ended::Lost(reason));
            }
            // A line cannot be held back, but a file can.
            if self.own_boot.is_some() && self.source.intake.recorder.is_behind() {
                let wrote = self.source.intake.recorder.with_store(|_| ()).await;
                wrote.map_err(|error| error.to_string())?;
            }
            let (source, wake_us) = (self.source.clone(), self.wake_us);
            let wake = async move {
                match wake_us {
                    Some(t_us) => source.clock().sleep_until(t_us).await,
                    None => std::future::pending().await,
                }
            };
            let source = self.source.clone();
            let commanded = async move {
                match is_live {
                    true => source.commands.next().await,
                    false => std::future::pending().await,
                }
            };
            tokio::select! {
                biased;
                () = stop.cancelled() => return Ok(Ended::Stopped),
                event = self.decoding.next() => self.take_event(event),
                command = commanded => self.give(Input::Command(&command)),
                arrival = self.link.next(), if is_live || self.decoding.has_room() => {
                    if let Some(ended) = self.take(arrival) {
                        return Ok(ended);
                    }
                }
                () = wake => {
                    self.wake_us = None;
                    self.give(Input::Deadline);
                }
                _ = flush.tick() => self.flush(false),
            }
        }
    }

    fn link_is_frame_log(&self) -> bool {
        let replay = self.source.config.replay.as_ref();
        replay.is_some_and(|r| crate::sources::replay::is_frame_log(&r.file))
    }

    fn take(&mut self, arrival: Arrival) -> Option<Ended> {
        match arrival {
            Arrival::Bytes { endpoint, bytes, at_us } => {
                if let Some(at_us) = at_us {
                    self.replay_now_us = self.replay_now_us.max(at_us);
                }
                self.source.health.received(bytes.len());
                self.give(Input::Received { endpoint, bytes: &bytes });
                None
            }
            Arrival::Frame(frame) => {
                self.take_frame(&frame);
                None
            }
            Arrival::Lost(reason) => Some(Ended::Lost(reason)),
            Arrival::Finished => Some(Ended::Finished),
        }
    }

    fn take_frame(&mut self, frame: &Frame) {
        self.replay_now_us = self.replay_now_us.max(frame.t_us);
        self.source.health.received(frame.payload.len());
        let mut command: Option<Command> = None;
        match Input::from_frame(frame, &mut command) {
            Ok(input) => self.give(input),
            Err(why) => tracing::warn!(source = %self.source.name, "a frame is passed over: {why}"),
        }
    }

    /// Gives one input to the decoder and sorts what it says: samples and
    /// complaints at once, requests into the queue.
    fn give(&mut self, input: Input<'_>) {
        let now_us = self.now_us();
        let outputs = self.decoding.give(now_us, input, &self.source);
        outputs.into_iter().for_each(|output| self.said(output));
    }

    /// Takes what comes from a decoder in a process of its own.
    fn take_event(&mut self, event: Event) {
        match event {
            Event::Said(outputs) => outputs.into_iter().for_each(|(_, output)| self.said(output)),
            Event::Saved(number, state) => {
                self.source.log(|log| log.put_state_before(number, state));
            }
            Event::Started(described, wake) => {
                self.source.plugin_works(&described);
                wake.into_iter().for_each(|at_us| self.said(Output::Wake(at_us)));
            }
            Event::Failed(failure) => {
                self.source.plugin_failed(&failure);
                if failure.wait.is_none() {
                    self.decoding.set_aside();
                }
                // Bytes can be left out; without a deadline or an answer's end a
                // decoder that asks would never ask again.
                if failure.left_out.is_some_and(|frame| frame.kind != FrameKind::Received) {
                    self.lost = Some(failure.reason);
                }
            }
        }
    }

    /// Waits for what a decoder in a process of its own still has to say, but
    /// not for ever.
    async fn finish(&mut self) {
        let Decoding::There(plugin, _) = &self.decoding else { return };
        plugin.close();
        let deadline = tokio::time::Instant::now() + FINISH_LIMIT;
        loop {
            let Decoding::There(plugin, _) = &mut self.decoding else { return };
            match tokio::time::timeout_at(deadline, plugin.next()).await {
                Ok(Some(event)) => self.take_event(event),
                Ok(None) => return,
                Err(_) => {
                    let n = plugin.waiting();
                    let text = format!("its plugin did not finish: {n} inputs are not decoded");
                    return self.source.mark(MarkerKind::DecoderFailed, text);
                }
            }
        }
    }

    fn said(&mut self, output: Output) {
        match output {
            Output::Sample(sample) => self.sample(sample),
            Output::Complaint(complaint) => self.source.complained(&complaint),
            Output::Identity { instrument, text } => self.source.identified(&instrument, &text),
            Output::Wake(t_us) if self.own_boot.is_none() => self.wake_us = t_us,
            // A replay answers nothing: what was sent then is in the log.
            Output::Send { .. } | Output::Drain { .. } if self.own_boot.is_none() => {
                self.asked.push_back(output);
            }
            Output::CommandDone { id, result } => self.source.commands.done(id, result),
            Output::Send { .. } | Output::Drain { .. } | Output::Wake(_) => {}
        }
    }

    fn sample(&mut self, sample: ampledger_types::Sample) {
        let now_us = self.source.clock().now_us();
        if let Some(boot_id) = &self.own_boot {
            let date = sample.instrument_t_us.filter(|t| *t >= EARLIEST_DATE_US);
            let moved =
                |d: &i64| self.source.log(|log| log.dates_moved(d - sample.t_us)) == Some(true);
            if let Some(unix_us) = date.filter(moved) {
                let seen = ClockObservation { t_us: sample.t_us, unix_us, synchronised: true };
                self.source.intake.recorder.observation(boot_id, seen);
            }
            self.replay_now_us = self.replay_now_us.max(sample.t_us);
            // A plugin answers late, so what it says is not of the last line.
            let is_own =
                sample.instrument_t_us.is_some() && matches!(self.decoding, Decoding::Here(..));
            self.link.reached(sample.t_us, is_own);
        }
        self.source.sample(sample, self.run, now_us);
    }

    /// Hands what has gathered over to the record.
    fn flush(&mut self, is_end: bool) {
        self.source.mark_unreadable(self.run, self.now_us(), is_end);
        self.source.flush_log();
    }

    fn now_us(&self) -> i64 {
        match self.own_boot {
            None => self.source.clock().now_us(),
            Some(_) => self.replay_now_us,
        }
    }

    async fn do_what_was_asked(&mut self) -> Result<(), String> {
        while let Some(request) = self.asked.pop_front() {
            match request {
                Output::Send { endpoint, bytes } => {
                    timeout(WRITE_LIMIT, self.link.send(endpoint, &bytes))
                        .await
                        .map_err(|_| "the instrument does not take what is sent".to_owned())??;
                    self.give(Input::Sent { endpoint, bytes: &bytes });
                }
                Output::Drain { quiet_us } => {
                    self.drain(quiet_us).await?;
                    self.give(Input::Drained);
                }
                _ => {}
            }
        }
        Ok(())
    }

    async fn drain(&mut self, quiet_us: i64) -> Result<(), String> {
        let quiet = Duration::from_micros(u64::try_from(quiet_us).unwrap_or(0));
        let quiet = quiet.div_f64(self.source.clock().rate());
        let (began, limit) = (Instant::now(), DRAIN_LIMIT + 2 * quiet);
        while began.elapsed() < limit {
            match timeout(quiet, self.link.next()).await {
                Err(_) => return Ok(()),
                Ok(Arrival::Bytes { bytes, .. }) => self.source.health.drained(bytes.len()),
                Ok(Arrival::Lost(reason)) => return Err(reason),
                Ok(Arrival::Frame(_) | Arrival::Finished) => return Ok(()),
            }
        }
        Ok(())
    }
}

async fn begin_replay(source: &Source, boot_id: &str) -> Result<RunId, String> {
    let run = NewRun {
        boot_id: boot_id.to_owned(),
        started_t_us: 0,
        clock_rate: 1.0,
        recorded_by: crate::BUILD.to_owned(),
        replay_of: Some(source.name.clone()),
    };
    let begun = source.intake.recorder.with_store(move |store| store.begin_run(&run)).await;
    let run = begun.map_err(|e| e.to_string())?.map_err(|e| e.to_string())?;
    source.intake.keeper.add_run(&run);
    Ok(run.id)
}
