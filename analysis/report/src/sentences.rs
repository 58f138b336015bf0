//! Every sentence that page, watch, command line, alarms and reports share.
//! They are made here and nowhere else, so all say the same, word for word.
//! Nothing is computed here but what a sentence needs to be said.

mod calibration;
mod claim;
mod ends;
mod further;
mod limit;
mod pack;
mod phase;
mod proof;
mod reasons;
mod rule;
mod session;
mod source;
mod state;
mod verdict;

pub use calibration::{calibration, measured, zeroed};
pub use claim::{came_out, claim, claimed, claimed_energy};
pub use ends::{discharge_ended, ending};
pub use further::{further, peukert, stand};
pub use limit::{LimitSaid, limit_over, limit_passed, limit_tested};
pub use pack::{cells, rating};
pub use phase::{gap, phase, phase_kind};
use proof::proof;
pub use proof::{finding_standing, warmth};
pub use reasons::*;
pub use rule::{decided, opened_by};
pub use session::{earlier, started, stopped};
pub use source::source_state;
pub use state::state;
pub use verdict::verdict;

use ampledger_types::result::{Figure, SessionReport, Status};

/// What a sentence about a session is about: the pack by its label, or the
/// session by its number while the pack has no name.
fn subject(report: &SessionReport) -> String {
    match (&report.pack, &report.session.session.pack) {
        (Some(pack), _) => pack.label.clone(),
        (None, Some(label)) => label.clone(),
        // A stretch that is no session yet.
        (None, None) if report.session.session.id == 0 => "The pack".to_owned(),
        (None, None) => format!("The pack of session {}", report.session.session.id),
    }
}

/// How well a figure is known, with all reasons: `Provisional: a; b.`; of a
/// proven one with what proves it.
fn standing(figure: &Figure) -> String {
    let word = match figure.status {
        Status::Proven => "Proven",
        Status::Provisional => "Provisional",
        Status::Undetermined => "Undetermined",
    };
    let words = match figure.status {
        Status::Proven => proof(figure),
        _ => figure.reasons.clone(),
    };
    match words.is_empty() {
        true => format!("{word}."),
        false => format!("{word}: {}.", words.join("; ")),
    }
}

/// The same with the first reason and the number of the others, for where
/// there is room for one line.
fn standing_in_short(figure: &Figure) -> String {
    if figure.status == Status::Proven {
        return "Proven.".to_owned();
    }
    let mut short = figure.clone();
    let others = short.reasons.len().saturating_sub(1);
    short.reasons.truncate(1);
    match others {
        0 => {}
        1 => short.reasons[0].push_str(", and 1 more reason"),
        n => short.reasons[0].push_str(&format!(", and {n} more reasons")),
    }
    standing(&short)
}

#[cfg(test)]
pub(crate) mod samples;
