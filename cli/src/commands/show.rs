//! `ampledger show`: what came out of a session.

use ampledger_report::select::LAST;
use ampledger_types::result::SessionReport;
use clap::Args;

use crate::context::Context;
use crate::exit::{Exit, Failure};
use crate::origin::{Origin, StoreOption};
use crate::{render, screen};

/// Show what came out of a session
///
/// The claim first: what was delivered and how well that is known. Then the
/// phases (rest, discharge, charge), the figures with what keeps each from
/// being proven, what is odd in the data, and what happened.
///
/// A figure is proven if the record holds the evidence, provisional if
/// something is missing, undetermined if it cannot be given. Charge and energy
/// of a phase are negative where the pack gave them.
///
/// --evidence shows what the record holds for the claim and against it, rule by
/// rule; --budget what its uncertainty is made of, term by term. With --json all
/// of it is always there.
#[derive(Args, Debug)]
pub struct Show {
    /// Number, pack's label, or `last`
    #[arg(default_value = LAST)]
    pub session: String,
    /// What the record holds for the claim and against it, rule by rule
    #[arg(long)]
    pub evidence: bool,
    /// What the uncertainty of the claim is made of, term by term
    #[arg(long)]
    pub budget: bool,
    /// Where to read.
    #[command(flatten)]
    pub store: StoreOption,
}

impl Show {
    /// Runs the command.
    pub fn run(self, context: &Context) -> Result<Exit, Failure> {
        let report = Origin::open(&self.store, context)?.report(&self.session)?;
        match context.json {
            true => screen::json(&report)?,
            false => screen::say(&self.told(&report, context))?,
        }
        Ok(Exit::Good)
    }

    fn told(&self, report: &SessionReport, context: &Context) -> String {
        if !self.evidence && !self.budget {
            return render::report::report(report, &context.zone);
        }
        let mut parts = vec![render::style::strong(&report.claim)];
        parts.extend(self.evidence.then(|| render::grounds::evidence(report, &context.zone)));
        parts.extend(self.budget.then(|| render::grounds::budget(report)));
        parts.join("\n\n")
    }
}
