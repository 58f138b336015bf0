//! Reading: five hours into columns, and overviews for charts.

use std::hint::black_box;
use std::ops::ControlFlow;

use ampledger_store::{Range, Reader, Stretch, overview_width_us};
use ampledger_types::{Bound, Channel, Quantity, RunId};

use super::Failure;
use super::clock::{Contender, medians, milliseconds};
use super::data::DISCHARGE;
use super::duckdb::DuckDb;
use super::rows::Rows;
use super::table::{Figure, Goal, Table};

/// Microseconds of a discharge.
const FIVE_HOURS_US: i64 = 18_000_000_000;
/// From one discharge to the next.
const PERIOD_US: i64 = 21_600_000_000;

/// Reads one discharge into columns; gives back how many samples it has.
pub fn columns(
    reader: &Reader,
    run: RunId,
    discharge: i64,
    wanted: fn(&Channel) -> bool,
) -> Result<usize, Failure> {
    let at = |t_us| Bound { run, t_us: discharge * PERIOD_US + t_us };
    let range = Range {
        sources: vec!["bench-shunt".to_owned()],
        from: at(0),
        to: Some(at(FIVE_HOURS_US)),
        up_to: None,
    };
    let mut found = 0;
    reader.columns(&range, wanted, |block| {
        found += black_box(block).t_us.len();
        ControlFlow::Continue(())
    })?;
    Ok(found)
}

/// Five hours, beside rows and DuckDB.
pub fn five_hours(
    table: &mut Table,
    reader: &Reader,
    run: RunId,
    (rows, duckdb): (&Rows, Option<&DuckDb>),
) -> Result<(), Failure> {
    let read =
        |wanted: fn(&Channel) -> bool| milliseconds(|| columns(reader, run, 0, wanted).map(drop));
    let mut contenders: Vec<Contender<'_>> = vec![
        Box::new(|| read(|_| true)),
        Box::new(|| milliseconds(|| rows.columns(0, FIVE_HOURS_US).map(drop))),
        Box::new(|| read(one)),
    ];
    if let Some(duckdb) = duckdb {
        contenders.push(Box::new(|| duckdb.ask("read")));
    }
    let found = medians(&mut contenders)?;
    let (what, unit, ours) = ("5 h of 5 channels into columns", "CPU ms", found[0]);
    let mut put = |what, against, ours, theirs, goal| {
        table.add(&Figure { what, against, unit, ours, theirs, goal });
    };
    put(what, "plain row scan", ours, Some(found[1]), Goal::Times(3.0, 2.0));
    if let Some(theirs) = found.get(3) {
        put(what, "DuckDB fetchnumpy", ours, Some(*theirs), Goal::Times(1.5, 1.0));
    }
    put("  one channel of them", "", found[2], None, Goal::Told);
    Ok(())
}

/// Overviews in 2000 buckets: at a width that summaries serve, and at any. One
/// channel beside the extremes of one, all beside the same figures of all.
pub fn overviews(
    table: &mut Table,
    reader: &Reader,
    stretch: &Stretch,
    duckdb: Option<&DuckDb>,
) -> Result<(), Failure> {
    let length_us = stretch.to_t_us;
    let widths = [overview_width_us(length_us, 2000), length_us / 2000];
    let mut contenders: Vec<Contender<'_>> = Vec::new();
    for width_us in widths {
        for wanted in [one as fn(&Channel) -> bool, |_| true] {
            contenders.push(Box::new(move || {
                milliseconds(|| {
                    black_box(reader.overview(stretch, width_us, wanted)?);
                    Ok(())
                })
            }));
        }
    }
    if let Some(duckdb) = duckdb {
        contenders.push(Box::new(|| duckdb.ask("extremes")));
        contenders.push(Box::new(|| duckdb.ask("overview")));
    }
    let found = medians(&mut contenders)?;
    let mut put = |what, at: usize, against, theirs: usize| {
        let (unit, ours, theirs) = ("CPU ms", found[at], found.get(theirs).copied());
        let goal = if theirs.is_some() { Goal::Times(1.0, 0.5) } else { Goal::Told };
        table.add(&Figure { what, against, unit, ours, theirs, goal });
    };
    put("overview in 2000 buckets, one channel", 0, "DuckDB, its extremes", 4);
    put("  all five channels", 1, "DuckDB, the same figures", 5);
    put("  of a width no summary has, one channel", 2, "DuckDB, its extremes", 4);
    put("  of a width no summary has, all five", 3, "DuckDB, the same figures", 5);
    Ok(())
}

fn one(channel: &Channel) -> bool {
    channel.quantity == Quantity::Voltage
}

/// All that so many samples are in.
pub fn everything(run: RunId, samples: usize) -> Stretch {
    let to_t_us = samples.div_ceil(DISCHARGE) as i64 * PERIOD_US - 1;
    Stretch { source: "bench-shunt".to_owned(), run, from_t_us: 0, to_t_us }
}
