//! The rules of a full start, one by one, held against what was seen of the
//! charge: values and words. Decides nothing that the rules do not say.

use ampledger_types::Chemistry;

use crate::efficiency::ChargeEnd;
use crate::evidence::{Finding, FullEvidence, Proof, Standing, met};
use crate::full::{Broken, FullWatch};
use crate::rules::Setting;

impl FullWatch {
    /// What there is to say for a discharge that begins at `start_us`.
    pub fn evidence(&self, start_us: i64, setting: &Setting) -> FullEvidence {
        if self.seen.charged_us.is_none() {
            let says = "no charge before the discharge is in the record".to_owned();
            let findings = vec![Finding::new("charge seen", Standing::Missed, says)];
            return FullEvidence { findings, ..FullEvidence::default() };
        }
        let rest_second = self.rest_second(start_us);
        let unseen = rest_second.and_then(|s| unseen_ah(s, setting));
        let findings = vec![
            self.charge_seen(setting),
            self.voltage_reached(setting),
            self.taper(setting),
            self.held(),
            rest(rest_second, setting).at(self.seen.charged_us),
            self.rested_voltage(setting),
            self.nothing_drawn(unseen, setting),
            self.custody(setting),
        ];
        let is_found = findings.iter().all(|f| f.standing == Standing::Met);
        FullEvidence {
            proof: if is_found { Proof::Found } else { Proof::Partly },
            uncharged_ah: self.uncharged_ah(),
            unseen_ah: unseen,
            charge_end_us: self.seen.charged_us,
            charge_end: self.charge_end(),
            findings,
        }
    }

    fn charge_end(&self) -> Option<ChargeEnd> {
        let (_, ampere) = self.seen.end?;
        self.seen.highest_volt.map(|volt| ChargeEnd { volt, ampere })
    }

    fn rest_second(&self, start_us: i64) -> Option<f64> {
        self.seen.charged_us.map(|t| start_us.saturating_sub(t).max(0) as f64 / 1e6)
    }

    fn charge_seen(&self, setting: &Setting) -> Finding {
        let (second, needed) = (self.seen.bulk_second, setting.rules.full_bulk_second);
        let Some(least) = self.wanted.bulk_ampere else {
            return not_known("charge seen", "the rated capacity is not known");
        };
        let at = match least > 0.0 {
            true => format!("at {least:.2} A or more"),
            false => "above rest".to_owned(),
        };
        let says = match second >= needed {
            true => format!("charged {at} for {:.0} min on this channel", second / 60.0),
            false => format!(
                "only {:.0} min of charging {at} were seen on this channel: a charger that \
                 bypasses the sensor shows volts and no amps",
                second / 60.0
            ),
        };
        Finding::new("charge seen", met(second >= needed), says).valued(second, needed, "s")
    }

    fn voltage_reached(&self, setting: &Setting) -> Finding {
        const RULE: &str = "voltage reached";
        let Some((limit, wanted)) = self.wanted.low_volt.zip(setting.charge_voltage_volt) else {
            return not_known(RULE, "the pack's charge voltage is not known");
        };
        let Some(highest) = self.seen.highest_volt else {
            return not_known(RULE, "no voltage was read while it charged");
        };
        let is_met = self.seen.reached_us.is_some();
        let says = match is_met {
            true => format!("charged to {} V", short(highest)),
            false => format!("the charge came to {highest:.2} V, not to {wanted:.2} V"),
        };
        let finding = Finding::new(RULE, met(is_met), says).at(self.seen.reached_us);
        finding.valued(highest, limit, "V")
    }

    fn taper(&self, setting: &Setting) -> Finding {
        const RULE: &str = "taper";
        let Some((limit, rated)) = self.wanted.tail_ampere.zip(setting.rated_ah) else {
            return not_known(RULE, "the rated capacity is not known");
        };
        let Some((t_us, end)) = self.seen.end else {
            let says = "the current did not taper at the charge voltage".to_owned();
            return Finding::new(RULE, Standing::Missed, says);
        };
        let rate = rated / end;
        if let Some(stepped_us) = self.seen.stepped_us {
            let says = format!(
                "the current went from {end:.2} A in one step: that is a cut-off, no taper"
            );
            return Finding::new(RULE, Standing::Missed, says).at(Some(stepped_us));
        }
        let is_met = self.seen.finished_us.is_some();
        let better = setting.rules.full_taper_better_divisor_hour;
        let says = match is_met {
            true if rate >= better || self.wanted.is_lead => {
                format!("tapered to {} A = C/{rate:.0}", short(end))
            }
            true => {
                let end = short(end);
                format!("tapered to {end} A = C/{rate:.0} (C/{better:.0} would be better)")
            }
            false => format!("the taper came to {end:.2} A, not to {limit:.2} A"),
        };
        Finding::new(RULE, met(is_met), says).valued(end, limit, "A").at(Some(t_us))
    }

    fn held(&self) -> Finding {
        const RULE: &str = "held";
        if self.wanted.low_volt.is_none() {
            return not_known(RULE, "the pack's charge voltage is not known");
        }
        let (held, needed) = (self.seen.held_second, self.wanted.hold_second);
        let minutes = held / 60.0;
        let says = match held >= needed {
            true => format!("held there for {minutes:.0} min"),
            false => format!("held there for {minutes:.1} min, not {:.0} min", needed / 60.0),
        };
        let finding = Finding::new(RULE, met(held >= needed), says);
        finding.valued(held, needed, "s").at(self.seen.finished_us)
    }

    fn rested_voltage(&self, setting: &Setting) -> Finding {
        const RULE: &str = "rested voltage";
        let Some((low, high)) = rested_range(setting) else {
            return not_known(RULE, "the chemistry has no known rested voltage");
        };
        let Some(cells) = setting.cells_in_series.filter(|n| *n > 0) else {
            return not_known(RULE, "the number of cells is not known");
        };
        let after = |(t_us, _): &(i64, f64)| self.seen.charged_us.is_some_and(|c| *t_us >= c);
        let Some((t_us, volt)) = self.last_rest_volt.filter(after) else {
            return not_known(RULE, "no voltage was read at rest after the charge");
        };
        let per_cell = volt / f64::from(cells);
        let is_met = per_cell >= low && per_cell <= high;
        let says = match is_met {
            true => format!("rested at {per_cell:.3} V a cell"),
            false => format!("rested at {per_cell:.3} V a cell, outside {low:.2} to {high:.2} V"),
        };
        let limit = if per_cell < low { low } else { high };
        Finding::new(RULE, met(is_met), says).valued(per_cell, limit, "V").at(Some(t_us))
    }

    /// What the offset can have done is no draw.
    fn nothing_drawn(&self, unseen_ah: Option<f64>, setting: &Setting) -> Finding {
        const RULE: &str = "nothing drawn since";
        if setting.rated_ah.is_none() {
            return not_known(RULE, "the rated capacity is not known");
        }
        let drawn = self.seen.drawn_ah;
        let limit = self.wanted.drawn_ah + unseen_ah.unwrap_or(0.0);
        let says = match drawn <= limit {
            true => "nothing drawn since".to_owned(),
            false => format!("{drawn:.3} Ah were drawn since the charge"),
        };
        Finding::new(RULE, met(drawn <= limit), says).valued(drawn, limit, "Ah")
    }

    fn custody(&self, setting: &Setting) -> Finding {
        const RULE: &str = "custody";
        let Some((t_us, why)) = self.seen.broken else {
            return Finding::new(RULE, Standing::Met, "never out of sight since".to_owned());
        };
        let what = match why {
            Broken::Dark(second) => format!("dark for {second:.0} s after the charge"),
            Broken::DarkUnknown => "dark for an unknown time after the charge".to_owned(),
            Broken::NoPack(volt) => format!("{volt:.2} V after the charge: no pack connected"),
            Broken::OtherInstrument => "another instrument since the charge".to_owned(),
        };
        let says = match setting.is_custody_confirmed {
            true => format!("{what}; it is said to be the same pack all the same"),
            false => format!("{what}: the pack could have been swapped"),
        };
        Finding::new(RULE, met(setting.is_custody_confirmed), says).at(Some(t_us))
    }
}

fn rest(second: Option<f64>, setting: &Setting) -> Finding {
    const RULE: &str = "rest before the load";
    let rules = &setting.rules;
    let (least, most) = match setting.chemistry {
        Some(Chemistry::LeadAcid) => {
            (rules.full_rest_lead_least_second, rules.full_rest_lead_most_second)
        }
        _ => (rules.full_rest_lithium_least_second, rules.full_rest_lithium_most_second),
    };
    let Some(second) = second else { return not_known(RULE, "when the charge ended is not known") };
    let is_met = second >= least && second <= most;
    let says = match is_met {
        true => format!("rested {}", lasted(second)),
        false => format!("rested {}, not {} to {}", lasted(second), lasted(least), lasted(most)),
    };
    let limit = if second < least { least } else { most };
    Finding::new(RULE, met(is_met), says).valued(second, limit, "s")
}

/// Minutes up to two hours, hours up to three days, then days.
fn lasted(second: f64) -> String {
    match second {
        s if s < 7_200.0 => format!("{:.0} min", s / 60.0),
        s if s < 259_200.0 => format!("{:.0} h", s / 3600.0),
        s => format!("{:.0} days", s / 86_400.0),
    }
}

fn rested_range(setting: &Setting) -> Option<(f64, f64)> {
    let rules = &setting.rules;
    match setting.chemistry? {
        Chemistry::LithiumIronPhosphate => {
            Some((rules.rested_lfp_low_volt, rules.rested_lfp_high_volt))
        }
        Chemistry::LithiumIon => Some((rules.rested_lithium_ion_low_volt, f64::INFINITY)),
        Chemistry::LeadAcid => Some((rules.rested_lead_low_volt, rules.rested_lead_high_volt)),
        Chemistry::Other => None,
    }
}

/// Offset and dead band over the time between charge and load, Ah.
fn unseen_ah(second: f64, setting: &Setting) -> Option<f64> {
    let offset = match setting.zero_left {
        Some(left) => 2.0 * left.standard_ampere + left.half_difference_ampere.unwrap_or(0.0),
        None => setting.current_offset?,
    };
    let dead_band = setting.current_resolution.unwrap_or(0.0) / 2.0;
    Some((offset + dead_band) * second / 3600.0)
}

/// Two decimals, the second only where there is one.
fn short(value: f64) -> String {
    let text = format!("{value:.2}");
    text.strip_suffix('0').unwrap_or(&text).to_owned()
}

fn not_known(rule: &'static str, says: &str) -> Finding {
    Finding::new(rule, Standing::NotKnown, says.to_owned())
}
