//! The characteristics of the Bluetooth SIG that say something about a battery
//! or a meter, as its GATT Specification Supplement lays them out. A table; it
//! knows no endpoint and no channel.

use ampledger_types::Quantity;

use super::form::{Form, Value};
use super::scales::{
    ADDITIONAL_STATUS, CHEMISTRY, COUNT, CRITICAL_STATUS, CURRENT, ENERGY, ENERGY_32, FEATURES,
    GROUP, HEALTH_TEMPERATURE, HIGH_TEMPERATURE, HIGH_VOLTAGE, MINUTES, PERCENT, PERCENT_8, POWER,
    POWER_STATE, TEMPERATURE, TEMPERATURE_8, VOLTAGE,
};

/// One characteristic.
#[derive(Debug)]
pub struct Characteristic {
    /// Its 16-bit UUID.
    pub uuid: u16,
    /// Its name.
    pub name: &'static str,
    /// Its fields' names begin with it; empty if they stand for themselves.
    pub prefix: &'static str,
    /// The value that is named by the prefix alone; empty if there is none.
    pub main: &'static str,
    /// How many bytes of flags it begins with.
    pub flags: usize,
    /// Its values, in order.
    pub parts: &'static [Part],
}

/// One value of a characteristic.
#[derive(Debug)]
pub struct Part {
    /// Its name in the specification.
    pub name: &'static str,
    /// The flag that says that it is there; it always is if there is none.
    pub flag: Option<u32>,
    /// How it is written.
    pub form: Form,
    /// What it measures, where the specification leaves no doubt.
    pub quantity: Option<Quantity>,
}

/// The bytes end too early.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
#[error("truncated: need {need} octets, got {got}")]
pub struct Truncated {
    /// As the flags announce.
    pub need: usize,
    /// As there are.
    pub got: usize,
}

impl Characteristic {
    /// Hands the values to `each`, with the part each comes from. What follows
    /// behind the last is left for later editions of the specification.
    pub fn read(
        &self,
        bytes: &[u8],
        mut each: impl FnMut(&'static Part, &'static str, Value),
    ) -> Result<(), Truncated> {
        let flags = bytes.iter().take(self.flags).rev().fold(0u32, |f, b| f << 8 | u32::from(*b));
        let is_there = |part: &&Part| part.flag.is_none_or(|bit| flags >> bit & 1 == 1);
        let octets = self.parts.iter().filter(is_there).map(|part| part.form.octets());
        let need = self.flags + octets.sum::<usize>();
        if bytes.len() < need {
            return Err(Truncated { need, got: bytes.len() });
        }
        let mut at = self.flags;
        for part in self.parts.iter().filter(is_there) {
            let end = at + part.form.octets();
            part.form.read(part.name, &bytes[at..end], &mut |name, value| each(part, name, value));
            at = end;
        }
        Ok(())
    }

    /// The name of a value as a source's field. `prefix` takes the place of its
    /// own.
    pub fn field_name(&self, value: &str, prefix: Option<&str>) -> String {
        match prefix.unwrap_or(self.prefix) {
            "" => value.to_owned(),
            prefix if value == self.main => prefix.to_owned(),
            prefix => format!("{prefix}_{value}"),
        }
    }
}

/// The characteristic with this 16-bit UUID.
pub fn find(uuid: u16) -> Option<&'static Characteristic> {
    CHARACTERISTICS.iter().find(|characteristic| characteristic.uuid == uuid)
}

const fn part(name: &'static str, form: Form) -> Part {
    Part { name, flag: None, form, quantity: None }
}

const fn optional(flag: u32, name: &'static str, form: Form) -> Part {
    Part { flag: Some(flag), ..part(name, form) }
}

impl Part {
    const fn measuring(self, quantity: Quantity) -> Part {
        Part { quantity: Some(quantity), ..self }
    }
}

const fn single(uuid: u16, name: &'static str, part: &'static [Part; 1]) -> Characteristic {
    let main = part[0].name;
    Characteristic { uuid, name, prefix: main, main, flags: 0, parts: part }
}

/// Plain values without flags, named after what they are about.
const fn plain(
    uuid: u16,
    name: &'static str,
    names: (&'static str, &'static str),
    parts: &'static [Part],
) -> Characteristic {
    Characteristic { uuid, name, prefix: names.0, main: names.1, flags: 0, parts }
}

/// Values whose presence flags tell, each with a name of its own.
const fn flagged(
    uuid: u16,
    name: &'static str,
    flags: usize,
    parts: &'static [Part],
) -> Characteristic {
    Characteristic { uuid, name, prefix: "", main: "", flags, parts }
}

const fn duration() -> Part {
    part("sensing_duration", Form::TimeExponential)
}

const fn volt(name: &'static str) -> Part {
    part(name, Form::Scalar(&VOLTAGE))
}

const fn ampere(name: &'static str) -> Part {
    part(name, Form::Scalar(&CURRENT))
}

const fn watt(name: &'static str) -> Part {
    part(name, Form::Scalar(&POWER))
}

const fn degree(name: &'static str) -> Part {
    part(name, Form::Scalar(&TEMPERATURE))
}

const fn degree_8(name: &'static str) -> Part {
    part(name, Form::Scalar(&TEMPERATURE_8))
}

const T1: Quantity = Quantity::Temperature(1);

/// Every characteristic but Elapsed Time, whose form is its own.
pub static CHARACTERISTICS: &[Characteristic] = &[
    single(
        0x2A19,
        "Battery Level",
        &[part("battery_level", Form::Scalar(&PERCENT)).measuring(Quantity::StateOfCharge)],
    ),
    single(0x2A6E, "Temperature", &[degree("temperature").measuring(T1)]),
    plain(
        0x2AE0,
        "Average Current",
        ("current", "current"),
        &[ampere("current").measuring(Quantity::Current), duration()],
    ),
    plain(
        0x2AE1,
        "Average Voltage",
        ("voltage", "voltage"),
        &[volt("voltage").measuring(Quantity::Voltage), duration()],
    ),
    single(0x2AED, "Date UTC", &[part("date", Form::Date)]),
    single(0x2AEE, "Electric Current", &[ampere("current").measuring(Quantity::Current)]),
    plain(
        0x2AEF,
        "Electric Current Range",
        ("current", ""),
        &[ampere("minimum"), ampere("maximum")],
    ),
    plain(
        0x2AF0,
        "Electric Current Specification",
        ("current", ""),
        &[ampere("minimum"), ampere("typical"), ampere("maximum")],
    ),
    plain(
        0x2AF1,
        "Electric Current Statistics",
        ("current", "average"),
        &[
            ampere("average").measuring(Quantity::Current),
            ampere("standard_deviation"),
            ampere("minimum"),
            ampere("maximum"),
            duration(),
        ],
    ),
    single(
        0x2AF2,
        "Energy",
        &[part("energy", Form::Scalar(&ENERGY)).measuring(Quantity::EnergyCounter)],
    ),
    single(0x2B04, "Percentage 8", &[part("percentage", Form::Scalar(&PERCENT_8))]),
    single(0x2B05, "Power", &[watt("power").measuring(Quantity::Power)]),
    plain(
        0x2B06,
        "Power Specification",
        ("power", ""),
        &[watt("minimum"), watt("typical"), watt("maximum")],
    ),
    single(0x2B0D, "Temperature 8", &[degree_8("temperature").measuring(T1)]),
    plain(
        0x2B0F,
        "Temperature 8 Statistics",
        ("temperature", "average"),
        &[
            degree_8("average").measuring(T1),
            degree_8("standard_deviation"),
            degree_8("minimum"),
            degree_8("maximum"),
            duration(),
        ],
    ),
    plain(
        0x2B10,
        "Temperature Range",
        ("temperature", ""),
        &[degree("minimum"), degree("maximum")],
    ),
    plain(
        0x2B11,
        "Temperature Statistics",
        ("temperature", "average"),
        &[
            degree("average").measuring(T1),
            degree("standard_deviation"),
            degree("minimum"),
            degree("maximum"),
            duration(),
        ],
    ),
    single(0x2B13, "Time Exponential 8", &[part("duration", Form::TimeExponential)]),
    single(0x2B18, "Voltage", &[volt("voltage").measuring(Quantity::Voltage)]),
    plain(
        0x2B19,
        "Voltage Specification",
        ("voltage", ""),
        &[volt("minimum"), volt("typical"), volt("maximum")],
    ),
    plain(
        0x2B1A,
        "Voltage Statistics",
        ("voltage", "average"),
        &[
            volt("average").measuring(Quantity::Voltage),
            volt("standard_deviation"),
            volt("minimum"),
            volt("maximum"),
            duration(),
        ],
    ),
    single(
        0x2BA8,
        "Energy 32",
        &[part("energy", Form::Scalar(&ENERGY_32)).measuring(Quantity::EnergyCounter)],
    ),
    single(
        0x2BDF,
        "High Temperature",
        &[part("temperature", Form::Scalar(&HIGH_TEMPERATURE)).measuring(T1)],
    ),
    single(
        0x2BE0,
        "High Voltage",
        &[part("voltage", Form::Scalar(&HIGH_VOLTAGE)).measuring(Quantity::Voltage)],
    ),
    flagged(0x2BE9, "Battery Critical Status", 0, &[part("", Form::Bits(1, &CRITICAL_STATUS))]),
    flagged(
        0x2BEA,
        "Battery Health Status",
        1,
        &[
            optional(0, "health", Form::Scalar(&PERCENT)),
            optional(1, "cycle_count", Form::Scalar(&COUNT)),
            optional(2, "temperature", Form::Scalar(&HEALTH_TEMPERATURE)).measuring(T1),
            optional(3, "deep_discharge_count", Form::Scalar(&COUNT)),
        ],
    ),
    flagged(
        0x2BEB,
        "Battery Health Information",
        1,
        &[
            optional(0, "designed_cycles", Form::Scalar(&COUNT)),
            optional(1, "minimum_temperature", Form::Scalar(&HEALTH_TEMPERATURE)),
            optional(1, "maximum_temperature", Form::Scalar(&HEALTH_TEMPERATURE)),
        ],
    ),
    flagged(
        0x2BEC,
        "Battery Information",
        2,
        &[
            part("", Form::Bits(1, &FEATURES)),
            optional(0, "manufacture_date", Form::Date),
            optional(1, "expiration_date", Form::Date),
            optional(2, "designed_capacity", Form::MedFloat("kWh")),
            optional(3, "low_energy", Form::MedFloat("kWh")),
            optional(4, "critical_energy", Form::MedFloat("kWh")),
            optional(5, "chemistry", Form::Word(CHEMISTRY)),
            optional(6, "nominal_voltage", Form::MedFloat("V")),
            optional(7, "aggregation_group", Form::Scalar(&GROUP)),
        ],
    ),
    flagged(
        0x2BED,
        "Battery Level Status",
        1,
        &[
            part("", Form::Bits(2, &POWER_STATE)),
            optional(0, "identifier", Form::Scalar(&COUNT)),
            optional(1, "battery_level", Form::Scalar(&PERCENT)).measuring(Quantity::StateOfCharge),
            optional(2, "", Form::Bits(1, &ADDITIONAL_STATUS)),
        ],
    ),
    flagged(
        0x2BEE,
        "Battery Time Status",
        1,
        &[
            part("time_until_discharged", Form::Scalar(&MINUTES)),
            optional(0, "time_until_discharged_on_standby", Form::Scalar(&MINUTES)),
            optional(1, "time_until_recharged", Form::Scalar(&MINUTES)),
        ],
    ),
    single(0x2BEF, "Estimated Service Date", &[part("date", Form::Date)]),
    flagged(
        0x2BF0,
        "Battery Energy Status",
        1,
        &[
            optional(0, "external_source_power", Form::MedFloat("W")),
            optional(1, "present_voltage", Form::MedFloat("V")).measuring(Quantity::Voltage),
            optional(2, "available_energy", Form::MedFloat("kWh")),
            optional(3, "available_battery_capacity", Form::MedFloat("kWh")),
            // Positive while it is charged, as it is kept.
            optional(4, "charge_rate", Form::MedFloat("W")).measuring(Quantity::Power),
            optional(5, "available_energy_at_last_charge", Form::MedFloat("kWh")),
        ],
    ),
];
