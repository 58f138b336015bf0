//! `ampledger start`: begins a session, now or in the past.

use ampledger_report::cautions;
use ampledger_types::Pack;
use ampledger_types::api::{StartRequest, StartResponse, StatusResponse, Suggestion};
use clap::Args;

use super::sessions::SINCE;
use crate::client::segment;
use crate::context::Context;
use crate::exit::{Exit, Failure};
use crate::origin::Origin;
use crate::pack_fields::{CutoffRuleName, PackFields, positive};
use crate::render::{packs, status, style};
use crate::screen;

/// Begin a session, now or at a time in the past
///
/// The record exists without sessions: a session marks a stretch of it and
/// says which pack it is about. So it can begin in the past, as in
/// `--at "20 min ago"`.
///
/// A pack that is not known yet is made known with what you say about it; what
/// you say about a known pack replaces what was known. A pack marked unsafe
/// starts no session without --override-unsafe.
///
/// Shortly after the load or charger goes on, look again with `ampledger
/// status`: it says if voltage, current and pack fit together.
#[derive(Args, Debug, Default)]
#[command(after_long_help = super::cautions())]
pub struct Start {
    /// Label of the pack, as in GAL-07
    #[arg(long, value_name = "LABEL")]
    pub pack: Option<String>,
    /// Source to record the session from; may be given again [default: all]
    #[arg(long = "source", value_name = "NAME")]
    pub sources: Vec<String>,
    /// When it began: "20 min ago", 09:12, or RFC 3339 [default: now]
    #[arg(long, value_name = "TIME")]
    pub at: Option<String>,
    /// Make a session of the stretch that `ampledger sessions --suggest` lists
    /// under this number
    #[arg(long, value_name = "NUMBER", conflicts_with_all = ["at", "sources"])]
    pub adopt: Option<u64>,
    /// How far back that list went [default: 7 days ago]
    #[arg(long, value_name = "TIME", requires = "adopt")]
    pub since: Option<String>,
    /// End voltage of the discharge, V; for this session, and the pack's own
    /// where it has none yet
    #[arg(long, value_name = "V", value_parser = positive)]
    pub cutoff_voltage: Option<f64>,
    /// Which moment counts as reaching it
    #[arg(long, value_enum, default_value_t)]
    pub cutoff_rule: CutoffRuleName,
    /// A word or key=value to hang on the session; may be given again
    #[arg(long = "tag", value_name = "TAG")]
    pub tags: Vec<String>,
    /// Start although the pack is marked unsafe
    #[arg(long)]
    pub override_unsafe: bool,
    /// What is known about the pack.
    #[command(flatten)]
    pub fields: PackFields,
}

impl Start {
    /// Runs the command.
    pub fn run(self, context: &Context) -> Result<Exit, Failure> {
        let started = self.begin(context)?;
        match context.json {
            true => screen::json(&started)?,
            false => screen::say(&told(context, &started)?)?,
        }
        Ok(Exit::Good)
    }

    /// Makes the pack known and the session begin.
    pub fn begin(self, context: &Context) -> Result<StartResponse, Failure> {
        let adopted = self.adopted(context)?;
        self.make_pack_known(context)?;
        let request = StartRequest {
            pack: self.pack,
            sources: adopted.as_ref().map_or(self.sources, |found| vec![found.source.clone()]),
            at: self.at,
            stretch: adopted.map(|found| found.stretch),
            cutoff_voltage_volt: self.cutoff_voltage,
            cutoff_rule: self.cutoff_rule.into(),
            tags: self.tags,
            override_unsafe: self.override_unsafe,
        };
        Ok(context.client.post("/v1/sessions", &request)?)
    }

    /// The suggestion that is meant.
    fn adopted(&self, context: &Context) -> Result<Option<Suggestion>, Failure> {
        let Some(number) = self.adopt else { return Ok(None) };
        let since = self.since.as_deref().unwrap_or(SINCE);
        let found = Origin::Daemon(&context.client).suggestions(since, &context.zone)?;
        let refused = |code, message| Err(Failure::Refused { code, message });
        match found.into_iter().find(|suggestion| suggestion.number == number) {
            Some(Suggestion { session: Some(id), .. }) => {
                let message = format!(
                    "a rule made session {id} of it already; name its pack: ampledger tag {id} \
                     --pack LABEL"
                );
                refused("is_a_session", message)
            }
            Some(suggestion) => Ok(Some(suggestion)),
            None => {
                let message = format!(
                    "no suggestion since {since} has the number {number}; `ampledger sessions \
                     --suggest` lists them, --since looks further back"
                );
                refused("no_such_suggestion", message)
            }
        }
    }

    fn make_pack_known(&self, context: &Context) -> Result<(), Failure> {
        let Some(label) = &self.pack else {
            return match self.fields.is_empty() {
                true => Ok(()),
                false => Err(Failure::Usage(
                    "say which pack this is about: give --pack LABEL too".to_owned(),
                )),
            };
        };
        let packs: Vec<Pack> = context.client.get("/v1/packs")?;
        let known = packs.into_iter().find(|pack| pack.label == *label);
        let before = known.clone().unwrap_or(Pack { label: label.clone(), ..Pack::default() });
        let mut after = self.fields.apply(before).map_err(Failure::Usage)?;
        after.cutoff_voltage_volt = after.cutoff_voltage_volt.or(self.cutoff_voltage);
        if known.as_ref() != Some(&after) {
            let path = format!("/v1/packs/{}", segment(label));
            context.client.put::<Pack>(&path, &after)?;
        }
        Ok(())
    }
}

fn told(context: &Context, started: &StartResponse) -> Result<String, Failure> {
    let now: StatusResponse = context.client.get("/v1/status")?;
    let session = &started.session;
    let state = if session.is_open() { "is open" } else { "is marked" };
    let mut lines = vec![style::strong(&format!("Session {} {state}.", session.id))];
    let open = now.open_sessions.iter().find(|open| open.session.id == session.id);
    lines.extend(open.map(|open| open.sentence.clone()));
    if let Some(label) = &session.pack {
        let known: Vec<Pack> = context.client.get("/v1/packs")?;
        lines.extend(known.iter().find(|pack| pack.label == *label).map(packs::one));
    }
    if !started.checks.is_empty() {
        lines.push(status::checks(&started.checks));
    }
    lines.push(style::faint(&cautions::paragraph()));
    Ok(lines.join("\n"))
}
