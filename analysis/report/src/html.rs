//! A session as one HTML page: the claim first, then pictures, then all that
//! stands behind it. The page needs nothing else: no script, no file, no net.
//! Its size is bounded however long the session is.

mod axis;
mod bar;
mod curves;
mod grounds;
mod markup;
mod outcome;
mod panel;
mod pictures;
mod record;
mod table;
mod thin;
mod ticks;

use ampledger_store::Reader;
use ampledger_types::Session;
use ampledger_types::result::SessionReport;
use jiff::tz::TimeZone;

use crate::compute::{ReportError, issued};
use crate::export::{Survey, plain_name};
use crate::feed::SessionFeed;
use crate::sentences;
use crate::subject::{Subject, View};
use curves::{Curves, Found, Streams};
use markup::Html;
use record::Behind;

/// Forbids everything that is not in the page itself, script too (Content
/// Security Policy Level 3, W3C). The daemon sends it as a header as well.
pub const CONTENT_POLICY: &str = "default-src 'none'; style-src 'unsafe-inline'; img-src data:; \
                                  base-uri 'none'; form-action 'none'";

/// The page about a session. Its words and figures are those of the report
/// that holds, the one that `show` gives; dates are in UTC.
pub fn page(reader: &Reader, session_id: i64, view: &View) -> Result<String, ReportError> {
    let subject = Subject::read(reader, session_id)?;
    let (mut survey, mut streams, mut samples) = (Survey::default(), Streams::default(), 0);
    let feed = SessionFeed::read_beside(reader, &subject, view, |stored, place| {
        survey.note(stored);
        streams.note(stored, &place.row);
        samples += 1;
    })?;
    let analysis = feed.analysis(&subject, view);
    let report = match issued(reader, &subject)? {
        Some(report) => report,
        None => feed.report_of(&subject, view, &analysis),
    };
    let ended_second = report.session.ended.map(|at| at.test_time_second);
    let found = Found { analysis: &analysis, streams: &streams, ended_second };
    let curves = Curves::read(reader, &subject, &feed, found)?;
    let behind = Behind {
        store_uuid: reader.uuid(),
        decode_sets: &survey.decode_sets,
        instruments: &subject.instruments,
        samples,
        build: &view.build,
    };
    Ok(written(&report, &curves, behind))
}

/// A name for a session's page: `GAL-07-3.html`; without a pack `session-3.html`.
pub fn file_name(session: &Session) -> String {
    match &session.pack {
        Some(label) => format!("{}-{}.html", plain_name(label), session.id),
        None => format!("session-{}.html", session.id),
    }
}

fn written(report: &SessionReport, curves: &Curves, behind: Behind<'_>) -> String {
    let mut page = Html::new();
    page.literal("<!doctype html>\n");
    page.tag("html", &[("lang", "en")], |html| {
        html.tag("head", &[], |inside| head(inside, report));
        html.literal("\n");
        html.tag("body", &[], |body| {
            body.literal(PATTERNS);
            body.tag("main", &[], |main| {
                claim(main, report);
                bar::bar(main, report);
                pictures::pictures(main, report, curves);
                grounds::grounds(main, report);
                outcome::outcome(main, report);
                grounds::beside(main, report);
                record::record(main, report, behind);
            });
        });
    });
    page.literal("\n");
    page.into_text()
}

fn head(out: &mut Html, report: &SessionReport) {
    out.void("meta", &[("charset", "utf-8")]);
    out.void("meta", &[("http-equiv", "Content-Security-Policy"), ("content", CONTENT_POLICY)]);
    out.void("meta", &[("name", "viewport"), ("content", "width=device-width, initial-scale=1")]);
    // Without one a browser would ask the server for an icon.
    out.void("link", &[("rel", "icon"), ("href", "data:,")]);
    out.said("title", &[], &format!("{} · Ampledger", heading(report)));
    out.literal("<style>");
    out.literal(include_str!("html/page.css"));
    out.literal("</style>");
}

/// Hatchings that the pictures share.
const PATTERNS: &str = concat!(
    "<svg class=\"patterns\" aria-hidden=\"true\"><defs>",
    "<pattern id=\"unproven\" width=\"8\" height=\"8\" patternUnits=\"userSpaceOnUse\" ",
    "patternTransform=\"rotate(45)\"><rect width=\"8\" height=\"8\" fill=\"#cfe3f0\"/>",
    "<rect width=\"4\" height=\"8\" fill=\"#0072b2\"/></pattern>",
    "<pattern id=\"silent\" width=\"6\" height=\"6\" patternUnits=\"userSpaceOnUse\" ",
    "patternTransform=\"rotate(-45)\"><rect width=\"6\" height=\"6\" fill=\"#fff\"/>",
    "<rect width=\"1\" height=\"6\" fill=\"#9a9a9a\"/></pattern></defs></svg>"
);

fn heading(report: &SessionReport) -> String {
    let session = &report.session.session;
    match &session.pack {
        Some(label) => format!("{label}, session {}", session.id),
        None => format!("Session {}", session.id),
    }
}

fn claim(out: &mut Html, report: &SessionReport) {
    let (first, rest) = first_sentence(&report.claim);
    let (class, word) = outcome::standing(sentences::claimed(report).status);
    out.said("p", &[("class", "top")], &heading(report));
    out.tag("div", &[("class", "claim")], |claim| {
        claim.said("h1", &[], first);
        claim.said("p", &[("class", class)], word);
        claim.said("p", &[("class", "rest-of-claim")], rest);
    });
    let stopped = sentences::stopped(report, &TimeZone::UTC);
    out.said("p", &[("class", "note")], &stopped);
}

/// A claim's first sentence, to be set large, and the rest. A full stop inside
/// a figure has no blank behind it.
fn first_sentence(claim: &str) -> (&str, &str) {
    match claim.split_once(". ") {
        Some((first, rest)) => (&claim[..=first.len()], rest),
        None => (claim, ""),
    }
}
