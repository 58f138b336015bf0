//! A file played as if it arrived: text line by line, or a recorded frame log
//! entry by entry, in real time, faster, or as fast as it can be read.

use std::path::Path;
use std::time::{Duration, Instant};

use ampledger_types::Frame;
use tokio::fs::File;
use tokio::io::{AsyncBufReadExt, AsyncReadExt, BufReader};

use crate::config::{ReplayConfig, ReplayRate};
use crate::supervise::{Arrival, Link, Opener};

/// Longest piece of a line handed over at once; a longer line goes in pieces.
const PIECE_BYTES: u64 = 64 << 10;
/// Longest entry of a frame log: a frame's payload in hexadecimal and its head.
const ENTRY_BYTES: u64 = 1 << 20;

/// Whether the file is a recorded frame log, by its name.
pub fn is_frame_log(file: &Path) -> bool {
    file.to_string_lossy().ends_with(".frames.jsonl")
}

/// Opens a replay.
pub struct ReplayOpener {
    config: ReplayConfig,
}

impl ReplayOpener {
    /// As configured.
    pub fn new(config: ReplayConfig) -> Self {
        ReplayOpener { config }
    }
}

impl Opener for ReplayOpener {
    type Link = ReplayLink;

    async fn open(&mut self) -> Result<ReplayLink, String> {
        let name = self.config.file.display();
        let file = File::open(&self.config.file)
            .await
            .map_err(|error| format!("{name} cannot be opened: {error}"))?;
        Ok(ReplayLink {
            lines: BufReader::new(file),
            is_frame_log: is_frame_log(&self.config.file),
            pace: Pace::new(self.config.rate),
            line_interval_us: (self.config.line_interval_second * 1e6) as i64,
            line_us: 0,
            next_line_us: 0,
            is_timed: false,
            first_frame_us: None,
            entry: 0,
            partial: Vec::new(),
            ended_inside_line: false,
            unread: None,
        })
    }
}

/// A file being played.
pub struct ReplayLink {
    lines: BufReader<File>,
    is_frame_log: bool,
    pace: Pace,
    line_interval_us: i64,
    /// Time given to the last line, and that of the next.
    line_us: i64,
    next_line_us: i64,
    /// Whether the lines have times of their own, which count then.
    is_timed: bool,
    first_frame_us: Option<i64>,
    entry: u64,
    /// What is read of the next piece. Kept here, and `unread` below, so that
    /// a dropped future loses nothing.
    partial: Vec<u8>,
    ended_inside_line: bool,
    unread: Option<Arrival>,
}

impl Link for ReplayLink {
    async fn next(&mut self) -> Arrival {
        if self.unread.is_none() {
            let read = if self.is_frame_log { self.frame().await } else { self.line().await };
            self.unread = Some(read);
        }
        self.pace.wait().await;
        self.unread.take().unwrap_or(Arrival::Finished)
    }

    async fn send(&mut self, _endpoint: u16, _bytes: &[u8]) -> Result<(), String> {
        Ok(())
    }

    fn reached(&mut self, t_us: i64, is_own: bool) {
        self.pace.reached(t_us);
        self.is_timed |= is_own && t_us != self.line_us;
        self.next_line_us = match self.is_timed {
            true => self.pace.reached_us,
            false => self.next_line_us.max(t_us),
        };
    }
}

impl ReplayLink {
    /// Reads up to a line end or `limit`; `None` at the end of the file.
    async fn piece(&mut self, limit: u64) -> Result<Option<Vec<u8>>, String> {
        let left = limit.saturating_sub(self.partial.len() as u64);
        let mut bounded = (&mut self.lines).take(left);
        bounded
            .read_until(b'\n', &mut self.partial)
            .await
            .map_err(|error| format!("the file cannot be read on: {error}"))?;
        let piece = std::mem::take(&mut self.partial);
        if !piece.is_empty() {
            self.ended_inside_line = !piece.ends_with(b"\n");
            return Ok(Some(piece));
        }
        // A finished file's last line is whole, with or without its end.
        Ok(std::mem::take(&mut self.ended_inside_line).then(|| b"\n".to_vec()))
    }

    async fn line(&mut self) -> Arrival {
        match self.piece(PIECE_BYTES).await {
            Ok(None) => Arrival::Finished,
            Ok(Some(bytes)) => {
                let at_us = self.next_line_us;
                self.line_us = at_us;
                if bytes.ends_with(b"\n") && !self.is_timed {
                    self.next_line_us += self.line_interval_us;
                }
                Arrival::Bytes { endpoint: 0, bytes, at_us: Some(at_us) }
            }
            Err(why) => Arrival::Lost(why),
        }
    }

    async fn frame(&mut self) -> Arrival {
        let text = loop {
            self.entry += 1;
            match self.piece(ENTRY_BYTES).await {
                Ok(None) => return Arrival::Finished,
                Ok(Some(text)) if text.trim_ascii().is_empty() => {}
                Ok(Some(text)) => break text,
                Err(why) => return Arrival::Lost(why),
            }
        };
        match Frame::parse_line(&text) {
            Ok(mut frame) => {
                let first = *self.first_frame_us.get_or_insert(frame.t_us);
                frame.t_us = frame.t_us.saturating_sub(first).max(0);
                self.pace.reached(frame.t_us);
                Arrival::Frame(frame)
            }
            Err(why) => Arrival::Lost(format!("line {} is no frame: {why}", self.entry)),
        }
    }
}

/// Holds a replay back so that its time passes at the rate that was asked.
struct Pace {
    rate: ReplayRate,
    began: Instant,
    reached_us: i64,
}

impl Pace {
    fn new(rate: ReplayRate) -> Self {
        Pace { rate, began: Instant::now(), reached_us: 0 }
    }

    fn reached(&mut self, t_us: i64) {
        self.reached_us = self.reached_us.max(t_us);
    }

    async fn wait(&self) {
        match self.rate {
            // Gives way, so that a long file starves nobody.
            ReplayRate::Max => tokio::task::yield_now().await,
            ReplayRate::Times(rate) => {
                let due = Duration::from_secs_f64((self.reached_us as f64 / 1e6 / rate).max(0.0));
                tokio::time::sleep_until((self.began + due).into()).await;
            }
        }
    }
}
