//! The plain records: packs, sessions with their tags, reports. Nothing here
//! decides when a revision grows.

use ampledger_types::result::SessionReport;
use ampledger_types::{Bound, CutoffRule, OpenedBy, Pack, RunId, Session, Tag};
use rusqlite::{Connection, OptionalExtension, Row, params};
use serde::Serialize;
use serde::de::DeserializeOwned;

use crate::error::{Fault, Refusal, StoreError};
use crate::open::Store;
use crate::pin;
use crate::reader::Reader;
use crate::redecode::Stretch;

/// A session that begins.
#[derive(Clone, Debug, PartialEq)]
pub struct NewSession {
    /// Label of the pack, where it is named already.
    pub pack: Option<String>,
    /// Names of the sources it is about.
    pub sources: Vec<String>,
    /// Who opens it.
    pub opened_by: OpenedBy,
    /// First moment.
    pub start: Bound,
    /// End voltage for this session, V.
    pub cutoff_voltage_volt: Option<f64>,
    /// Which moment counts as its crossing.
    pub cutoff_rule: CutoffRule,
    /// Tags.
    pub tags: Vec<Tag>,
}

impl Store {
    /// Writes a pack down, in place of the one with the same label.
    pub fn put_pack(&mut self, pack: &Pack) -> Result<(), StoreError> {
        self.write(|tx, _| {
            let body = to_json("the pack", pack)?;
            tx.execute(
                "INSERT INTO pack (label, body) VALUES (?1, ?2) \
                 ON CONFLICT (label) DO UPDATE SET body = excluded.body",
                params![pack.label, body],
            )?;
            Ok(())
        })
    }

    /// Writes a session down and gives it its number, its name and revision 1.
    pub fn insert_session(&mut self, new: &NewSession) -> Result<Session, StoreError> {
        let mut session = Session {
            id: 0,
            uuid: uuid::Uuid::new_v4().to_string(),
            pack: new.pack.clone(),
            sources: new.sources.clone(),
            opened_by: new.opened_by,
            start: new.start,
            end: None,
            revision: 1,
            cutoff_voltage_volt: new.cutoff_voltage_volt,
            cutoff_rule: new.cutoff_rule,
            tags: new.tags.clone(),
        };
        self.write(|tx, _| {
            tx.execute(
                "INSERT INTO session \
                 (uuid, sources, opened_by, start_run, start_t_us, revision, cutoff_rule) \
                 VALUES (?1, '[]', '', ?2, ?3, 1, '')",
                params![session.uuid, session.start.run.0, session.start.t_us],
            )?;
            session.id = tx.last_insert_rowid();
            write_session(tx, &session)
        })?;
        Ok(session)
    }

    /// Writes down what changed in a session; its number and name never do.
    pub fn put_session(&mut self, session: &Session) -> Result<(), StoreError> {
        self.write(|tx, _| write_session(tx, session))
    }

    /// Keeps a report. One on an open session may be replaced by a later one
    /// of the same revision; one on an ended session is kept as it is. What it
    /// cites outside the session is pinned.
    pub fn save_report(
        &mut self,
        session: i64,
        revision: u32,
        report: &SessionReport,
        cited: &[Stretch],
    ) -> Result<(), StoreError> {
        self.write(|tx, _| {
            pin::write(tx, session, cited)?;
            let find = "SELECT body FROM report WHERE session = ?1 AND revision = ?2";
            let kept: Option<String> =
                tx.query_row(find, params![session, revision], |row| row.get(0)).optional()?;
            if let Some(kept) = kept {
                let kept: SessionReport = from_json("report", &kept)?;
                if kept == *report {
                    return Ok(());
                }
                if !kept.session.session.is_open() {
                    return Err(Refusal::ReportIssued { session, revision }.into());
                }
            }
            let body = to_json("the report", report)?;
            tx.execute(
                "INSERT INTO report (session, revision, body) VALUES (?1, ?2, ?3) \
                 ON CONFLICT (session, revision) DO UPDATE SET body = excluded.body",
                params![session, revision, body],
            )?;
            Ok(())
        })
    }
}

impl Reader {
    /// All packs, in order of label.
    pub fn packs(&self) -> Result<Vec<Pack>, StoreError> {
        self.read(|db| json_rows(db, "pack", "SELECT body FROM pack ORDER BY label", &[]))
    }

    /// The pack with this label.
    pub fn pack(&self, label: &str) -> Result<Option<Pack>, StoreError> {
        let find = "SELECT body FROM pack WHERE label = ?1";
        self.read(|db| Ok(json_rows(db, "pack", find, &[&label])?.pop()))
    }

    /// All sessions, in order of number.
    pub fn sessions(&self) -> Result<Vec<Session>, StoreError> {
        self.read(|db| sessions(db, None))
    }

    /// The session of this number.
    pub fn session(&self, id: i64) -> Result<Option<Session>, StoreError> {
        self.read(|db| Ok(sessions(db, Some(id))?.pop()))
    }

    /// All reports kept on a session, each with its revision, in order.
    pub fn reports(&self, session: i64) -> Result<Vec<(u32, SessionReport)>, StoreError> {
        self.read(|db| {
            let mut find = db.prepare_cached(
                "SELECT revision, body FROM report WHERE session = ?1 ORDER BY revision",
            )?;
            let mut rows = find.query([session])?;
            let mut reports = Vec::new();
            while let Some(row) = rows.next()? {
                let body: String = row.get(1)?;
                reports.push((row.get(0)?, from_json("report", &body)?));
            }
            Ok(reports)
        })
    }
}

fn write_session(db: &Connection, session: &Session) -> Result<(), Fault> {
    let sources = to_json("the session's sources", &session.sources)?;
    if session.cutoff_voltage_volt.is_some_and(|v| !v.is_finite()) {
        let what = "the session's cut-off voltage".to_owned();
        return Err(Refusal::Unkeepable { what, detail: "it is no number".to_owned() }.into());
    }
    let changed = db.execute(
        "UPDATE session SET pack = ?2, sources = ?3, start_run = ?4, start_t_us = ?5, \
         end_run = ?6, end_t_us = ?7, revision = ?8, cutoff_voltage_volt = ?9, \
         cutoff_rule = ?10, opened_by = ?11 WHERE id = ?1",
        params![
            session.id,
            session.pack,
            sources,
            session.start.run.0,
            session.start.t_us,
            session.end.map(|end| end.run.0),
            session.end.map(|end| end.t_us),
            session.revision,
            session.cutoff_voltage_volt,
            to_json("the session's cut-off rule", &session.cutoff_rule)?.trim_matches('"'),
            to_json("who opened the session", &session.opened_by)?.trim_matches('"'),
        ],
    )?;
    if changed == 0 {
        return Err(Refusal::NoSuchSession { id: session.id }.into());
    }
    db.execute("DELETE FROM session_tag WHERE session = ?1", [session.id])?;
    let mut insert = db.prepare_cached("INSERT INTO session_tag VALUES (?1, ?2, ?3, ?4)")?;
    for (position, tag) in (0i64..).zip(&session.tags) {
        insert.execute(params![session.id, position, tag.key, tag.value])?;
    }
    Ok(())
}

pub(crate) fn sessions(db: &Connection, only: Option<i64>) -> Result<Vec<Session>, Fault> {
    let mut find = db.prepare_cached(
        "SELECT id, uuid, pack, sources, start_run, start_t_us, end_run, end_t_us, revision, \
         cutoff_voltage_volt, cutoff_rule, opened_by FROM session WHERE ?1 IS NULL OR id = ?1 ORDER BY id",
    )?;
    let mut rows = find.query([only])?;
    let mut sessions = Vec::new();
    while let Some(row) = rows.next()? {
        sessions.push(session(db, row)?);
    }
    Ok(sessions)
}

fn session(db: &Connection, row: &Row<'_>) -> Result<Session, Fault> {
    let id = row.get(0)?;
    let sources: String = row.get(3)?;
    let end = match (row.get(6)?, row.get(7)?) {
        (Some(run), Some(t_us)) => Some(Bound { run: RunId(run), t_us }),
        _ => None,
    };
    Ok(Session {
        id,
        uuid: row.get(1)?,
        pack: row.get(2)?,
        sources: from_json("session", &sources)?,
        opened_by: from_json("session", &format!("\"{}\"", row.get::<_, String>(11)?))?,
        start: Bound { run: RunId(row.get(4)?), t_us: row.get(5)? },
        end,
        revision: row.get(8)?,
        cutoff_voltage_volt: row.get(9)?,
        cutoff_rule: from_json("session", &format!("\"{}\"", row.get::<_, String>(10)?))?,
        tags: tags(db, id)?,
    })
}

fn tags(db: &Connection, session: i64) -> rusqlite::Result<Vec<Tag>> {
    let find = "SELECT key, value FROM session_tag WHERE session = ?1 ORDER BY position";
    let mut find = db.prepare_cached(find)?;
    let rows = find.query_map([session], |row| Ok(Tag { key: row.get(0)?, value: row.get(1)? }))?;
    rows.collect()
}

fn json_rows<T: DeserializeOwned>(
    db: &Connection,
    table: &str,
    find: &str,
    with: &[&dyn rusqlite::ToSql],
) -> Result<Vec<T>, Fault> {
    let mut find = db.prepare_cached(find)?;
    let mut rows = find.query(with)?;
    let mut all = Vec::new();
    while let Some(row) = rows.next()? {
        let body: String = row.get(0)?;
        all.push(from_json(table, &body)?);
    }
    Ok(all)
}

/// As JSON, if it can be read back to the same: JSON has no NaN, for instance.
pub(crate) fn to_json<T>(what: &str, value: &T) -> Result<String, Refusal>
where
    T: Serialize + DeserializeOwned + PartialEq,
{
    let unkeepable = |detail: String| Refusal::Unkeepable { what: what.to_owned(), detail };
    let text = serde_json::to_string(value).map_err(|e| unkeepable(e.to_string()))?;
    match serde_json::from_str::<T>(&text) {
        Ok(back) if back == *value => Ok(text),
        Ok(_) => Err(unkeepable("it holds a figure that is no number".to_owned())),
        Err(e) => Err(unkeepable(e.to_string())),
    }
}

pub(crate) fn from_json<T: DeserializeOwned>(table: &str, text: &str) -> Result<T, Fault> {
    serde_json::from_str(text).map_err(|e| Fault::Damaged(format!("in table {table}: {e}")))
}
