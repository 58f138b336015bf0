//! From the first lines to a decoder and its configuration: what a person said
//! goes first, then what the headings say, and what is left is refused with
//! what to try.

use std::path::Path;

use ampledger_decoders::config::{FieldConfig, Sign, nearest};
use ampledger_decoders::mapping::heading::{self, Role};
use ampledger_decoders::{Complaint, DecoderConfig, Driver, Input, Output, builtin};
use ampledger_types::{Quantity, Sample};
use serde_json::{Map, Value, json};

use super::beginning::{Beginning, Hints};
use super::{Understood, refused};
use crate::exit::Failure;

/// Instrument times beyond 2001-01-01 UTC are dates.
const EARLIEST_DATE_US: i64 = 978_307_200_000_000;

/// What the first lines give under a configuration.
struct Trial {
    first: Option<Sample>,
    samples: usize,
    complaint: Option<Complaint>,
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
        config.options = text_options(hints, comma)?;
        if comma && hints.decimal.is_none() {
            remarks.push("numbers were read with a decimal comma".to_owned());
        }
    }
    let axis = time_options(&headings, hints, &mut config.options)?;
    fields(&headings, hints, &mut config)?;
    let trial = attempt(descriptor, &config, beginning, file)?;
    let first = match trial.first {
        Some(first) if trial.samples > 0 => first,
        _ => return Err(no_reading(file, beginning, &headings, trial.complaint)),
    };
    let Some(first_us) = first.instrument_t_us else {
        let why = format!(
            "no column holds the time; name it, as in `--map {}=time`",
            headings.first().map_or("COLUMN", String::as_str)
        );
        return Err(refused(file, None, &why));
    };
    if zone_is_missing(beginning, hints, first_us) {
        remarks.push("dates without a zone were taken as UTC; say `--zone` otherwise".to_owned());
    }
    Ok(Understood {
        decoder: descriptor.name,
        config,
        first_t_us: if first_us < EARLIEST_DATE_US { first_us.max(0) } else { 0 },
        dated_by: axis.filter(|_| first_us < EARLIEST_DATE_US),
        remarks,
    })
}

/// The cells of the first line that is no number row, no comment.
fn headings(beginning: &Beginning, hints: &Hints) -> Vec<String> {
    let is_heading = |line: &&String| {
        let cells = split(line, hints);
        !line.trim().is_empty()
            && !line.starts_with('#')
            && cells.len() > 1
            && cells.iter().any(|cell| heading::recognise(cell).is_some())
    };
    beginning.lines.iter().find(is_heading).map(|line| split(line, hints)).unwrap_or_default()
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

fn text_options(hints: &Hints, comma: bool) -> Result<Map<String, Value>, Failure> {
    let mut options = Map::new();
    if let Some(delimiter) = &hints.delimiter {
        options.insert("delimiter".into(), json!(delimiter));
    }
    options.insert("decimal".into(), json!(if comma { "comma" } else { "point" }));
    Ok(options)
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
    if !time.is_empty() {
        options.insert("time".into(), Value::Object(time));
    }
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
    let mut trial = Trial { first: None, samples: 0, complaint: None };
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
                    trial.complaint.get_or_insert(complaint);
                }
                _ => {}
            }
        }
    }
    Ok(trial)
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
