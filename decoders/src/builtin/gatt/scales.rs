//! The scales and states of the Bluetooth SIG's characteristics: steps, ranges,
//! codes that are no number, bits.

use super::form::{Bits, Code, Scalar};

const NOT_KNOWN: Code = Code::Unknown("not_known");
const NOT_VALID: Code = Code::Wrong("not_valid");

const fn unsigned(octets: usize, per_unit: f64, unit: &'static str, highest: i64) -> Scalar {
    Scalar { octets, signed: false, per_unit, unit, range: (0, highest), codes: &[], clips: false }
}

const fn signed(octets: usize, per_unit: f64, range: (i64, i64)) -> Scalar {
    Scalar { octets, signed: true, per_unit, unit: "degC", range, codes: &[], clips: false }
}

pub(super) static PERCENT: Scalar = unsigned(1, 1.0, "%", 100);
pub(super) static PERCENT_8: Scalar =
    Scalar { codes: &[(0xFF, NOT_KNOWN)], ..unsigned(1, 2.0, "%", 200) };
pub(super) static VOLTAGE: Scalar =
    Scalar { codes: &[(0xFFFF, NOT_KNOWN)], clips: true, ..unsigned(2, 64.0, "V", 0xFF80) };
pub(super) static HIGH_VOLTAGE: Scalar =
    Scalar { codes: &[(0xFF_FFFF, NOT_KNOWN)], ..unsigned(3, 64.0, "V", 0xFF_FFFE) };
pub(super) static CURRENT: Scalar =
    Scalar { codes: &[(0xFFFF, NOT_KNOWN)], ..unsigned(2, 100.0, "A", 0xFFFE) };
pub(super) static POWER: Scalar = Scalar {
    codes: &[(0xFF_FFFE, NOT_VALID), (0xFF_FFFF, NOT_KNOWN)],
    ..unsigned(3, 10.0, "W", 0xFF_FFFD)
};
pub(super) static ENERGY: Scalar =
    Scalar { codes: &[(0xFF_FFFF, NOT_KNOWN)], ..unsigned(3, 1.0, "kWh", 0xFF_FFFE) };
pub(super) static ENERGY_32: Scalar = Scalar {
    codes: &[(0xFFFF_FFFE, NOT_VALID), (0xFFFF_FFFF, NOT_KNOWN)],
    ..unsigned(4, 1.0, "Wh", 0xFFFF_FFFD)
};
pub(super) static TEMPERATURE: Scalar =
    Scalar { codes: &[(-0x8000, NOT_KNOWN)], ..signed(2, 100.0, (-27_315, 0x7FFF)) };
pub(super) static TEMPERATURE_8: Scalar =
    Scalar { codes: &[(0x7F, NOT_KNOWN)], ..signed(1, 2.0, (-128, 126)) };
pub(super) static HIGH_TEMPERATURE: Scalar = Scalar {
    codes: &[(-0x8000, NOT_KNOWN), (-0x7FFF, NOT_VALID)],
    ..signed(2, 2.0, (-546, 0x7FFF))
};
pub(super) static HEALTH_TEMPERATURE: Scalar = Scalar {
    codes: &[(127, Code::Wrong("above_126")), (-128, Code::Wrong("below_minus_127"))],
    ..signed(1, 1.0, (-127, 126))
};
pub(super) static COUNT: Scalar = unsigned(2, 1.0, "", 0xFFFF);
pub(super) static GROUP: Scalar = unsigned(1, 1.0, "", 254);
pub(super) static MINUTES: Scalar = Scalar {
    codes: &[(0xFF_FFFF, NOT_KNOWN), (0xFF_FFFE, Code::Unknown("above_16777213"))],
    ..unsigned(3, 1.0, "min", 0xFF_FFFD)
};

const NO_YES: &[&str] = &["no", "yes"];
const NO_YES_UNKNOWN: &[&str] = &["no", "yes", "unknown"];

const fn bit(name: &'static str, at: u32, fault: bool) -> Bits {
    Bits { name, at, words: NO_YES, fault }
}

const fn bits(name: &'static str, at: u32, words: &'static [&'static str]) -> Bits {
    Bits { name, at, words, fault: false }
}

pub(super) static POWER_STATE: [Bits; 9] = [
    bit("battery_present", 0, false),
    bits("wired_power", 1, NO_YES_UNKNOWN),
    bits("wireless_power", 3, NO_YES_UNKNOWN),
    bits("charge_state", 5, &["unknown", "charging", "discharging_active", "discharging_inactive"]),
    bits("charge_level", 7, &["unknown", "good", "low", "critical"]),
    bits(
        "charging_type",
        9,
        &["unknown_or_not_charging", "constant_current", "constant_voltage", "trickle", "float"],
    ),
    bit("fault_of_battery", 12, true),
    bit("fault_of_external_source", 13, true),
    bit("other_fault", 14, true),
];
pub(super) static ADDITIONAL_STATUS: [Bits; 2] =
    [bits("service_required", 0, NO_YES_UNKNOWN), bit("battery_fault", 2, true)];
pub(super) static CRITICAL_STATUS: [Bits; 2] =
    [bit("critical_power_state", 0, true), bit("immediate_service_required", 1, true)];
pub(super) static FEATURES: [Bits; 2] =
    [bit("replaceable", 0, false), bit("rechargeable", 1, false)];
pub(super) const CHEMISTRY: &[&str] = &[
    "unknown",
    "alkaline",
    "lead_acid",
    "lithium_iron_disulfide",
    "lithium_manganese_dioxide",
    "lithium_ion",
    "lithium_polymer",
    "nickel_oxyhydroxide",
    "nickel_cadmium",
    "nickel_metal_hydride",
    "silver_oxide",
    "zinc_chloride",
    "zinc_air",
    "zinc_carbon",
];
