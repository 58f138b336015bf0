//! A source that is played by a script, with time that passes by itself.

use std::collections::VecDeque;

use ampledger_store::{NewRun, Reader, Store};
use ampledger_types::api::SourceState;
use ampledger_types::{Bound, RunId};

use super::*;
use crate::clock::Clock;
use crate::config::{Overrides, load};
use crate::intake::Intake;
use crate::keeper::Keeper;
use crate::recorder::Recorder;
use crate::source::Maker;

/// What opening the connection brings.
enum Act {
    Refuse(&'static str),
    Panic,
    /// These lines, then the end.
    Lines(&'static [&'static str]),
}

struct Script {
    acts: VecDeque<Act>,
    /// Told when the script has come to its end.
    over: CancellationToken,
}

struct Lines(VecDeque<&'static str>);

impl Opener for Script {
    type Link = Lines;

    async fn open(&mut self) -> Result<Lines, String> {
        match self.acts.pop_front() {
            Some(Act::Refuse(why)) => Err(why.to_owned()),
            Some(Act::Panic) => panic!("as the script says"),
            Some(Act::Lines(lines)) => Ok(Lines(lines.iter().copied().collect())),
            None => {
                self.over.cancel();
                std::future::pending().await
            }
        }
    }
}

impl Link for Lines {
    async fn next(&mut self) -> Arrival {
        match self.0.pop_front() {
            Some(line) => {
                Arrival::Bytes { endpoint: 0, bytes: line.as_bytes().to_vec(), at_us: None }
            }
            None => Arrival::Lost("the script ends it".to_owned()),
        }
    }

    async fn send(&mut self, _endpoint: u16, _bytes: &[u8]) -> Result<(), String> {
        Ok(())
    }
}

struct Stage {
    folder: tempfile::TempDir,
    source: Arc<Source>,
    thread: std::thread::JoinHandle<bool>,
}

fn stage() -> Stage {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("a.db");
    let config = folder.path().join("c.toml");
    std::fs::write(
        &config,
        "[sources.bench-shunt]\ndecoder = \"text-lines\"\nserial = { path = \"/nowhere\" }\n\
         fields.U.quantity = \"voltage_volt\"\n",
    )
    .unwrap();
    let config = load(Some(&config), &Overrides::default()).unwrap();
    let mut store = Store::open(&path).unwrap();
    let clock = Arc::new(Clock::standing("boot", 1_000_000, 0));
    let run = NewRun {
        boot_id: "boot".to_owned(),
        started_t_us: 0,
        clock_rate: 1.0,
        recorded_by: "test".to_owned(),
        replay_of: None,
    };
    let run = store.begin_run(&run).unwrap();
    let (recorder, thread) = Recorder::start(store, u64::MAX).unwrap();
    let keeper = Arc::new(Keeper::new(path));
    let intake = Arc::new(Intake::new(clock, recorder, keeper, run.id, 0));
    let source = &config.sources["bench-shunt"];
    let descriptor = ampledger_decoders::builtin::find("text-lines").unwrap();
    let source = Source::new(
        "bench-shunt",
        "a script".to_owned(),
        source.clone(),
        Maker::BuiltIn(descriptor),
        intake,
    );
    Stage { folder, source: Arc::new(source), thread }
}

impl Stage {
    async fn play(&self, acts: impl IntoIterator<Item = Act>) {
        let over = CancellationToken::new();
        let script = Script { acts: acts.into_iter().collect(), over: over.clone() };
        supervise(self.source.clone(), script, over).await;
    }

    /// What was recorded, once everything is.
    fn finished(self) -> (tempfile::TempDir, Reader) {
        self.source.intake.recorder.finish();
        assert!(self.thread.join().unwrap());
        let reader = Reader::open(&self.folder.path().join("a.db")).unwrap();
        (self.folder, reader)
    }

    fn markers(self) -> Vec<MarkerKind> {
        let (_folder, reader) = self.finished();
        let all = reader.markers(Bound { run: RunId(1), t_us: 0 }, None).unwrap();
        all.into_iter().map(|marker| marker.kind).collect()
    }

    fn samples(self) -> Vec<f64> {
        let (_folder, reader) = self.finished();
        let mut values = Vec::new();
        let range = ampledger_store::Range {
            sources: vec!["bench-shunt".to_owned()],
            from: Bound { run: RunId(1), t_us: 0 },
            to: None,
            up_to: None,
        };
        reader
            .samples(&range, |stored| {
                values.push(stored.sample.values[0]);
                std::ops::ControlFlow::Continue(())
            })
            .unwrap();
        values
    }
}

#[tokio::test(start_paused = true)]
async fn a_source_comes_back_whatever_happened_to_it() {
    let stage = stage();
    let began = Instant::now();
    stage
        .play([
            Act::Refuse("not there"),
            Act::Refuse("not there"),
            Act::Lines(&["U=1\nU=2\n", "U=3\n"]),
            Act::Panic,
            Act::Lines(&["U=4\nU=5\n"]),
            Act::Refuse("not there"),
        ])
        .await;
    assert!(began.elapsed() < Duration::from_secs(20), "waits grow, but are capped");
    let status = stage.source.health.status(stage.source.clock());
    assert_eq!(status.counters.opened, 2);
    // The first line after each opening may be cut, so it is left out.
    assert_eq!(stage.samples(), [2.0, 3.0, 5.0]);
}

#[tokio::test(start_paused = true)]
async fn a_source_that_is_lost_time_after_time_is_marked_once() {
    let stage = stage();
    stage.play((0..20).map(|_| Act::Lines(&["U=1\n"]))).await;
    assert_eq!(stage.source.health.status(stage.source.clock()).counters.opened, 20);
    let kinds = stage.markers();
    let count = |kind| kinds.iter().filter(|k| **k == kind).count();
    assert_eq!(count(MarkerKind::SourceLost), 1);
    assert!(count(MarkerKind::SourceOpened) <= 2, "{kinds:?}");
}

#[tokio::test(start_paused = true)]
async fn a_source_that_never_opens_says_why_and_when_it_is_tried_again() {
    let stage = stage();
    let over = CancellationToken::new();
    let script =
        Script { acts: [Act::Refuse("the cable is out")].into(), over: CancellationToken::new() };
    let source = stage.source.clone();
    let seen = async {
        tokio::time::sleep(Duration::from_millis(100)).await;
        let status = source.health.status(source.clock());
        over.cancel();
        status
    };
    let (_, status) = tokio::join!(supervise(stage.source.clone(), script, over.clone()), seen);
    assert_eq!(status.state, SourceState::Failed);
    assert_eq!(status.reason.as_deref(), Some("the cable is out"));
    assert!(status.retry_in_second.is_some());
}

#[test]
fn waits_are_capped_and_scattered() {
    for _ in 0..1000 {
        let pause = jittered(LONGEST_WAIT);
        assert!(pause >= LONGEST_WAIT.mul_f64(0.8) && pause <= LONGEST_WAIT.mul_f64(1.2));
    }
}
