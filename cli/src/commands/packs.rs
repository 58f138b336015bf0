//! `ampledger packs`: the packs that are known, and making one known.

use ampledger_report::pack_view::pack_view;
use ampledger_types::{Pack, Session};
use clap::{Args, Subcommand};

use crate::client::segment;
use crate::context::Context;
use crate::exit::{Exit, Failure};
use crate::origin::{Origin, StoreOption};
use crate::pack_fields::{PackFields, positive, replace};
use crate::{render, screen};

/// List the packs, or make one known
///
/// A rating is worth what its basis is worth: say with --rated-hours or
/// --rated-current at which rate it holds, and down to which voltage.
#[derive(Args, Debug)]
pub struct Packs {
    /// What to do; without it, the packs are listed.
    #[command(subcommand)]
    pub act: Option<Act>,
    /// Where to read.
    #[command(flatten)]
    pub store: StoreOption,
}

/// What can be done with packs.
#[derive(Debug, Subcommand)]
pub enum Act {
    /// Make a pack known, or change what is known about it
    Set(Box<Set>),
    /// Show what its sessions say together: capacities, how much less it gives
    /// at a higher rate, what standing costs
    Show(Show),
}

/// Fields to set.
#[derive(Args, Debug)]
pub struct Set {
    /// Label of the pack, as in GAL-07
    pub label: String,
    /// The voltage at which its discharge ends, V
    #[arg(long, value_name = "V", value_parser = positive)]
    pub cutoff_voltage: Option<f64>,
    /// Mark it as unsafe to test
    #[arg(long, conflicts_with = "safe")]
    pub r#unsafe: bool,
    /// Take that mark off again
    #[arg(long)]
    pub safe: bool,
    /// What else is known about it.
    #[command(flatten)]
    pub fields: PackFields,
}

/// Which pack.
#[derive(Args, Debug)]
pub struct Show {
    /// Label of the pack, as in GAL-07
    pub label: String,
    /// Where to read.
    #[command(flatten)]
    pub store: StoreOption,
}

impl Packs {
    /// Runs the command.
    pub fn run(self, context: &Context) -> Result<Exit, Failure> {
        match (self.act, &self.store.store) {
            (Some(Act::Set(_)), Some(_)) => Err(Failure::Usage(
                "a store file is only read; leave --store away to let the daemon set it".to_owned(),
            )),
            (Some(Act::Set(set)), None) => set.run(context),
            (Some(Act::Show(show)), _) => show.run(self.store, context),
            (None, _) => list(&self.store, context),
        }
    }
}

fn list(store: &StoreOption, context: &Context) -> Result<Exit, Failure> {
    let packs = Origin::open(store, context)?.packs()?;
    match context.json {
        true => screen::json(&packs)?,
        false => screen::say(&render::packs::packs(&packs))?,
    }
    Ok(Exit::Good)
}

impl Show {
    fn run(self, before: StoreOption, context: &Context) -> Result<Exit, Failure> {
        let store = StoreOption { store: self.store.store.clone().or(before.store) };
        let origin = Origin::open(&store, context)?;
        let known = origin.packs()?.into_iter().find(|pack| pack.label == self.label);
        if known.is_none() {
            return Err(Failure::Refused {
                code: "no_such_pack",
                message: format!("no pack `{}` is known; `ampledger packs` lists them", self.label),
            });
        }
        let is_its = |session: &Session| session.pack.as_deref() == Some(self.label.as_str());
        let mut reports = Vec::new();
        for line in origin.sessions()?.iter().filter(|line| is_its(&line.session)) {
            if !line.session.is_open() {
                reports.push(origin.report(&line.session.id.to_string())?);
            }
        }
        let view = pack_view(&self.label, &reports);
        match context.json {
            true => screen::json(&view)?,
            false => screen::say(&render::packs::view(&view, &context.zone))?,
        }
        Ok(Exit::Good)
    }
}

impl Set {
    fn run(self, context: &Context) -> Result<Exit, Failure> {
        let packs: Vec<Pack> = context.client.get("/v1/packs")?;
        let known = packs.into_iter().find(|pack| pack.label == self.label);
        let before = known.unwrap_or(Pack { label: self.label.clone(), ..Pack::default() });
        let mut after = self.fields.apply(before).map_err(Failure::Usage)?;
        replace(&mut after.cutoff_voltage_volt, self.cutoff_voltage);
        after.is_unsafe = (after.is_unsafe || self.r#unsafe) && !self.safe;
        let path = format!("/v1/packs/{}", segment(&self.label));
        let kept: Pack = context.client.put(&path, &after)?;
        match context.json {
            true => screen::json(&kept)?,
            false => screen::say(&render::packs::one(&kept))?,
        }
        Ok(Exit::Good)
    }
}
