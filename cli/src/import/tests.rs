//! Files as strangers bring them: every heading form, every fault, every way
//! of packing, each with the figure or the refusal that a person gets.

use std::io::Write;
use std::path::PathBuf;

use ampledger_types::result::{Anomaly, AnomalyKind, SessionReport};

use super::*;

struct Shed(tempfile::TempDir);

impl Shed {
    fn new() -> Shed {
        Shed(tempfile::tempdir().unwrap())
    }

    fn file(&self, name: &str, bytes: impl AsRef<[u8]>) -> PathBuf {
        let path = self.0.path().join(name);
        std::fs::write(&path, bytes).unwrap();
        path
    }

    fn plan(&self, hints: Hints) -> Plan {
        Plan { store: self.0.path().join("a.db"), hints, ..Plan::default() }
    }

    fn import(&self, bytes: impl AsRef<[u8]>, hints: Hints) -> Result<Imported, Failure> {
        let file = self.file("old-run.csv", bytes);
        import(&file, &self.plan(hints), &Progress::default())
    }

    fn delivered(&self, bytes: impl AsRef<[u8]>, hints: Hints) -> f64 {
        let report = self.import(bytes, hints).unwrap().report;
        report.results.discharging_capacity_ah.value.unwrap()
    }

    fn refusal(&self, bytes: impl AsRef<[u8]>) -> String {
        match self.import(bytes, Hints::default()) {
            Ok(_) => panic!("it was taken"),
            Err(failure) => failure.to_string(),
        }
    }
}

/// 100 s of 36 A out of the pack: 1 Ah, at 26 V.
fn rows(row: impl Fn(u32) -> String) -> String {
    (0..=100).map(|second| row(second) + "\n").collect()
}

fn odd(report: &SessionReport, kind: AnomalyKind) -> &Anomaly {
    let found = report.anomalies.iter().find(|anomaly| anomaly.kind == kind);
    found.unwrap_or_else(|| panic!("no {kind:?} in {:#?}", report.anomalies))
}

#[test]
fn headings_with_quantity_and_unit_need_no_mapping() {
    let cases = [
        ("Test Time / s,Voltage / V,Current / A", ",", "26.0", "-36"),
        ("test_time_second,voltage_volt,current_ampere", ",", "26.0", "-36"),
        ("time_s,current_A,voltage_V", ",", "-36", "26.0"),
        ("Time [s];Voltage [mV];Current [mA]", ";", "26000", "-36000"),
        ("Time (s)\tvoltage (V)\tcurrent (A)\tTemperature / degC", "\t", "26.0", "-36\t25.1"),
        ("\u{feff}time_s;U [V];I [A]", ";", "26,0", "-36,0"),
    ];
    for (heading, mark, second, third) in cases {
        let text = format!("{heading}\n{}", rows(|t| [&t.to_string(), second, third].join(mark)));
        let delivered = Shed::new().delivered(text, Hints::default());
        assert!((delivered - 1.0).abs() < 1e-12, "{heading}: {delivered}");
    }
}

#[test]
fn utf16_gzip_and_zstandard_are_the_same_file() {
    let text = format!("time_s,current_A,voltage_V\n{}", rows(|t| format!("{t},-36,26")));
    let mut utf16 = vec![0xff, 0xfe];
    utf16.extend(text.encode_utf16().flat_map(u16::to_le_bytes));
    let mut gzip = flate2::write::GzEncoder::new(Vec::new(), flate2::Compression::fast());
    gzip.write_all(text.as_bytes()).unwrap();
    let zstd = zstd::encode_all(text.as_bytes(), 1).unwrap();
    for bytes in [utf16, gzip.finish().unwrap(), zstd] {
        assert!((Shed::new().delivered(bytes, Hints::default()) - 1.0).abs() < 1e-12);
    }
}

#[cfg(feature = "parquet")]
#[test]
fn a_parquet_file_gives_the_same_figure_and_its_checksum() {
    use ::parquet::data_type::DoubleType;
    use ::parquet::file::writer::SerializedFileWriter;
    use ::parquet::schema::parser::parse_message_type;
    use sha2::Digest;

    let schema = "message log { required double test_time_second; \
                  required double current_ampere; required double voltage_volt; }";
    let schema = std::sync::Arc::new(parse_message_type(schema).unwrap());
    let mut writer =
        SerializedFileWriter::new(Vec::new(), schema, std::sync::Arc::default()).unwrap();
    let mut group = writer.next_row_group().unwrap();
    let times: Vec<f64> = (0..=100).map(f64::from).collect();
    for values in [times, vec![-36.0; 101], vec![26.0; 101]] {
        let mut column = group.next_column().unwrap().unwrap();
        column.typed::<DoubleType>().write_batch(&values, None, None).unwrap();
        column.close().unwrap();
    }
    group.close().unwrap();
    let bytes = writer.into_inner().unwrap();
    let digest: String = sha2::Sha256::digest(&bytes).iter().map(|b| format!("{b:02x}")).collect();
    let report = Shed::new().import(bytes, Hints::default()).unwrap().report;
    let delivered = report.results.discharging_capacity_ah.value.unwrap();
    assert!((delivered - 1.0).abs() < 1e-12, "{delivered}");
    assert!(report.tags().iter().any(|tag| tag.value.as_deref() == Some(digest.as_str())));
}

#[test]
fn other_tables_are_explained_by_the_person() {
    let text = format!("Uhr;Batt;Strom\n{}", rows(|t| format!("{};26;36000", t * 1000)));
    let map = ["Uhr=time:ms", "Batt=voltage_volt", "Strom=current_ampere:mA"];
    let hints = Hints {
        map: map.map(str::to_owned).to_vec(),
        discharging_positive: true,
        ..Hints::default()
    };
    assert!((Shed::new().delivered(text, hints) - 1.0).abs() < 1e-12);
    let json = rows(|t| format!("{{\"time\": {t}, \"current_ampere\": -36, \"voltage\": 26}}"));
    assert!((Shed::new().delivered(json, Hints::default()) - 1.0).abs() < 1e-12);
}

#[test]
fn dates_date_the_session_in_the_zone_that_was_said() {
    let row = |t: u32| format!("2026-03-01 10:{:02}:{:02},-36,26", t / 60, t % 60);
    let text = format!("Date,current_A,voltage_V\n{}", rows(row));
    let zone = Some("+01:00".to_owned());
    let hints = Hints { zone, ..Hints::default() };
    let report = Shed::new().import(&text, hints).unwrap().report;
    // 2026-03-01T09:00:00Z.
    assert_eq!(report.session.started.unix_time_second, Some(1_772_355_600.0));
    let unsaid = Shed::new().import(&text, Hints::default()).unwrap();
    let told = &unsaid.report.markers;
    assert!(told.iter().any(|marker| marker.marker.text.contains("taken as UTC")), "{told:?}");
    // Test time is the axis; a Unix time beside it gives the date.
    let row = |t: u32| format!("{},{t},-36,26", 1_772_355_600 + t);
    let text = format!("Unix Time / s,Test Time / s,Current / A,Voltage / V\n{}", rows(row));
    let report = Shed::new().import(text, Hints::default()).unwrap().report;
    assert_eq!(report.session.started.unix_time_second, Some(1_772_355_600.0));
}

#[test]
fn bad_rows_are_named_by_line_and_never_integrated_as_if_right() {
    let row = |t: u32| match t {
        10 => "9,-36,26".to_owned(),
        20 => "20,-36,26\n20,-36,26".to_owned(),
        30 => "30,OVL,26".to_owned(),
        40 => "40,-36".to_owned(),
        50 => ",-36,26".to_owned(),
        t => format!("{t},-36,26"),
    };
    let text = format!("time_s,current_A,voltage_V\n{}", rows(row));
    let report = Shed::new().import(text, Hints::default()).unwrap().report;
    let delivered = report.results.discharging_capacity_ah.value.unwrap();
    assert!((delivered - 1.0).abs() < 1e-12, "{delivered}");
    let unreadable = odd(&report, AnomalyKind::Unreadable);
    assert!(unreadable.lines.contains(&33), "{unreadable:?}");
    assert!(unreadable.lines.contains(&43), "{unreadable:?}");
    assert!(odd(&report, AnomalyKind::TimeRepeated).lines.contains(&23), "{:?}", report.anomalies);
}

#[test]
fn time_that_runs_backwards_is_named_and_adds_nothing() {
    let row = |t: u32| match t {
        60 => "60,-36,26\n30,-36,26".to_owned(),
        t => format!("{t},-36,26"),
    };
    let text = format!("time_s,current_A,voltage_V\n{}", rows(row));
    let report = Shed::new().import(text, Hints::default()).unwrap().report;
    let delivered = report.results.discharging_capacity_ah.value.unwrap();
    assert!((delivered - 1.0).abs() < 1e-12, "{delivered}");
    assert_eq!(odd(&report, AnomalyKind::TimeBackwards).lines, [63]);
}

#[test]
fn the_meters_own_counter_is_compared_and_told_with_both_figures() {
    let good = rows(|t| format!("{t},-36,26,{}", f64::from(t) / 100.0));
    let report = Shed::new()
        .import(
            format!("time_s,current_A,voltage_V,Discharging Capacity / Ah\n{good}"),
            Hints::default(),
        )
        .unwrap()
        .report;
    assert!(report.anomalies.iter().all(|a| a.kind != AnomalyKind::CounterDisagrees));
    let bad = rows(|t| format!("{t},-36,26,{}", f64::from(t) / 90.0));
    let report = Shed::new()
        .import(
            format!("time_s,current_A,voltage_V,Discharging Capacity / Ah\n{bad}"),
            Hints::default(),
        )
        .unwrap()
        .report;
    let text = &odd(&report, AnomalyKind::CounterDisagrees).text;
    assert!(text.contains("1.111 Ah") && text.contains("1.000 Ah"), "{text}");
}

#[test]
fn a_block_that_comes_twice_and_a_time_far_ahead_are_left_out_and_cost_nothing_else() {
    let row = |t: u32| format!("{t},-36,26\n");
    let head = "time_s,current_A,voltage_V\n".to_owned();
    let twice: String = (0..=60).chain(30..=60).chain(61..=100).map(row).collect();
    let ahead: String = (0..=50).chain([1050]).chain(51..=100).map(row).collect();
    for (rows, lines) in [(twice, (63..=82).collect()), (ahead, vec![53])] {
        let report = Shed::new().import(head.clone() + &rows, Hints::default()).unwrap().report;
        let delivered = report.results.discharging_capacity_ah.value.unwrap();
        assert!((delivered - 1.0).abs() < 1e-12, "{delivered}");
        assert_eq!(odd(&report, AnomalyKind::TimeBackwards).lines, lines);
        assert!(report.anomalies.iter().all(|a| a.kind != AnomalyKind::Gap));
    }
}

/// What is said of a pack of 60 Ah and a meter that ends at 100 A.
fn gal_07_on_a_100_a_meter(shed: &Shed) -> Plan {
    let mut plan = shed.plan(Hints::default());
    let rating = ampledger_types::Rating { capacity_ah: 60.0, ..Default::default() };
    plan.pack = Some(Pack { label: "GAL-07".into(), rating: Some(rating), ..Pack::default() });
    let accuracy = ampledger_types::source::Accuracy { range: Some(100.0), ..Default::default() };
    plan.instrument.accuracy.insert("current_ampere".to_owned(), accuracy);
    plan
}

#[test]
fn milliampere_taken_for_ampere_gives_no_figure_and_one_spike_costs_itself() {
    let shed = Shed::new();
    let plan = gal_07_on_a_100_a_meter(&shed);
    let text = format!("time_s,current_A,voltage_V\n{}", rows(|t| format!("{t},-12000,26")));
    let report = import(&shed.file("all.csv", text), &plan, &Progress::default()).unwrap().report;
    assert_eq!(odd(&report, AnomalyKind::CurrentImplausible).lines[..2], [2, 3]);
    assert_eq!(report.results.discharging_capacity_ah.value, None);
    assert!(report.results.discharging_capacity_ah.reasons[0].contains("mA"));
    // 20 C of 60 Ah are 1200 A: just that is believed, a little more is not.
    let spike = |ampere: f64| {
        let row = |t: u32| format!("{t},{},26", if t == 50 { ampere } else { -36.0 });
        let text = format!("time_s,current_A,voltage_V\n{}", rows(row));
        let file = shed.file("spike.csv", text);
        import(&file, &plan, &Progress::default()).unwrap().report
    };
    assert!(spike(-1200.0).anomalies.iter().all(|a| a.kind != AnomalyKind::CurrentImplausible));
    let report = spike(-1201.0);
    assert_eq!(odd(&report, AnomalyKind::CurrentImplausible).lines, [52]);
    let delivered = report.results.discharging_capacity_ah.value.unwrap();
    assert!((delivered - 1.0).abs() < 1e-12, "{delivered}");
}

#[test]
fn a_meter_at_the_end_of_its_range_is_told_and_keeps_the_figure_from_being_sure() {
    let shed = Shed::new();
    let plan = gal_07_on_a_100_a_meter(&shed);
    let text = format!("time_s,current_A,voltage_V\n{}", rows(|t| format!("{t},-100,26")));
    let report = import(&shed.file("run.csv", text), &plan, &Progress::default()).unwrap().report;
    assert_eq!(odd(&report, AnomalyKind::CurrentClipped).count, 101);
    let reasons = &report.results.discharging_capacity_ah.reasons;
    assert!(reasons.iter().any(|r| r.contains("end of the meter's range")), "{reasons:?}");
}

#[test]
fn a_report_head_above_the_table_is_no_fault_and_unused_columns_are_named() {
    let text = format!(
        "Test report of GAL-07\nDate: 2026-03-01\nOperator;Jan\n\n\
         time_s;current_A;voltage_V;Foo\n{}",
        rows(|t| format!("{t};-36;{};x", 26.0 + f64::from(t % 7) * 0.001))
    );
    let report = Shed::new().import(text, Hints::default()).unwrap().report;
    assert!(report.anomalies.is_empty(), "{:#?}", report.anomalies);
    assert!(
        report.markers.iter().any(|m| m.marker.text.contains("`Foo`")),
        "{:#?}",
        report.markers
    );
}

#[test]
fn what_is_not_understood_is_refused_with_line_and_advice_and_changes_nothing() {
    let shed = Shed::new();
    let cases: [(&[u8], &str); 7] = [
        (b"Date;current_A;voltage_V\n01.03.2026 10:00;-1;26\n", ":2: the time `01.03.2026 10:00`"),
        (b"", "it is empty"),
        (b"a,b\n1,2\n3,4\n", "--map"),
        (b"voltage_V,current_A\n26,-36\n26,-36\n", "no column holds the time"),
        (b"\x00\x01\x02\x03", "no text"),
        (b"time_s,current_V,voltage_V\nx\n", "--map"),
        (b"PAR1 but not really", "Parquet"),
    ];
    for (bytes, advice) in cases {
        let told = shed.refusal(bytes);
        assert!(told.contains("old-run.csv") && told.contains(advice), "{told}");
    }
    assert!(!shed.0.path().join("a.db").exists());
}

#[test]
fn units_that_contradict_each_other_are_refused() {
    let text =
        format!("Time [s],Current [A],Voltage [V]\ns,mA,V\n{}", rows(|t| format!("{t},-36000,26")));
    let told = Shed::new().refusal(text);
    assert!(told.contains(":2: the unit `mA` contradicts the heading `Current [A]`"), "{told}");
    let agreeing =
        format!("Time [s],Current [A],Voltage\ns,A,V\n{}", rows(|t| format!("{t},-36,26")));
    assert!((Shed::new().delivered(agreeing, Hints::default()) - 1.0).abs() < 1e-12);
    let text = format!("time_s,I [A],voltage_V\n{}", rows(|t| format!("{t},-36000,26")));
    let hints = Hints { map: vec!["I=current_ampere:mA".to_owned()], ..Hints::default() };
    let shed = Shed::new();
    let refused = shed.import(text, hints).err().expect("a contradiction").to_string();
    assert!(refused.contains(":1: ") && refused.contains("not the configured unit"), "{refused}");
    assert!(!shed.0.path().join("a.db").exists());
}

#[test]
fn bombs_long_cells_and_a_million_columns_are_refused_in_bounded_memory() {
    let shed = Shed::new();
    let mut bomb = flate2::write::GzEncoder::new(Vec::new(), flate2::Compression::fast());
    let zeros = vec![b'1'; 1 << 20];
    (0..64).for_each(|_| bomb.write_all(&zeros).unwrap());
    assert!(shed.refusal(bomb.finish().unwrap()).contains("longer than 1 MiB"));
    assert!(shed.refusal("1,".repeat(400_000)).contains("columns"));
    assert!(shed.refusal(vec![b'x'; 3 << 20]).contains("longer than 1 MiB"));
}

#[test]
fn a_file_that_breaks_off_keeps_what_was_read_and_says_so() {
    let text = format!(
        "time_s,current_A,voltage_V\n{}",
        (0..50_000).map(|t| format!("{t},-36,26\n")).collect::<String>()
    );
    let mut gzip = flate2::write::GzEncoder::new(Vec::new(), flate2::Compression::fast());
    gzip.write_all(text.as_bytes()).unwrap();
    let mut packed = gzip.finish().unwrap();
    packed.truncate(packed.len() / 2);
    let imported = Shed::new().import(packed, Hints::default()).unwrap();
    // A row that is cut off may look like a whole one.
    let unread = |anomaly: &&Anomaly| anomaly.kind == AnomalyKind::Unreadable;
    assert_eq!(imported.report.anomalies.iter().filter(unread).count(), 1);
    assert!(imported.report.results.discharging_capacity_ah.value.unwrap() > 50.0);
    assert!(odd(&imported.report, AnomalyKind::Unreadable).text.contains("could not be read on"));
}

/// What the session's rows say, read back from the store.
fn read_back(shed: &Shed, imported: &Imported) -> SessionReport {
    let reader = ampledger_store::Reader::open(&shed.0.path().join("a.db")).unwrap();
    let build = crate::client::BUILD.to_owned();
    let view = ampledger_report::View { build, ..Default::default() };
    ampledger_report::compute(&reader, imported.session, &view).unwrap()
}

#[test]
fn what_is_judged_as_it_comes_is_judged_the_same_as_it_is_read_back() {
    let long = |row: &dyn Fn(u32) -> String| (0..9_000).map(|t| row(t) + "\n").collect::<String>();
    let heading = "time_s,current_A,voltage_V\n";
    let files = [
        // More than two chunks, with a temperature, a rest and a gap.
        format!(
            "time_s,current_A,voltage_V,temperature_degC,power_W\n{}",
            long(&|t| match t {
                0..300 | 8_000.. => format!("{t},0.001,26.6,21.5,0"),
                4_000..4_100 => String::new(),
                t => format!("{t},-36.{},26.{:03},22.{},-940", t % 7, 9_000 - t, t % 10),
            })
        ),
        // Dates; rows out of order and rubbish across the edge of a chunk.
        format!(
            "date,current_A,voltage_V\n{}",
            long(&|t| match t {
                4_094 => "2026-03-01 19:59:00,-36,26".to_owned(),
                4_096 | 8_192 => "2026-02-01 10:00:00,-36,26".to_owned(),
                4_100 => "rubbish,-36".to_owned(),
                t => format!(
                    "2026-03-01 {:02}:{:02}:{:02},-36,26",
                    10 + t / 3600,
                    t / 60 % 60,
                    t % 60
                ),
            })
        ),
        // Another heading in mid-stream, and a value that is missing.
        format!(
            "{heading}{}time_s,voltage_V,current_A,temperature_degC\n{}",
            long(&|t| format!("{t},-36,{}", if t % 50 == 0 { "" } else { "26" })),
            long(&|t| format!("{},25.9,-36,21", t + 9_000))
        ),
        long(&|t| format!("{{\"time\": {t}, \"current_ampere\": -36, \"voltage\": 26}}")),
    ];
    for text in files {
        let shed = Shed::new();
        let imported = shed.import(&text, Hints::default()).unwrap();
        assert!(imported.report.results.discharging_capacity_ah.value.unwrap() > 30.0);
        assert_eq!(imported.report, read_back(&shed, &imported), "{}", &text[..60]);
    }
}

#[test]
fn what_the_store_knows_of_a_source_counts_for_what_is_imported_under_its_name() {
    let shed = Shed::new();
    let text = format!("time_s,current_A,voltage_V\n{}", rows(|t| format!("{t},-36,26")));
    for label in ["GAL-07", "GAL-12"] {
        let pack = Some(Pack { label: label.to_owned(), ..Pack::default() });
        let plan = Plan { pack, ..shed.plan(Hints::default()) };
        let file = shed.file("old-run.csv", &text);
        let imported = import(&file, &plan, &Progress::default()).unwrap();
        assert_eq!(imported.report, read_back(&shed, &imported));
    }
}

#[test]
fn a_last_row_without_its_end_and_lines_of_old_machines_are_named_by_their_line() {
    for (end, last) in [("\n", ""), ("\r\n", "\r\n"), ("\r", "")] {
        let text =
            format!("time_s,current_A,voltage_V\n{}5,OVL,26", rows(|t| format!("{t},-36,26")));
        let text = text.replace('\n', end) + last;
        let report = Shed::new().import(text, Hints::default()).unwrap().report;
        // The heading, 101 rows, and the one with the overload.
        assert_eq!(odd(&report, AnomalyKind::Unreadable).lines, [103], "{end:?}");
    }
}

#[test]
fn a_pipe_is_read_like_a_file() {
    let shed = Shed::new();
    let pipe = shed.0.path().join("pipe");
    let mode = rustix::fs::Mode::RUSR | rustix::fs::Mode::WUSR;
    rustix::fs::mknodat(rustix::fs::CWD, &pipe, rustix::fs::FileType::Fifo, mode, 0).unwrap();
    let text = format!("time_s,current_A,voltage_V\n{}", rows(|t| format!("{t},-36,26")));
    let writer = pipe.clone();
    let writing = std::thread::spawn(move || std::fs::write(writer, text).unwrap());
    let report = import(&pipe, &shed.plan(Hints::default()), &Progress::default()).unwrap().report;
    writing.join().unwrap();
    let delivered = report.results.discharging_capacity_ah.value.unwrap();
    assert!((delivered - 1.0).abs() < 1e-12, "{delivered}");
}

#[test]
fn mutated_files_never_panic() {
    // A fixed count with a seed that the message names.
    let whole = format!("time_s,current_A,voltage_V\n{}", rows(|t| format!("{t},-36,26")));
    let mut seed: u64 = 0x5eed;
    let mut random = move || {
        seed ^= seed << 13;
        seed ^= seed >> 7;
        seed ^= seed << 17;
        seed
    };
    let shed = Shed::new();
    for _ in 0..60 {
        let mut bytes = whole.clone().into_bytes();
        for _ in 0..random() % 30 {
            let at = random() as usize % bytes.len();
            bytes[at] = random() as u8;
        }
        bytes.truncate(random() as usize % bytes.len() + 1);
        let _ = shed.import(&bytes, Hints::default());
    }
}
