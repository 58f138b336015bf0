//! Decoding again: samples that stand in for those of a stretch. Nothing is
//! changed or removed; `merge.rs` has the order in which the two kinds are read.

use ampledger_types::{Bound, Marker, RunId, Seq};
use rusqlite::{Connection, params};

use crate::append::{NumberedSample, write_marker, write_samples};
use crate::error::{Fault, Refusal, StoreError};
use crate::open::Store;
use crate::read::{self, Range};
use crate::reader::Reader;
use crate::working::Working;

/// Samples written at a time.
const PIECE: usize = 4096;

/// A stretch of one source's record. Its samples are those of the source whose
/// time lies in it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Stretch {
    /// The source.
    pub source: String,
    /// The run whose clock the times are.
    pub run: RunId,
    /// First moment, itself included, microseconds.
    pub from_t_us: i64,
    /// Last moment, itself included, microseconds.
    pub to_t_us: i64,
}

impl Stretch {
    pub(crate) fn covers(&self, sample: &NumberedSample) -> bool {
        self.run == sample.run
            && (self.from_t_us..=self.to_t_us).contains(&sample.sample.t_us)
            && self.source == sample.decode_set.source
    }

    /// All of the source between two moments of the run.
    pub(crate) fn range(&self, from_t_us: i64, to_t_us: i64) -> Range {
        let bound = |t_us| Bound { run: self.run, t_us };
        let (from, to) = (bound(from_t_us), Some(bound(to_t_us)));
        Range { sources: vec![self.source.clone()], from, to, up_to: None }
    }

    fn reaches(&self, range: &Range) -> bool {
        let bound = |t_us| Bound { run: self.run, t_us };
        range.from <= bound(self.to_t_us)
            && bound(self.from_t_us) <= read::end(range.to)
            && range.names(&self.source)
    }
}

/// A stretch that was decoded again, with the numbers of the samples that
/// stand in for those decoded before.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Redecoding {
    /// The stretch.
    pub stretch: Stretch,
    /// Number of the first of its samples.
    pub first_seq: Seq,
    /// Number of the last.
    pub last_seq: Seq,
}

impl Store {
    /// Writes down what was decoded again, all of it or nothing: what `act`
    /// gives to the [`Redecoder`] is one transaction. Samples get their
    /// numbers from `first_seq` on.
    pub fn redecode<E: From<StoreError>>(
        &mut self,
        first_seq: Seq,
        act: impl FnOnce(&mut Redecoder<'_>) -> Result<(), E>,
    ) -> Result<Seq, E> {
        let before = self.recorded_up_to;
        let path = self.path().to_owned();
        let at = |fault: Fault| fault.at(&path);
        let mut given_up = None;
        let written = self.write(|tx, working| {
            let mut redecoder = Redecoder {
                db: tx,
                working,
                before,
                at: &at,
                stretch: None,
                piece: Vec::new(),
                first_seq,
                next_seq: first_seq,
            };
            if let Err(why) = act(&mut redecoder) {
                given_up = Some(why);
                return Err(Refusal::GivenUp.into());
            }
            redecoder.end_stretch()?;
            Ok(redecoder.next_seq - 1)
        });
        match (given_up, written) {
            (Some(why), _) => Err(why),
            (None, Err(error)) => Err(error.into()),
            (None, Ok(newest)) => {
                self.recorded_up_to = before.max(newest);
                Ok(self.recorded_up_to)
            }
        }
    }
}

/// What is being written down of a decoding.
pub struct Redecoder<'a> {
    db: &'a Connection,
    working: &'a mut Working,
    before: Seq,
    at: &'a dyn Fn(Fault) -> StoreError,
    stretch: Option<Stretch>,
    piece: Vec<NumberedSample>,
    first_seq: Seq,
    next_seq: Seq,
}

impl Redecoder<'_> {
    /// Begins a stretch; what was decoded in it before gives way to the
    /// samples that follow.
    pub fn stretch(&mut self, stretch: Stretch) -> Result<(), StoreError> {
        self.end_stretch().map_err(self.at)?;
        self.first_seq = self.next_seq;
        self.stretch = Some(stretch);
        Ok(())
    }

    /// A sample of the stretch, in order of time. Its number is given here.
    pub fn sample(&mut self, sample: NumberedSample) -> Result<(), StoreError> {
        let seq = self.next_seq;
        if !self.stretch.as_ref().is_some_and(|stretch| stretch.covers(&sample)) {
            return Err((self.at)(Refusal::OutsideStretch { seq }.into()));
        }
        self.next_seq += 1;
        self.piece.push(NumberedSample { seq, ..sample });
        match self.piece.len() {
            PIECE => self.write_piece().map_err(self.at),
            _ => Ok(()),
        }
    }

    /// A marker that tells of it.
    pub fn marker(&mut self, marker: &Marker) -> Result<(), StoreError> {
        write_marker(self.db, marker).map_err(self.at)
    }

    /// The revision of a session grows: what is computed of it changes.
    pub fn grow(&mut self, session: i64) -> Result<(), StoreError> {
        let grow = "UPDATE session SET revision = revision + 1 WHERE id = ?1";
        match self.db.execute(grow, [session]) {
            Ok(1) => Ok(()),
            Ok(_) => Err((self.at)(Refusal::NoSuchSession { id: session }.into())),
            Err(error) => Err((self.at)(error.into())),
        }
    }

    fn write_piece(&mut self) -> Result<(), Fault> {
        write_samples(self.db, self.working, &self.piece, self.before)?;
        self.piece.clear();
        Ok(())
    }

    fn end_stretch(&mut self) -> Result<(), Fault> {
        let Some(stretch) = self.stretch.take() else { return Ok(()) };
        self.write_piece()?;
        let (first, last) = (self.first_seq, self.next_seq - 1);
        if last < first {
            return Err(Refusal::EmptyStretch { source_name: stretch.source }.into());
        }
        let redecoding = Redecoding { stretch, first_seq: first, last_seq: last };
        write_redecoding(self.db, &redecoding)?;
        let Working { interned, summaries, .. } = self.working;
        summaries.write(self.db, last.cast_signed())?;
        summaries.count_again(self.db, interned, &redecoding)
    }
}

fn write_redecoding(db: &Connection, redecoding: &Redecoding) -> rusqlite::Result<()> {
    let Redecoding { stretch, first_seq, last_seq } = redecoding;
    db.prepare_cached(
        "INSERT INTO redecoding (source, run, from_t_us, to_t_us, first_seq, last_seq) \
         VALUES (?1, ?2, ?3, ?4, ?5, ?6)",
    )?
    .execute(params![
        stretch.source,
        stretch.run.0,
        stretch.from_t_us,
        stretch.to_t_us,
        first_seq.cast_signed(),
        last_seq.cast_signed()
    ])?;
    Ok(())
}

impl Reader {
    /// What was decoded again and counts in a range, the oldest first.
    pub fn redecodings(&self, range: &Range) -> Result<Vec<Redecoding>, StoreError> {
        self.read(|db| redecodings(db, range))
    }
}

/// Those that reach into the range, and are whole at its last number.
pub(crate) fn redecodings(db: &Connection, range: &Range) -> Result<Vec<Redecoding>, Fault> {
    let up_to = range.up_to.map_or(i64::MAX, |seq| seq.try_into().unwrap_or(i64::MAX));
    let mut find = db.prepare_cached(
        "SELECT source, run, from_t_us, to_t_us, first_seq, last_seq FROM redecoding \
         WHERE last_seq <= ?1 ORDER BY id",
    )?;
    let rows = find.query_map([up_to], |row| {
        Ok(Redecoding {
            stretch: Stretch {
                source: row.get(0)?,
                run: RunId(row.get(1)?),
                from_t_us: row.get(2)?,
                to_t_us: row.get(3)?,
            },
            first_seq: row.get::<_, i64>(4)?.cast_unsigned(),
            last_seq: row.get::<_, i64>(5)?.cast_unsigned(),
        })
    })?;
    let all: Vec<Redecoding> = rows.collect::<Result<_, _>>()?;
    Ok(all.into_iter().filter(|redecoding| redecoding.stretch.reaches(range)).collect())
}
