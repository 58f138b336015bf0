//! The first look at a session before a table of it: which columns there will
//! be, and what came out. What was issued about an ended session holds, so the
//! samples are judged only where nothing was.

use std::ops::ControlFlow;

use ampledger_methods::Cumulative;
use ampledger_store::Reader;
use ampledger_types::Seq;
use ampledger_types::result::{Moment, Phase, PhaseKind, SessionReport};

use super::survey::Survey;
use crate::compute::{ReportError, issued};
use crate::feed::SessionFeed;
use crate::placing::Placing;
use crate::setting::setting;
use crate::subject::{Subject, View};
use crate::timeline::Timeline;

/// What the first look saw.
pub(super) struct Look {
    pub survey: Survey,
    pub timeline: Timeline,
    /// Ready for the session's first row.
    pub totals: Cumulative,
    pub report: SessionReport,
    /// The last sample there was.
    pub up_to: Seq,
}

impl Look {
    pub(super) fn at(reader: &Reader, subject: &Subject, view: &View) -> Result<Look, ReportError> {
        let holds = |report: &SessionReport| view.up_to.is_none_or(|n| n >= report.computed_up_to);
        match issued(reader, subject)?.filter(holds) {
            Some(report) => Look::beside(reader, subject, view, report),
            None => Look::judging(reader, subject, view),
        }
    }

    fn beside(
        reader: &Reader,
        subject: &Subject,
        view: &View,
        report: SessionReport,
    ) -> Result<Look, ReportError> {
        let (mut survey, mut placing) = (Survey::default(), Placing::new(subject));
        match placing.outline(reader, subject, view.up_to)? {
            Some(outlines) => survey.note_outlines(&outlines),
            None => placing.read(reader, subject, view.up_to, |stored, _| {
                survey.note(stored);
                ControlFlow::Continue(())
            })?,
        }
        Ok(Look {
            survey,
            timeline: Timeline::new(subject.session.start, &subject.clocks, placing.placed()),
            totals: Cumulative::of_stretches(active(&report.phases), &setting(subject)),
            report,
            up_to: placing.reached(),
        })
    }

    fn judging(reader: &Reader, subject: &Subject, view: &View) -> Result<Look, ReportError> {
        let mut survey = Survey::default();
        let feed =
            SessionFeed::read_beside(reader, subject, view, |stored, _| survey.note(stored))?;
        let analysis = feed.analysis(subject, view);
        Ok(Look {
            survey,
            timeline: feed.timeline(subject),
            totals: Cumulative::new(&analysis, feed.setting()),
            report: feed.report_of(subject, view, &analysis),
            up_to: feed.fed_up_to(),
        })
    }
}

/// The stretches under current of a report: its phases without the rests inside
/// them, µs of test time.
fn active(phases: &[Phase]) -> Vec<(i64, i64)> {
    let us = |moment: &Moment| (moment.test_time_second * 1e6).round() as i64;
    let mut active = Vec::new();
    for phase in phases.iter().filter(|phase| phase.kind != PhaseKind::Rest) {
        let mut start_us = us(&phase.start);
        for rest in &phase.interruptions {
            active.push((start_us, us(&rest.start)));
            start_us = us(&rest.end);
        }
        active.push((start_us, us(&phase.end)));
    }
    active
}
