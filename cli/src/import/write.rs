//! Writes a file into the store: a run of its own, what the rows hold, what was
//! wrong with it, and last the session over it all, judged as its rows came.
//! One killed midway leaves nothing of it.

use std::path::Path;
use std::sync::Arc;

use ampledger_decoders::{Driver, Input, builtin};
use ampledger_report::{Holding, SessionFeed, Subject, View, holding_fed};
use ampledger_store::{NewRun, NewSession, Reader, Store};
use ampledger_types::result::SessionReport;
use ampledger_types::{Bound, DecodeSet, Run, Session, Tag};

use super::beginning::Beginning;
use super::intake::{Intake, Source};
use super::open::Rows;
use super::{Plan, Understood, refused};
use crate::client::BUILD;
use crate::exit::Failure;

/// What became of a file.
pub struct Imported {
    /// Number of the session.
    pub session: i64,
    /// What came out.
    pub report: SessionReport,
}

/// Writes a file that was understood into the store.
pub fn write(
    file: &Path,
    mut rows: Rows,
    beginning: &Beginning,
    understood: Understood,
    plan: &Plan,
) -> Result<Imported, Failure> {
    let descriptor = builtin::find(understood.decoder)
        .ok_or_else(|| refused(file, None, "its decoder is not built in"))?;
    let decoder = (descriptor.build)(&understood.config)
        .map_err(|problem| Failure::Usage(problem.to_string()))?;
    let mut store = Store::open(&plan.store)?;
    store.begin_whole()?;
    let source = source_name(file);
    let run = store.begin_run(&NewRun {
        boot_id: format!("import-{}", uuid::Uuid::new_v4()),
        started_t_us: 0,
        clock_rate: 1.0,
        recorded_by: BUILD.to_owned(),
        replay_of: Some(source.clone()),
    })?;
    store.put_instruments(run.id, &[(source.clone(), plan.instrument.clone())].into())?;
    let decode_set = DecodeSet {
        source: source.clone(),
        decoder: descriptor.name.to_owned(),
        decoder_version: descriptor.version.to_owned(),
        config_digest: understood.config.digest(descriptor.name, descriptor.version),
        identity: None,
    };
    let feed = SessionFeed::new(&coming(&store, &run, &source, plan)?);
    let source = Source { run, decode_set: Arc::new(decode_set) };
    let mut intake = Intake::new(store, source, feed, understood);
    let mut driver = Driver::new(decoder);
    intake.give(&mut driver, Input::Opened { record: true })?;
    for line in beginning.bytes.split_inclusive(|byte| *byte == b'\n') {
        intake.piece(&mut driver, line, plan)?;
    }
    if !beginning.is_all {
        intake.rest(&mut driver, &mut rows, plan)?;
    }
    // A finished file's last line is whole, with or without its end.
    intake.lend(&mut driver, b"\n")?;
    intake.give(&mut driver, Input::Closed)?;
    let (store, session, feed) = finish(intake, file, rows.sha256(), plan)?;
    judge(store, session, feed)
}

/// The name of a file's source: its own, without what packs it.
fn source_name(file: &Path) -> String {
    let name = file.file_name().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default();
    let stem = name.split('.').find(|part| !part.is_empty()).unwrap_or("import");
    stem.chars().map(|c| if c.is_control() || c == '/' { '-' } else { c }).collect()
}

/// The session as far as it is known before its rows are.
fn session_over(run: &Run, source: &str, plan: &Plan) -> NewSession {
    NewSession {
        pack: plan.pack.as_ref().map(|pack| pack.label.clone()),
        sources: vec![source.to_owned()],
        opened_by: Default::default(),
        start: Bound { run: run.id, t_us: 0 },
        cutoff_voltage_volt: plan.cutoff_voltage_volt,
        cutoff_rule: plan.cutoff_rule,
        tags: Vec::new(),
    }
}

/// What its rows are judged by as they come.
fn coming(store: &Store, run: &Run, source: &str, plan: &Plan) -> Result<Subject, Failure> {
    let new = session_over(run, source, plan);
    let session = Session {
        id: 0,
        uuid: String::new(),
        pack: new.pack,
        sources: new.sources,
        opened_by: new.opened_by,
        start: new.start,
        end: None,
        revision: 0,
        cutoff_voltage_volt: new.cutoff_voltage_volt,
        cutoff_rule: new.cutoff_rule,
        tags: new.tags,
    };
    let mut subject = Subject::coming(&store.reader()?, session, run.clone())?;
    subject.pack = plan.pack.clone();
    subject.instruments = [(source.to_owned(), plan.instrument.clone())].into();
    Ok(subject)
}

/// Writes what is left, and the session over it all.
fn finish(
    mut intake: Intake,
    file: &Path,
    sha256: Option<String>,
    plan: &Plan,
) -> Result<(Store, Session, SessionFeed), Failure> {
    intake.end()?;
    let (mut store, source, last_us, feed) = intake.into_parts();
    if let Some(pack) = &plan.pack {
        store.put_pack(pack)?;
    }
    let name = file.file_name().map(|n| n.to_string_lossy().into_owned());
    let tag = |key: &str, value: Option<String>| Tag { key: key.to_owned(), value };
    let mut new = session_over(&source.run, &source.decode_set.source, plan);
    new.tags.push(tag("file", name));
    new.tags.extend(sha256.map(|sha256| tag("sha256", Some(sha256))));
    let mut session = store.insert_session(&new)?;
    session.end = Some(Bound { run: source.run.id, t_us: last_us });
    store.put_session(&session)?;
    store.seal()?;
    store.finish_whole()?;
    Ok((store, session, feed))
}

fn judge(mut store: Store, session: Session, feed: SessionFeed) -> Result<Imported, Failure> {
    let reader = Reader::open(store.path())?;
    let view = View { build: BUILD.to_owned(), ..View::default() };
    let Holding { report, cited, .. } = holding_fed(&reader, session.id, &view, feed)?;
    store.save_report(session.id, session.revision, &report, &cited)?;
    Ok(Imported { session: session.id, report })
}
