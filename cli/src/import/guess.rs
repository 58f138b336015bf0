//! From the first lines to a decoder and its configuration: what a person said
//! goes first, then what the headings say, and what is left is refused with
//! what to try.

use std::path::Path;

use ampledger_decoders::config::{FieldConfig, Sign, nearest};
use ampledger_decoders::mapping::heading::{self, Role};
use ampledger_decoders::{Complaint, DecoderConfig, Driver, Input, Output, builtin};
use ampledger_types::time::EARLIEST_DATE_US;
use ampledger_types::unit::parse_unit;
use ampledger_types::{Quantity, Sample};
use serde_json::{Map, Value, json};

use super::beginning::{Beginning, Hints};
use super::{Understood, refused};
use crate::exit::Failure;

/// What the first lines give under a configuration.
struct Trial {
    first: Option<Sample>,
    samples: usize,
    complaint: Option<Complaint>,
    /// A heading that cannot be true, in words.
    contradiction: Option<String>,
}

/// Finds how a file is read, or says why it cannot be.
pub fn understand(
    beginning: &Beginning,
    hints: &Hints,
    file: &Path,
) -> Result<Understood, Failure> {
    let is_json = beginning.lines.iter().find(|l| !l.trim().is_empty());
    let is_json = is_json.is_some_and(|line| line.trim_start().starts_with('{'));
    let wanted = hints.decoder.as_deref();
    let decoder = wanted.unwrap_or(if is_json { "json-lines" } else { "text-lines" });
    let descriptor = builtin::find(decoder).ok_or_else(|| {
        Failure::Usage(format!(
            "there is no decoder `{decoder}` for files; there are `text-lines` and `json-lines`"
        ))
    })?;
    let headings = headings(beginning, hints);
    let mut remarks = Vec::new();
    let mut config = DecoderConfig::default();
    let comma = decimal_comma(beginning, hints);
    if descriptor.name == "text-lines" {
        config.options = text_options(hints, comma, !headings.is_empty());
        if comma && hints.decimal.is_none() {
            remarks.push("numbers were read with a decimal comma".to_owned());
        }
    }
    let axis = time_options(&headings, hints, &mut config.options)?;
    fields(&headings, hints, &mut config)?;
    refuse_two_units(file, beginning, &headings, hints)?;
    let trial = attempt(descriptor, &config, beginning, file)?;
    if let Some(contradiction) = trial.contradiction {
        let line = beginning.lines.iter().position(|line| split(line, hints) == headings);
        let why = format!(
            "{contradiction}; correct the heading in a copy of the file, or leave the unit out of \
             `--map`"
        );
        return Err(refused(file, line.map(|at| at as u64 + 1), &why));
    }
    let first = match trial.first {
        Some(first) if trial.samples > 0 => first,
        _ => return Err(no_reading(file, beginning, &headings, trial.complaint)),
    };
    let Some(first_us) = first.instrument_t_us else {
        return Err(no_time(file, beginning, &headings, hints));
    };
    if zone_is_missing(beginning, hints, first_us) {
        remarks.push("dates without a zone were taken as UTC; say `--zone` otherwise".to_owned());
    }
    remarks.extend(unused(&headings, hints));
    Ok(Understood {
        decoder: descriptor.name,
        config,
        dated_by: axis.filter(|_| first_us < EARLIEST_DATE_US),
        remarks,
    })
}

/// The cells of the heading line: of all lines, the first with the most that
/// are recognised. Above it, a report may tell who measured what, and when.
fn headings(beginning: &Beginning, hints: &Hints) -> Vec<String> {
    let known = |cells: &Vec<String>| {
        let is_mapped = |cell: &str| hints.map.iter().any(|m| column_of(m) == Some(cell));
        let is_known = |cell: &&String| heading::recognise(cell).is_some() || is_mapped(cell);
        cells.iter().filter(is_known).count()
    };
    let lines = beginning.lines.iter().filter(|line| !line.starts_with('#'));
    let found = lines.map(|line| split(line, hints)).filter(|cells| cells.len() > 1);
    let best = found.map(|cells| (known(&cells), cells)).rev().max_by_key(|(known, _)| *known);
    best.filter(|(known, _)| *known > 0).map(|(_, cells)| cells).unwrap_or_default()
}

/// The column that a `--map` is about.
fn column_of(map: &str) -> Option<&str> {
    map.split_once('=').map(|(column, _)| column)
}

/// The cells of a line, roughly; the decoder reads them exactly.
pub fn split(line: &str, hints: &Hints) -> Vec<String> {
    let delimiter = match hints.delimiter.as_deref() {
        Some("tab") => '\t',
        Some("semicolon") => ';',
        Some("comma") => ',',
        _ => ['\t', ';', ','].into_iter().find(|d| line.contains(*d)).unwrap_or('\t'),
    };
    line.split(delimiter).map(|cell| cell.trim().trim_matches('"').to_owned()).collect()
}

/// Whether numbers are written with a decimal comma: said, or seen in every
/// row where a comma parts no cells.
fn decimal_comma(beginning: &Beginning, hints: &Hints) -> bool {
    if let Some(said) = &hints.decimal {
        return said == "comma";
    }
    let has_other = |line: &&String| line.contains([';', '\t']);
    let cells: Vec<String> =
        beginning.lines.iter().filter(has_other).flat_map(|line| split(line, hints)).collect();
    let with = |mark: char| {
        cells
            .iter()
            .filter(|cell| {
                cell.replacen(mark, ".", 1).parse::<f64>().is_ok() && cell.contains(mark)
            })
            .count()
    };
    with(',') > 0 && with('.') == 0
}

fn text_options(hints: &Hints, comma: bool, has_heading: bool) -> Map<String, Value> {
    let mut options = Map::new();
    if let Some(delimiter) = &hints.delimiter {
        options.insert("delimiter".into(), json!(delimiter));
    }
    options.insert("decimal".into(), json!(if comma { "comma" } else { "point" }));
    if has_heading {
        options.insert("layout".into(), json!("columns"));
    }
    options
}

/// Chooses the axis: test time goes before dates. Returns the place of a
/// column with dates beside it.
fn time_options(
    headings: &[String],
    hints: &Hints,
    options: &mut Map<String, Value>,
) -> Result<Option<usize>, Failure> {
    let mut time = Map::new();
    if let Some(zone) = &hints.zone {
        time.insert("zone".into(), json!(zone));
    }
    let role = |cell: &String| heading::recognise(cell).map(|(role, _)| role);
    let place = |wanted: &[Role]| {
        headings.iter().position(|cell| role(cell).is_some_and(|r| wanted.contains(&r)))
    };
    let dates = place(&[Role::UnixTime, Role::Date]);
    let mapped = hints.map.iter().find_map(|text| {
        let (column, meaning) = text.split_once('=')?;
        let (word, unit) = meaning.split_once(':').map_or((meaning, None), |(w, u)| (w, Some(u)));
        (word == "time").then(|| (column.to_owned(), unit.map(str::to_owned)))
    });
    let named = mapped.is_some();
    if let Some((column, unit)) = mapped {
        time.insert("column".into(), json!(column));
        if let Some(unit) = unit {
            time.insert("unit".into(), json!(unit));
        }
    } else if let Some(test) = place(&[Role::TestTime]).filter(|_| dates.is_some()) {
        time.insert("column".into(), json!(headings[test]));
    }
    let has_test_time = named || place(&[Role::TestTime]).is_some();
    // Placing rows is the import's own matter: it sees the whole file.
    time.insert("as".into(), json!("beside"));
    options.insert("time".into(), Value::Object(time));
    Ok(dates.filter(|_| has_test_time))
}

/// What a person said about columns, and the direction of the current.
fn fields(headings: &[String], hints: &Hints, config: &mut DecoderConfig) -> Result<(), Failure> {
    for text in &hints.map {
        let wrong = || {
            let what = "write COLUMN=quantity, COLUMN=quantity:unit or COLUMN=time";
            Failure::Usage(format!("`--map {text}` is not understood; {what}"))
        };
        let (column, meaning) = text.split_once('=').ok_or_else(wrong)?;
        let (word, unit) = meaning.split_once(':').map_or((meaning, None), |(w, u)| (w, Some(u)));
        if word == "time" {
            continue;
        }
        let quantity = quantity(word)?;
        let field = FieldConfig { unit: unit.map(str::to_owned), ..FieldConfig::of(quantity) };
        config.fields.insert(column.to_owned(), field);
    }
    for cell in headings {
        if let Some((Role::Measures(quantity), _)) = heading::recognise(cell)
            && quantity.is_directed()
            && !config.fields.contains_key(cell)
            && hints.discharging_positive
        {
            config.fields.insert(cell.clone(), FieldConfig::of(quantity));
        }
    }
    if hints.discharging_positive {
        let directed = config.fields.values_mut().filter(|field| field.quantity.is_directed());
        directed.for_each(|field| field.sign = Sign::DischargingPositive);
    }
    Ok(())
}

fn quantity(word: &str) -> Result<Quantity, Failure> {
    word.parse().map_err(|error: ampledger_types::quantity::UnknownQuantity| {
        let names: Vec<String> = Quantity::ALL.iter().map(|q| q.name()).collect();
        let near = nearest(word, names.iter().map(String::as_str));
        let near = near.map(|n| format!("; did you mean `{n}`?")).unwrap_or_default();
        Failure::Usage(format!("{error}{near}"))
    })
}

fn attempt(
    descriptor: &ampledger_decoders::Descriptor,
    config: &DecoderConfig,
    beginning: &Beginning,
    file: &Path,
) -> Result<Trial, Failure> {
    let decoder = (descriptor.build)(config)
        .map_err(|problem| Failure::Usage(format!("{}: {problem}", file.display())))?;
    let mut driver = Driver::new(decoder);
    let mut trial = Trial { first: None, samples: 0, complaint: None, contradiction: None };
    let end = if beginning.is_all { &b"\n"[..] } else { b"" };
    let opened = Input::Opened { record: true };
    let bytes = |bytes| Input::Received { endpoint: 0, bytes };
    for input in [opened, bytes(&beginning.bytes), bytes(end)] {
        for output in driver.give(0, input).1 {
            match output {
                Output::Sample(sample) => {
                    let measures = |q| sample.value(q).is_some();
                    trial.samples +=
                        usize::from(measures(Quantity::Current) || measures(Quantity::Voltage));
                    trial.first.get_or_insert(sample);
                }
                Output::Complaint(complaint) => {
                    if complaint.detail.starts_with("in the heading") {
                        trial.contradiction.get_or_insert(complaint.detail.clone());
                    }
                    trial.complaint.get_or_insert(complaint);
                }
                _ => {}
            }
        }
    }
    Ok(trial)
}

/// A row of units under the heading line must not contradict it.
fn refuse_two_units(
    file: &Path,
    beginning: &Beginning,
    headings: &[String],
    hints: &Hints,
) -> Result<(), Failure> {
    let at = beginning.lines.iter().position(|line| split(line, hints) == *headings);
    let Some((at, below)) = at.and_then(|at| Some((at + 1, beginning.lines.get(at + 1)?))) else {
        return Ok(());
    };
    let units = split(below, hints);
    if !units.iter().all(|unit| unit.is_empty() || parse_unit(unit).is_some()) {
        return Ok(());
    }
    for (heading, below) in headings.iter().zip(&units) {
        let Some(named) = heading::part(heading).filter(|part| part.is_certain()) else { continue };
        let (above, under) = (parse_unit(named.unit), parse_unit(below));
        if above.zip(under).is_some_and(|(above, under)| above != under) {
            let why = format!(
                "the unit `{below}` contradicts the heading `{}`; take one of them out",
                excerpt(heading)
            );
            return Err(refused(file, Some(at as u64 + 1), &why));
        }
    }
    Ok(())
}

/// Columns that nobody said anything about.
fn unused(headings: &[String], hints: &Hints) -> Option<String> {
    const NAMED: usize = 12;
    let is_unused = |cell: &&String| {
        let is_mapped = hints.map.iter().any(|map| column_of(map) == Some(cell.as_str()));
        !cell.is_empty() && !is_mapped && heading::recognise(cell).is_none()
    };
    let names: Vec<String> =
        headings.iter().filter(is_unused).map(|cell| format!("`{}`", excerpt(cell))).collect();
    let more = if names.len() > NAMED { ", …" } else { "" };
    let named = names.get(..NAMED).unwrap_or(&names).join(", ");
    (!names.is_empty()).then(|| format!("not used, as nobody said what they are: {named}{more}"))
}

fn excerpt(cell: &str) -> String {
    cell.chars().take(40).filter(|c| !c.is_control()).collect()
}

/// No row has a time: there is no such column, or what it holds is not
/// understood.
fn no_time(file: &Path, beginning: &Beginning, headings: &[String], hints: &Hints) -> Failure {
    let is_mapped = |cell: &str| {
        let is_it = |map: &String| {
            map.split_once('=').is_some_and(|(c, m)| c == cell && m.starts_with("time"))
        };
        hints.map.iter().any(is_it)
    };
    let place = headings.iter().position(|cell| is_mapped(cell) || heading::is_time(cell));
    let Some(place) = place else {
        let why = format!(
            "no column holds the time; name it, as in `--map {}=time`",
            headings.first().map_or("COLUMN", String::as_str)
        );
        return refused(file, None, &why);
    };
    let row = beginning.lines.iter().zip(1..).find_map(|(line, number)| {
        let cells = split(line, hints);
        let cell = cells.get(place).filter(|cell| cell.contains(|c: char| c.is_ascii_digit()))?;
        Some((number, excerpt(cell)))
    });
    let (line, cell) = row.map_or((None, String::new()), |(line, cell)| (Some(line), cell));
    let why = format!(
        "the time `{cell}` in column {} (`{}`) is not understood; a time is a number, `1:02:03`, \
         or a date as in `2026-03-01 10:00:00` or `2026-03-01T10:00:00+01:00`",
        place + 1,
        headings[place]
    );
    refused(file, line, &why)
}

fn no_reading(
    file: &Path,
    beginning: &Beginning,
    headings: &[String],
    complaint: Option<Complaint>,
) -> Failure {
    let why = complaint.map(|c| format!(": {}", c.detail)).unwrap_or_default();
    let found = match headings {
        [] => "no heading line was found".to_owned(),
        cells => format!("the columns are {}", cells.join(" | ")),
    };
    let line = beginning.lines.iter().position(|line| !line.trim().is_empty());
    let why = format!(
        "no row with a current or a voltage can be read{why}; {found}; say what the columns are, \
         as in `--map COLUMN=current_ampere:mA --map COLUMN=voltage_volt --map COLUMN=time`"
    );
    refused(file, line.map(|at| at as u64 + 1), &why)
}

/// Whether the file has dates that name no zone, and nobody said one.
fn zone_is_missing(beginning: &Beginning, hints: &Hints, first_us: i64) -> bool {
    let names_none = |cell: &String| {
        let cell = cell.trim();
        cell.parse::<jiff::civil::DateTime>().is_ok() && cell.parse::<jiff::Timestamp>().is_err()
    };
    first_us >= EARLIEST_DATE_US
        && hints.zone.is_none()
        && beginning.lines.iter().flat_map(|line| split(line, hints)).any(|cell| names_none(&cell))
}
