//! The page about a session: what it says, what it cannot be made to say, and
//! that it needs nothing else.

use ampledger_report::html::{CONTENT_POLICY, file_name, page};
use ampledger_types::{Instrument, Marker, MarkerKind, Pack, Quantity};

use crate::bench::{
    Bench, SECOND, described_shunt, discharge_to_cutoff, gal_07, gone_dark, group, proving_charge,
    whole_test,
};

fn page_of(bench: &mut Bench, session: i64) -> String {
    let view = bench.view();
    page(&bench.reader(), session, &view).unwrap()
}

/// What a person reads of it: no markup, no style, blanks as blanks.
fn words(page: &str) -> String {
    let body = page.split_once("<body>").unwrap().1;
    let parts = body.split('<').map(|part| part.split_once('>').map_or(part, |(_, text)| text));
    let text = parts.collect::<Vec<&str>>().join(" ");
    let text = text.replace("&#39;", "'").replace("&quot;", "\"").replace("&lt;", "<");
    let text = text.replace("&gt;", ">").replace("&amp;", "&").replace('\u{a0}', " ");
    text.split_whitespace().collect::<Vec<&str>>().join(" ")
}

#[test]
fn the_page_says_the_claim_and_every_figure_of_the_report() {
    let mut bench = Bench::new();
    let session = whole_test(&mut bench);
    let report = bench.report(session);
    let said = words(&page_of(&mut bench, session));
    let (first, rest) = report.claim.split_once(". ").unwrap();
    assert!(said.contains(&format!("{first}.")) && said.contains(rest), "{said}");
    assert!(said.contains("PROVISIONAL"), "{said}");
    for phrase in ["57.4 Ah delivered", "60 Ah rated", "cut-off 20.0 V", "cut-off voltage"] {
        assert!(said.contains(phrase), "{phrase} in {said}");
    }
    for reason in &report.results.main_discharge_ah.reasons {
        assert!(said.contains(reason.as_str()), "{reason} in {said}");
    }
    for kind in ["rest", "discharge", "charge"] {
        assert!(said.contains(kind), "{kind}");
    }
    assert!(said.contains(&ampledger_report::cautions::paragraph()));
}

#[test]
fn the_page_shows_evidence_budget_and_verdict() {
    let mut bench = Bench::new();
    let limit = Some(ampledger_types::result::Limit::Used);
    bench.store.put_pack(&Pack { limit, ..gal_07() }).unwrap();
    bench.describe("bench-shunt", described_shunt());
    let session = bench.start();
    proving_charge(&mut bench);
    discharge_to_cutoff(&mut bench);
    bench.stop(session);
    let report = bench.report(session);
    let said = words(&page_of(&mut bench, session));
    let figure = &report.results.capacity_to_cutoff_ah;
    for finding in &figure.evidence {
        assert!(said.contains(&finding.says), "{} in {said}", finding.says);
    }
    for term in &figure.budget.as_ref().unwrap().terms {
        assert!(said.contains(&term.name) && said.contains(&term.says), "{}", term.name);
    }
    let verdict = ampledger_report::sentences::verdict(report.verdict.as_ref().unwrap());
    assert!(verdict.starts_with("Not decided:") && said.contains(&verdict), "{verdict}");
}

#[test]
fn what_others_wrote_stays_text() {
    let mut bench = Bench::new();
    let hostile = "</style><script src=\"http://evil.example/x.js\">alert('GAL')</script>";
    bench.store.put_pack(&Pack { maker: Some(hostile.to_owned()), ..gal_07() }).unwrap();
    let described = Instrument { model: Some(hostile.to_owned()), ..Instrument::default() };
    bench.describe("bench-shunt", described);
    let session = bench.start();
    bench.for_seconds(60, |_| (26.4, -12.0));
    let note = Marker {
        session: Some(session),
        ..Marker::new(bench.now(), MarkerKind::Note, hostile.to_owned())
    };
    let batch = ampledger_store::Batch { markers: vec![note], ..Default::default() };
    bench.store.append(&batch).unwrap();
    let page = page_of(&mut bench, session);
    assert!(!page.contains("<script"), "{page}");
    assert_eq!(page.matches("&lt;script src=&quot;http://evil.example/x.js&quot;&gt;").count(), 3);
    assert_eq!(page.matches("</style>").count(), 1);
}

#[test]
fn the_page_needs_nothing_else() {
    let mut bench = Bench::new();
    let session = whole_test(&mut bench);
    let page = page_of(&mut bench, session);
    // What could load something (HTML standard, 4.2.4, 4.8, 4.12; CSS Values 4.5).
    for loads in [" src=", "<script", "@import", "<iframe", "<object", "url(http", "url(/"] {
        assert!(!page.contains(loads), "{loads}");
    }
    assert_eq!(page.matches(" href=").count(), page.matches(" href=\"data:,\"").count());
    assert!(CONTENT_POLICY.starts_with("default-src 'none'"));
    assert!(page.contains("default-src &#39;none&#39;"));
}

#[test]
fn a_silence_is_hatched_and_no_line_goes_through_it() {
    let mut bench = Bench::new();
    let session = bench.start();
    bench.for_seconds(600, |_| (26.0, -12.0));
    bench.t_us += 300 * SECOND;
    bench.for_seconds(600, |_| (25.0, -12.0));
    bench.stop(session);
    let page = page_of(&mut bench, session);
    let paths: Vec<&str> = page.split("<path ").skip(1).collect();
    assert_eq!(paths.len(), 3, "voltage over charge, voltage and current over time");
    for path in paths {
        let path = path.split_once(" d=\"").unwrap().1.split('"').next().unwrap();
        assert_eq!(path.matches('M').count(), 2, "{path}");
    }
    assert_eq!(page.matches("class=\"silence\"").count(), 3);
    assert!(words(&page).contains("Hatched: no readings."));
}

#[test]
fn the_silence_of_a_sensor_that_went_dark_reaches_to_the_present() {
    let mut bench = Bench::new();
    let session = gone_dark(&mut bench);
    bench.stop(session);
    let page = page_of(&mut bench, session);
    assert_eq!(page.matches("class=\"silence\"").count(), 2);
}

#[test]
fn no_uncertainty_is_drawn_that_is_not_stated() {
    let mut bench = Bench::new();
    let session = whole_test(&mut bench);
    bench.mark("issued with an uncertainty");
    assert!(!page_of(&mut bench, session).contains("class=\"whisker\""));
    let mut report = bench.report(session);
    report.results.capacity_to_cutoff_ah.expanded_uncertainty = Some(0.4);
    bench.store.save_report(session, 1, &report, &[]).unwrap();
    let page = page_of(&mut bench, session);
    assert_eq!(page.matches("class=\"whisker\"").count(), 3);
    assert!(words(&page).contains("57.4 ± 0.4 Ah delivered"));
}

#[test]
fn two_meters_are_told_apart_by_dash_and_by_name() {
    let mut bench = Bench::new();
    let session = bench.start_on(&["bench-shunt", "load"]);
    let other = group(&[Quantity::Voltage, Quantity::Current]);
    for second in 0..600 {
        let ampere = if second < 100 { 0.0 } else { -12.0 };
        bench.reads(26.0, ampere);
        bench.says("load", other.clone(), vec![25.8, ampere * 0.98]);
        bench.t_us += SECOND;
    }
    bench.stop(session);
    let page = page_of(&mut bench, session);
    assert_eq!(page.matches("class=\"v s1\"").count(), 1);
    assert_eq!(page.matches("class=\"i s1\" d=").count(), 1);
    assert!(words(&page).contains("bench-shunt load"), "the legend names both");
}

#[test]
fn a_long_session_gives_no_larger_page() {
    let size = |seconds| {
        let mut bench = Bench::new();
        let session = bench.start();
        let noise = |s: f64| (s * 12.9898).sin() * 0.05;
        bench.for_seconds(seconds, |s| (26.0 - s / 1e5 + noise(s), -12.0 + noise(s + 0.5)));
        bench.stop(session);
        page_of(&mut bench, session).len()
    };
    let (short, long) = (size(6_000), size(60_000));
    assert!(long < short + short / 4, "{short} and {long} bytes");
    assert!(long < 200_000, "{long} bytes");
}

#[test]
fn a_session_in_which_nothing_was_recorded_has_a_page_that_says_so() {
    let mut bench = Bench::new();
    let session = bench.start();
    bench.stop(session);
    let page = page_of(&mut bench, session);
    let said = words(&page);
    assert!(said.contains("UNDETERMINED") && said.contains("nothing was recorded"), "{said}");
    assert!(said.contains("There is no reading of voltage or current to draw."), "{said}");
    assert!(!page.contains("<path"));
}

#[test]
fn a_page_is_named_after_pack_and_session() {
    let mut bench = Bench::new();
    let id = bench.start();
    let mut session = bench.reader().session(id).unwrap().unwrap();
    assert_eq!(file_name(&session), "GAL-07-1.html");
    session.pack = Some("../etc/pass wd".to_owned());
    assert_eq!(file_name(&session), "etc-pass-wd-1.html");
    session.pack = None;
    assert_eq!(file_name(&session), "session-1.html");
}
