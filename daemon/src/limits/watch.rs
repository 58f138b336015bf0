//! One configured limit with what it has seen: which value of what arrives is
//! its own, and what becomes of it. Over sessions it counts for each alone.

use std::collections::BTreeMap;

use ampledger_methods::{LimitChange, LimitWatch, Rise, Side};
use ampledger_report::Snapshot;
use ampledger_report::sentences::LimitSaid;
use ampledger_types::alarm::{LimitKind, LimitStanding};
use ampledger_types::result::{EndReason, PhaseKind};
use ampledger_types::{Channel, Quantity, Sample};

use crate::config::LimitConfig;

/// A rise of temperature is taken over this.
const RISE_SECOND: f64 = 60.0;
/// A load that was taken off may come back for so long.
const LOAD_BACK_SECOND: f64 = 600.0;

/// A limit.
pub struct Watch {
    /// Its name.
    pub name: String,
    /// As configured.
    pub config: LimitConfig,
    /// The key that holds its value.
    key: &'static str,
    fresh: LimitWatch,
    /// By session; 0 where it is about none.
    watches: BTreeMap<i64, LimitWatch>,
    rise: Rise,
    /// The latest value.
    pub value: Option<f64>,
    /// Whether it may switch an instrument off.
    pub is_armed: bool,
    /// What it last said.
    pub said: Option<String>,
}

impl Watch {
    /// Nothing seen yet, and not armed.
    pub fn new(name: &str, config: LimitConfig) -> Watch {
        let (key, rule) = config.rule();
        Watch {
            name: name.to_owned(),
            key,
            fresh: LimitWatch::new(rule),
            watches: BTreeMap::new(),
            rise: Rise::over(RISE_SECOND),
            value: None,
            is_armed: false,
            said: None,
            config,
        }
    }

    /// Takes a value of its own, for the session it is about.
    pub fn look(&mut self, session: i64, t_us: i64, value: f64) -> Option<LimitChange> {
        self.value = Some(value);
        let fresh = &self.fresh;
        self.watches.entry(session).or_insert_with(|| fresh.clone()).push(t_us, value)
    }

    /// Takes a sample, if it is of its source and has its quantity.
    pub fn sample(&mut self, source: &str, sample: &Sample) -> Option<LimitChange> {
        let is_its_own = self.config.source.as_deref() == Some(source);
        let value = is_its_own.then(|| self.reading(sample)).flatten()?;
        self.look(0, sample.t_us, value)
    }

    fn reading(&mut self, sample: &Sample) -> Option<f64> {
        let kind = self.config.kind;
        let named = self.config.channel.clone();
        let absent_volt = self.config.absent_volt;
        let is_absent = |volt: f64| absent_volt.is_some_and(|absent| volt <= absent);
        let is_of = |channel: &Channel| match &named {
            Some(name) => {
                let whole = format!("{}.{}", channel.instrument, channel.name);
                *name == channel.name || *name == whole
            }
            None => is_of_kind(kind, channel.quantity),
        };
        let all = sample.group.channels.iter().zip(&sample.values);
        let mut values = all.filter(|(c, v)| is_of(c) && !v.is_nan()).map(|(_, v)| *v);
        match kind {
            LimitKind::OverTemperature => values.reduce(f64::max),
            LimitKind::UnderTemperature => values.reduce(f64::min),
            LimitKind::TemperatureRise => self.rise.push(sample.t_us, values.next()?),
            LimitKind::OverCurrent => values.next().map(f64::abs),
            LimitKind::UnderVoltage => values.next().filter(|volt| !is_absent(*volt)),
            _ => values.next(),
        }
    }

    /// Its value of an open session, if it is about that one.
    pub fn of_session(&self, snapshot: &Snapshot) -> Option<f64> {
        let session = &snapshot.report.session.session;
        let is_its_own = |source: &String| session.sources.contains(source);
        if !self.config.source.as_ref().is_none_or(is_its_own) {
            return None;
        }
        let results = &snapshot.report.results;
        let volt_while =
            |kind| snapshot.now.last_voltage_volt.filter(|_| snapshot.now.kind == Some(kind));
        match self.key {
            "" => Some(f64::from(u8::from(is_discharged(snapshot)))),
            "discharged_ah" => results.main_discharge_ah.value,
            "discharged_wh" => results.main_discharge_wh.value,
            "charged_ah" => results.charging_capacity_ah.value,
            "charged_wh" => results.charging_energy_wh.value,
            "falls_to_volt" => volt_while(PhaseKind::Discharge),
            "rises_to_volt" => volt_while(PhaseKind::Charge),
            _ => snapshot.now.last_row_us.map(|us| us as f64 / 1e6),
        }
    }

    /// Forgets the sessions that are not open any more.
    pub fn keep_sessions(&mut self, open: &[i64]) {
        self.watches.retain(|session, _| *session == 0 || open.contains(session));
    }

    /// A person has seen it. Says whether it was passed.
    pub fn acknowledge(&mut self) -> bool {
        self.watches.values_mut().map(LimitWatch::acknowledge).fold(false, |a, b| a | b)
    }

    /// How it stands.
    pub fn standing(&self) -> LimitStanding {
        let any = |is: fn(&LimitWatch) -> bool| self.watches.values().any(is);
        match () {
            () if any(|watch| watch.passed_us().is_some()) => LimitStanding::Passed,
            () if any(|watch| watch.beyond_us().is_some()) => LimitStanding::Beyond,
            () if self.watches.is_empty() => LimitStanding::Waiting,
            () => LimitStanding::Within,
        }
    }

    /// The limit itself, where it has a value.
    pub fn bound(&self) -> Option<f64> {
        (!self.key.is_empty()).then_some(self.fresh.rule().bound)
    }

    /// The unit of its value.
    pub fn unit(&self) -> &'static str {
        match self.key {
            "volt" | "falls_to_volt" | "rises_to_volt" => "V",
            "ampere" => "A",
            "celsius" => "°C",
            "kelvin_per_minute" => "K/min",
            "silent_second" | "lasted_second" => "s",
            "free_mebibyte" => "MiB",
            "discharged_ah" | "charged_ah" => "Ah",
            "discharged_wh" | "charged_wh" => "Wh",
            _ => "",
        }
    }

    /// What it has to tell.
    pub fn to_say<'a>(&'a self, session: Option<&'a str>) -> LimitSaid<'a> {
        let rule = self.fresh.rule();
        LimitSaid {
            name: &self.name,
            kind: self.config.kind,
            source: self.config.source.as_deref(),
            value: self.value,
            bound: rule.bound,
            is_above: rule.side == Side::Above,
            hold_second: rule.hold_second,
            unit: self.unit(),
            session,
            is_out_of_sight: false,
        }
    }
}

fn is_of_kind(kind: LimitKind, quantity: Quantity) -> bool {
    match kind {
        LimitKind::OverVoltage | LimitKind::UnderVoltage => quantity == Quantity::Voltage,
        LimitKind::OverCurrent => quantity == Quantity::Current,
        LimitKind::OverTemperature | LimitKind::UnderTemperature | LimitKind::TemperatureRise => {
            matches!(quantity, Quantity::SurfaceTemperature | Quantity::Temperature(_))
        }
        _ => false,
    }
}

/// Whether the connection to the meter was lost under the last load.
pub fn is_lost(snapshot: &Snapshot) -> bool {
    let mut phases = snapshot.report.phases.iter();
    let last = phases.rfind(|phase| phase.kind == PhaseKind::Discharge);
    last.is_some_and(|discharge| discharge.lost_source.is_some())
}

/// Whether the discharge of a session is over: its cut-off reached, or ended in
/// another way that a load taken off for a while is not.
fn is_discharged(snapshot: &Snapshot) -> bool {
    let report = &snapshot.report;
    if report.results.capacity_to_cutoff_ah.value.is_some() {
        return true;
    }
    let last = report.phases.iter().rfind(|phase| phase.kind == PhaseKind::Discharge);
    let Some((discharge, reason)) = last.and_then(|phase| Some((phase, phase.end_reason?))) else {
        return false;
    };
    match reason {
        EndReason::Running => false,
        EndReason::LoadRemoved => {
            let now = snapshot.now.last_row_us.map_or(0.0, |us| us as f64 / 1e6);
            now - discharge.end.test_time_second >= LOAD_BACK_SECOND
        }
        _ => true,
    }
}
