//! The exported table, read back: every reading to the same digits, totals
//! that agree with the results, a description that agrees with the table.

use std::collections::BTreeMap;

use ampledger_report::export::{Exported, export_bdf_csv, file_name};
use ampledger_types::Quantity;
use sha2::{Digest, Sha256};

use super::bench::*;

type Row = BTreeMap<String, Option<f64>>;

fn exported(bench: &mut Bench, session: i64) -> (String, Exported) {
    let view = bench.view();
    let mut file = Vec::new();
    let exported = export_bdf_csv(&bench.reader(), session, &view, &mut file).unwrap();
    (String::from_utf8(file).unwrap(), exported)
}

#[track_caller]
fn rows(text: &str) -> Vec<Row> {
    assert!(text.ends_with('\n') && !text.contains('\r'));
    let mut lines = text.lines();
    let head: Vec<&str> = lines.next().unwrap().split(',').collect();
    let row = |line: &str| -> Row {
        let cells: Vec<&str> = line.split(',').collect();
        assert_eq!(cells.len(), head.len(), "{line}");
        let value = |cell: &str| (!cell.is_empty()).then(|| cell.parse().unwrap());
        head.iter().zip(cells).map(|(name, cell)| ((*name).to_owned(), value(cell))).collect()
    };
    lines.map(row).collect()
}

#[test]
fn the_table_holds_every_reading_to_the_same_digits() {
    let mut bench = Bench::new();
    let session = whole_test(&mut bench);
    let (text, exported) = exported(&mut bench, session);
    // Labels: Battery Data Format, ontology 1.3.0.
    assert!(text.starts_with(
        "Test Time / s,Unix Time / s,Voltage / V,Current / A,\
         Charging Capacity / Ah,Discharging Capacity / Ah,\
         Charging Energy / Wh,Discharging Energy / Wh\n0,1772352720,26.6,20,0,0,0,0\n"
    ));
    let rows = rows(&text);
    assert_eq!(rows.len(), bench.samples.len());
    assert_eq!((exported.rows, exported.rows_left_out), (rows.len() as u64, 0));
    for (row, stored) in rows.iter().zip(&bench.samples) {
        assert_eq!(row["Voltage / V"], Some(stored.sample.values[0]));
        assert_eq!(row["Current / A"], Some(stored.sample.values[1]));
        let test_us = stored.sample.t_us - 100 * SECOND;
        assert_eq!(row["Test Time / s"], Some(test_us as f64 / 1e6));
    }
}

#[test]
fn the_last_totals_are_the_results() {
    let mut bench = Bench::new();
    let session = whole_test(&mut bench);
    let (text, exported) = exported(&mut bench, session);
    let rows = rows(&text);
    let results = &exported.report.results;
    let last = rows.last().unwrap();
    for (label, figure) in [
        ("Charging Capacity / Ah", &results.charging_capacity_ah),
        ("Discharging Capacity / Ah", &results.discharging_capacity_ah),
        ("Charging Energy / Wh", &results.charging_energy_wh),
        ("Discharging Energy / Wh", &results.discharging_energy_wh),
    ] {
        let (seen, expected) = (last[label].unwrap(), figure.value.unwrap());
        assert!((seen - expected).abs() <= 1e-9 * expected, "{label}: {seen} and {expected}");
        let totals = rows.iter().map(|row| row[label].unwrap());
        assert!(totals.is_sorted(), "{label} falls");
    }
    assert_eq!(exported.report, bench.report(session));
}

#[test]
fn the_description_agrees_with_the_table() {
    let mut bench = Bench::new();
    let session = whole_test(&mut bench);
    let (text, exported) = exported(&mut bench, session);
    let name = file_name(&exported.report, "Refit Shed");
    assert_eq!(name, "Refit-Shed__GAL-07__20260301_001.bdf.csv");
    let meta = serde_json::to_value(exported.metadata(&name)).unwrap();
    let sha256: String =
        Sha256::digest(text.as_bytes()).iter().map(|b| format!("{b:02x}")).collect();
    assert_eq!(meta["sha256"], sha256);
    assert_eq!(meta["rows"], text.lines().count() - 1);
    assert_eq!(meta["file"], name);
    assert_eq!(meta["store_uuid"], bench.store.uuid());
    assert_eq!(meta["session"]["pack"], "GAL-07");
    assert_eq!(meta["pack"]["rating"]["capacity_ah"], 60.0);
    assert_eq!(meta["phases"].as_array().unwrap().len(), 4);
    assert_eq!(meta["markers"][0]["text"], "load taken off");
    assert_eq!(meta["computed_by"], "ampledger test");
    assert_eq!(meta["decode_sets"][0]["decoder"], "text-lines");
    let labels: Vec<&str> = meta["columns"]
        .as_array()
        .unwrap()
        .iter()
        .map(|column| column["label"].as_str().unwrap())
        .collect();
    assert_eq!(labels.join(","), text.lines().next().unwrap());
    let voltage = &meta["columns"][2];
    assert_eq!(voltage["ucum"], "V");
    assert_eq!(
        voltage["iri"],
        "https://w3id.org/battery-data-alliance/ontology/battery-data-format#voltage_volt"
    );
    assert_eq!(voltage["source"], "bench-shunt");
}

#[test]
fn other_groups_and_sources_have_columns_of_their_own_and_rows_in_order_of_time() {
    let mut bench = Bench::new();
    let session = bench.start_on(&["bench-shunt", "clamp"]);
    let clamp = group(&[Quantity::Current, Quantity::StateOfCharge, Quantity::Temperature(1)]);
    for i in 0..40_i64 {
        bench.reads(26.0, -12.0);
        // Read a little earlier, arrived a little later.
        bench.t_us -= SECOND / 2;
        if i > 0 {
            bench.says("clamp", clamp.clone(), vec![-11.9, 80.0, f64::NAN]);
        }
        bench.t_us += SECOND / 2 + SECOND;
    }
    bench.stop(session);
    let (text, exported) = exported(&mut bench, session);
    assert_eq!(
        text.lines().next().unwrap(),
        "Test Time / s,Unix Time / s,Voltage / V,Current / A,\
         Charging Capacity / Ah,Discharging Capacity / Ah,\
         Charging Energy / Wh,Discharging Energy / Wh,\
         Current clamp / A,State of Charge / %"
    );
    let rows = rows(&text);
    assert_eq!((rows.len(), exported.rows_left_out), (79, 0));
    assert!(rows.iter().map(|r| r["Test Time / s"].unwrap()).is_sorted());
    let from_clamp: Vec<&Row> = rows.iter().filter(|r| r["Current clamp / A"].is_some()).collect();
    assert_eq!(from_clamp.len(), 39);
    assert!(from_clamp.iter().all(|r| r["Voltage / V"].is_none()
        && r["Discharging Capacity / Ah"].is_none()
        && r["State of Charge / %"] == Some(80.0)));
    assert_eq!(exported.columns[9].machine_name, None);
}

#[test]
fn an_issued_result_is_exported_as_it_was_issued_with_the_same_table() {
    let mut bench = Bench::new();
    let session = bench.start();
    bench.for_seconds(60, |_| (26.8, 0.0));
    bench.for_seconds(600, |_| (26.0, -12.0));
    // A rest that does not end the discharge.
    bench.for_seconds(30, |_| (26.4, 0.0));
    bench.for_seconds(600, |s| (25.9 - s / 600.0, -12.0));
    bench.for_seconds(120, |_| (26.2, 0.0));
    bench.stop(session);
    let (judged, of_samples) = exported(&mut bench, session);
    let phases = &of_samples.report.phases;
    assert!(phases.iter().any(|phase| !phase.interruptions.is_empty()), "{phases:?}");

    let mut issued = bench.report(session);
    "as it was said then".clone_into(&mut issued.claim);
    bench.store.save_report(session, issued.session.session.revision, &issued, &[]).unwrap();
    let (text, of_issue) = exported(&mut bench, session);
    assert_eq!(of_issue.report, issued);
    assert_eq!(text, judged);
    assert_eq!(Exported { report: of_samples.report.clone(), ..of_issue }, of_samples);
}

#[test]
fn columns_stand_in_the_order_in_which_they_were_first_heard_issued_or_not() {
    let mut bench = Bench::new();
    let session = bench.start_on(&["bench-shunt", "clamp"]);
    let fine = group(&[Quantity::Voltage, Quantity::Current, Quantity::Temperature(6)]);
    let clamp = group(&[Quantity::Temperature(7), Quantity::Current, Quantity::Temperature(8)]);
    // More than one chunk holds; each channel is heard at another time.
    let from = |first: u32, i: u32, value| if i < first { f64::NAN } else { value };
    for i in 0..9_000_u32 {
        bench.says("bench-shunt", fine.clone(), vec![26.0, -12.0, from(8_500, i, 22.0)]);
        if i % 2 == 0 {
            let values = vec![from(7_000, i, 21.0), from(300, i, -11.9), f64::INFINITY];
            bench.says("clamp", clamp.clone(), values);
        }
        bench.t_us += SECOND / 10;
    }
    bench.stop(session);
    bench.store.seal().unwrap();
    let (judged, of_samples) = exported(&mut bench, session);
    assert!(
        judged
            .lines()
            .next()
            .unwrap()
            .ends_with("Current clamp / A,Temperature T7 / degC,Temperature T6 / degC"),
        "{}",
        judged.lines().next().unwrap()
    );
    bench.issue(session);
    let (text, of_issue) = exported(&mut bench, session);
    assert_eq!(text, judged);
    assert_eq!(Exported { report: of_samples.report.clone(), ..of_issue }, of_samples);
}

#[test]
fn an_instruments_own_counter_has_a_label_that_is_not_the_running_totals() {
    let mut bench = Bench::new();
    let session = bench.start();
    let counting = group(&[Quantity::Voltage, Quantity::Current, Quantity::DischargingCapacity]);
    for i in 0..20_u32 {
        // It counted before the session began.
        bench.says("bench-shunt", counting.clone(), vec![26.0, -12.0, 7.0 + f64::from(i)]);
        bench.t_us += SECOND;
    }
    bench.stop(session);
    let (text, exported) = exported(&mut bench, session);
    assert_eq!(
        text.lines().next().unwrap(),
        "Test Time / s,Unix Time / s,Voltage / V,Current / A,\
         Charging Capacity / Ah,Discharging Capacity / Ah,\
         Charging Energy / Wh,Discharging Energy / Wh,\
         Discharging Capacity bench-shunt / Ah"
    );
    let rows = rows(&text);
    let last = rows.last().unwrap();
    assert_eq!(last["Discharging Capacity bench-shunt / Ah"], Some(26.0));
    let total = exported.report.results.discharging_capacity_ah.value.unwrap();
    assert!((last["Discharging Capacity / Ah"].unwrap() - total).abs() <= 1e-9);
    let (ours, own) = (&exported.columns[5], &exported.columns[8]);
    assert_eq!(ours.machine_name.as_deref(), Some("discharging_capacity_ah"));
    assert_eq!((&own.machine_name, &own.iri), (&None, &None));
    assert!(own.note.as_deref().unwrap().contains("own counter"));
}

#[test]
fn a_reading_that_steps_back_in_time_is_left_out_and_counted() {
    let mut bench = Bench::new();
    let session = bench.start();
    bench.for_seconds(20, |_| (26.0, -12.0));
    bench.t_us -= 10 * SECOND;
    bench.reads(26.0, -12.0);
    bench.t_us += 10 * SECOND;
    bench.for_seconds(20, |_| (26.0, -12.0));
    bench.stop(session);
    let (text, exported) = exported(&mut bench, session);
    assert_eq!((rows(&text).len(), exported.rows_left_out), (22, 1));
    let meta = serde_json::to_string(&exported.metadata("x.bdf.csv")).unwrap();
    assert!(meta.contains("1 row was left out"), "{meta}");
}

#[test]
fn a_session_without_a_current_is_exported_with_an_empty_column_and_says_so() {
    let mut bench = Bench::new();
    let session = bench.start();
    bench.says("bench-shunt", group(&[Quantity::Voltage]), vec![26.6]);
    bench.t_us += SECOND;
    bench.stop(session);
    let (text, exported) = exported(&mut bench, session);
    assert_eq!(text, "Test Time / s,Unix Time / s,Voltage / V,Current / A\n0,1772352720,26.6,\n");
    let meta = serde_json::to_value(exported.metadata("x.bdf.csv")).unwrap();
    let notes = meta["notes"].to_string();
    assert!(notes.contains("Current / A was not measured"), "{notes}");
}

#[test]
fn a_session_with_nothing_in_it_is_a_header() {
    let mut bench = Bench::new();
    let session = bench.start();
    bench.stop(session);
    let (text, exported) = exported(&mut bench, session);
    assert_eq!(text, "Test Time / s,Unix Time / s,Voltage / V,Current / A\n");
    assert_eq!(exported.rows, 0);
}

#[test]
fn a_file_that_cannot_be_written_is_an_error() {
    struct Full;
    impl std::io::Write for Full {
        fn write(&mut self, _: &[u8]) -> std::io::Result<usize> {
            Err(std::io::ErrorKind::StorageFull.into())
        }
        fn flush(&mut self) -> std::io::Result<()> {
            Ok(())
        }
    }
    let mut bench = Bench::new();
    let session = whole_test(&mut bench);
    let view = bench.view();
    let error = export_bdf_csv(&bench.reader(), session, &view, &mut Full).unwrap_err();
    assert!(error.to_string().starts_with("the export could not be written"), "{error}");
}
