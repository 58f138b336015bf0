//! `[sources.NAME.options]` of `modbus-rtu`, and the plan they make.

use std::collections::{BTreeMap, BTreeSet};

use ampledger_types::Channel;
use serde::Deserialize;

use super::number::{Kind, Order};
use super::plan::{Asked, Block, Bounds, Register, Unit, probes};
use crate::config::{ConfigProblem, DecoderConfig};
use crate::mapping::{Groups, Mapping};

/// The options; `units` must be there.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Options {
    /// The instruments on the line.
    units: Vec<UnitOptions>,
    /// How long an answer may take, ms.
    #[serde(default = "timeout")]
    timeout_ms: u32,
    /// How long after that a late answer may still come, ms; as long again if
    /// missing.
    #[serde(default)]
    late_ms: Option<u32>,
    /// How often a read that failed is tried again at once.
    #[serde(default = "retries")]
    pub retries: u8,
    /// The silence before a request, ms: at least 3.5 characters.
    #[serde(default = "silence")]
    silence_ms: u32,
    /// Registers that nobody asked for between two that are read together.
    #[serde(default = "gap")]
    max_gap: u16,
    /// Registers in one read.
    #[serde(default = "most_registers")]
    max_registers: u16,
}

/// One instrument.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct UnitOptions {
    /// Its address, 1 to 247.
    address: u8,
    /// Its name; may be left out where there is only one.
    #[serde(default)]
    name: String,
    /// How often it is asked, ms.
    #[serde(default = "every")]
    every_ms: u32,
    /// What is read.
    registers: Vec<RegisterOptions>,
}

/// One number of an instrument.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct RegisterOptions {
    /// What it is: a name among the source's fields.
    field: String,
    /// The first of its registers, as in the frame: from 0.
    address: u16,
    /// 3 (holding registers) or 4 (input registers).
    #[serde(default = "holding")]
    function: u8,
    /// What kind of number.
    #[serde(default, rename = "type")]
    kind: Kind,
    /// How it lies in its registers.
    #[serde(default)]
    order: Order,
    /// How often it is asked for, ms; as the unit if missing.
    #[serde(default)]
    every_ms: Option<u32>,
}

fn timeout() -> u32 {
    1000
}

fn retries() -> u8 {
    1
}

fn silence() -> u32 {
    5
}

fn gap() -> u16 {
    8
}

fn most_registers() -> u16 {
    125
}

fn every() -> u32 {
    1000
}

fn holding() -> u8 {
    3
}

/// What to ask, in full.
#[derive(Debug)]
pub struct Plan {
    /// The instruments.
    pub units: Vec<Unit>,
    /// What is read from them.
    pub blocks: Vec<Block>,
    /// The addresses of all.
    pub addresses: Vec<u8>,
}

impl Options {
    /// How long an answer may take, microseconds.
    pub fn timeout_us(&self) -> i64 {
        i64::from(self.timeout_ms) * 1000
    }

    /// How long the line must be quiet after trouble, microseconds.
    pub fn late_us(&self) -> i64 {
        i64::from(self.late_ms.unwrap_or(self.timeout_ms)) * 1000
    }

    /// How long the line must be quiet before a request, microseconds.
    pub fn silence_us(&self) -> i64 {
        i64::from(self.silence_ms) * 1000
    }

    /// Checks the options and makes the plan.
    pub fn plan(&self, config: &DecoderConfig) -> Result<Plan, ConfigProblem> {
        self.check()?;
        let mut plan = Plan { units: Vec::new(), blocks: Vec::new(), addresses: Vec::new() };
        let mut unused: BTreeSet<&str> = config.fields.keys().map(String::as_str).collect();
        let (mut groups, mut taken) = (Groups::default(), BTreeMap::new());
        for (i, unit) in self.units.iter().enumerate() {
            let key = format!("options.units[{i}]");
            unit.check(&key)?;
            self.check_apart(i)?;
            for register in &unit.registers {
                unused.remove(register.field.as_str());
            }
            let registers = unit.registers(i, config)?;
            for (j, (_, register)) in registers.iter().enumerate() {
                let key = format!("{key}.registers[{j}].field");
                claim(&register.field.channel, key, &mut taken)?;
            }
            let blocks = self.blocks(registers, &mut groups);
            let probes = probes(unit.address, &blocks.iter().collect::<Vec<_>>());
            plan.units.push(Unit { name: unit.name.clone(), address: unit.address, probes });
            plan.addresses.push(unit.address);
            plan.blocks.extend(blocks);
        }
        match unused.pop_first() {
            Some(name) => {
                let what = "no unit has it among its `registers`";
                Err(ConfigProblem::new(format!("fields.{name}"), what))
            }
            None => Ok(plan),
        }
    }

    fn check(&self) -> Result<(), ConfigProblem> {
        let problem =
            |key: &str, what: &str| Err(ConfigProblem::new(format!("options.{key}"), what));
        if !(10..=60_000).contains(&self.timeout_ms) {
            return problem("timeout_ms", "must lie between 10 and 60000");
        }
        // Beyond this the daemon takes the line as never quiet.
        if !(10..=9_000).contains(&self.late_ms.unwrap_or(self.timeout_ms)) {
            return problem(
                "late_ms",
                "must lie between 10 and 9000; it is `timeout_ms` if missing",
            );
        }
        if !(1..=1_000).contains(&self.silence_ms) {
            return problem("silence_ms", "must lie between 1 and 1000");
        }
        if self.retries > 10 {
            return problem("retries", "must be 10 at most");
        }
        if !(1..=125).contains(&self.max_registers) {
            return problem("max_registers", "must lie between 1 and 125");
        }
        if self.max_gap > 124 {
            return problem("max_gap", "must be 124 at most");
        }
        if self.units.is_empty() {
            return problem("units", "there must be one at least");
        }
        Ok(())
    }

    fn check_apart(&self, i: usize) -> Result<(), ConfigProblem> {
        let unit = &self.units[i];
        let others = &self.units[..i];
        if others.iter().any(|other| other.address == unit.address) {
            let what = "is the address of another unit already";
            return Err(ConfigProblem::new(format!("options.units[{i}].address"), what));
        }
        if others.iter().any(|other| other.name == unit.name) {
            let what = "each unit on the line must have a name of its own";
            return Err(ConfigProblem::new(format!("options.units[{i}].name"), what));
        }
        Ok(())
    }

    fn blocks(&self, registers: Vec<(Asked, Register)>, groups: &mut Groups) -> Vec<Block> {
        let bounds = Bounds { gap: self.max_gap, registers: self.max_registers };
        let mut alike: BTreeMap<(u8, i64), (Asked, Vec<Register>)> = BTreeMap::new();
        for (asked, register) in registers {
            let part = alike.entry((asked.function, asked.every_us));
            part.or_insert_with(|| (asked, Vec::new())).1.push(register);
        }
        let alike = alike.into_values();
        alike.flat_map(|(asked, part)| Block::merged(part, asked, bounds, groups)).collect()
    }
}

impl UnitOptions {
    fn check(&self, key: &str) -> Result<(), ConfigProblem> {
        let problem =
            |part: &str, what: &str| Err(ConfigProblem::new(format!("{key}.{part}"), what));
        if !(1..=247).contains(&self.address) {
            return problem("address", "must lie between 1 and 247");
        }
        if self.registers.is_empty() {
            return problem("registers", "there must be one at least");
        }
        if self.name.chars().count() > 64 || self.name.chars().any(char::is_control) {
            return problem("name", "must be at most 64 characters that can be printed");
        }
        Ok(())
    }

    /// The registers with how they are asked for; `unit` is the unit's place
    /// in the list.
    fn registers(
        &self,
        unit: usize,
        config: &DecoderConfig,
    ) -> Result<Vec<(Asked, Register)>, ConfigProblem> {
        let mapping = self.mapping(config)?;
        let mut found = Vec::new();
        for (i, options) in self.registers.iter().enumerate() {
            let key = format!("options.units[{unit}].registers[{i}]");
            let every_ms = options.every_ms.unwrap_or(self.every_ms);
            if !(10..=86_400_000).contains(&every_ms) {
                let what = "must lie between 10 and 86400000";
                return Err(ConfigProblem::new(format!("{key}.every_ms"), what));
            }
            let asked = Asked {
                unit,
                address: self.address,
                function: options.function,
                every_us: i64::from(every_ms) * 1000,
            };
            found.push((asked, options.register(&key, &mapping, &self.name)?));
        }
        Ok(found)
    }

    /// The source's fields as far as this unit has them; their channels are
    /// this unit's unless the configuration says otherwise.
    fn mapping(&self, config: &DecoderConfig) -> Result<Mapping, ConfigProblem> {
        let is_ours = |name: &str| self.registers.iter().any(|r| r.field == name);
        let ours = config.fields.iter().filter(|(name, _)| is_ours(name));
        let fields = ours.map(|(name, field)| {
            let mut field = field.clone();
            field.instrument.get_or_insert_with(|| self.name.clone());
            (name.clone(), field)
        });
        Mapping::new(&DecoderConfig { fields: fields.collect(), ..DecoderConfig::default() })
    }
}

impl RegisterOptions {
    fn register(
        &self,
        key: &str,
        mapping: &Mapping,
        unit: &str,
    ) -> Result<Register, ConfigProblem> {
        let problem =
            |part: &str, what: String| Err(ConfigProblem::new(format!("{key}.{part}"), what));
        if !matches!(self.function, 3 | 4) {
            return problem(
                "function",
                "must be 3 (holding registers) or 4 (input registers)".into(),
            );
        }
        let Some(mut field) = mapping.field(&self.field)? else {
            let what = format!("`{}` is not among the source's fields; add it there", self.field);
            return problem("field", what);
        };
        if !mapping.is_configured(&self.field) {
            unit.clone_into(&mut field.channel.instrument);
        }
        let register = Register {
            name: self.field.clone(),
            field,
            address: self.address,
            kind: self.kind,
            order: self.order,
        };
        match register.end() <= 65536 {
            true => Ok(register),
            false => problem("address", "its last register would lie beyond 65535".into()),
        }
    }
}

/// Each channel has one register.
fn claim(
    channel: &Channel,
    key: String,
    taken: &mut BTreeMap<(String, String), String>,
) -> Result<(), ConfigProblem> {
    let name = (channel.instrument.clone(), channel.name.clone());
    match taken.insert(name, key.clone()) {
        None => Ok(()),
        Some(other) => {
            let what = format!(
                "goes to the channel `{}`, as `{other}` does; give one another `channel`",
                channel.name
            );
            Err(ConfigProblem::new(key, what))
        }
    }
}
