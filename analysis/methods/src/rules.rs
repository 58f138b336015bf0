//! Every setting of the methods in one table: name, default, unit, meaning.
//! Values are trade judgement (common practice, no source), never a standard's.

use ampledger_types::Chemistry;
pub use ampledger_types::CutoffRule;
use ampledger_types::result::RuleUsed;

/// What is known beforehand about pack and instrument.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Setting {
    /// Rated capacity, Ah.
    pub rated_ah: Option<f64>,
    /// End voltage of a discharge, V.
    pub cutoff_voltage_volt: Option<f64>,
    /// Which moment counts as its crossing.
    pub cutoff_rule: CutoffRule,
    /// What the pack is made of.
    pub chemistry: Option<Chemistry>,
    /// Cells in series.
    pub cells_in_series: Option<u32>,
    /// The highest current the pack may carry, A.
    pub maximum_current_ampere: Option<f64>,
    /// Smallest step of the current reading, A.
    pub current_resolution: Option<f64>,
    /// The largest current the meter can read, A.
    pub current_range: Option<f64>,
    /// Uncertainty of the current's offset, A.
    pub current_offset: Option<f64>,
    /// Smallest step of the voltage reading, V.
    pub voltage_resolution: Option<f64>,
    /// Whether the instrument is powered by the pack under test.
    pub powered_by_pack: bool,
    /// The rules.
    pub rules: Rules,
}

macro_rules! rules {
    ($($name:ident = $default:literal, $unit:literal, $says:literal;)*) => {
        /// The settings with their values. Names end in the unit.
        #[derive(Clone, Copy, Debug, PartialEq)]
        pub struct Rules {
            $(#[doc = concat!($says, " Unit: `", $unit, "`.")] pub $name: f64,)*
        }

        impl Default for Rules {
            fn default() -> Self {
                Rules { $($name: $default,)* }
            }
        }

        impl Rules {
            /// Every rule by name with its value, unit and meaning.
            pub fn table(&self) -> Vec<(&'static str, RuleUsed)> {
                vec![$((stringify!($name), RuleUsed {
                    value: self.$name,
                    unit: $unit.to_owned(),
                    says: $says.to_owned(),
                }),)*]
            }
        }
    };
}

rules! {
    gap_interval_factor = 5.0, "", "A silence longer than this times the median interval is a gap.";
    gap_floor_second = 2.0, "s", "No silence up to this is a gap.";
    gap_estimate_limit_second = 3600.0, "s", "A longer gap is not counted; up to it the straight line is.";
    implausible_divisor_hour = 0.05, "h", "A current above the rating divided by this is not believed, and no reading.";
    implausible_maximum_factor = 2.0, "", "Up to this times the pack's stated maximum, a current is believed all the same.";
    clipped_samples = 30.0, "", "A meter whose range is not stated clips once this many readings stand at its highest.";
    clipped_visits = 3.0, "", "A meter whose range is not stated clips only if a moving current ran into its highest reading this many times.";
    clipped_jump_percent = 2.0, "%", "A smaller step up to the highest reading is no running into it.";
    counter_share = 0.005, "", "The instrument's own counter may differ from its readings by this share.";
    counter_steps = 2.0, "", "The instrument's own counter may differ by this many of its steps.";
    quiet_interval_factor = 3.0, "", "Silent for longer than this times the median interval is quiet.";
    quiet_floor_second = 3.0, "s", "No silence up to this is quiet.";
    dark_interval_factor = 5.0, "", "Silent for longer than this times the median interval is dark.";
    dark_floor_second = 10.0, "s", "No silence up to this is dark.";
    dark_load_divisor_hour = 50.0, "h", "Dark under load needs a median current of at least the rating divided by this.";
    dark_load_window_second = 10.0, "s", "The load before a silence is the median over this.";
    voltage_hold_second = 10.0, "s", "A voltage reading stands in for a missing one for at most this.";
    stuck_samples = 30.0, "", "A channel is stuck after this many identical rows under load.";
    stuck_second = 60.0, "s", "A channel is stuck after this long without any change under load.";
    stuck_dwell_factor = 5.0, "", "A channel is not stuck before this times the longest stand-still it moved on from.";
    rest_divisor_hour = 500.0, "h", "At rest the current is at most the rating divided by this.";
    rest_offset_factor = 3.0, "", "The rest threshold is at least this times the uncertainty of the offset.";
    rest_resolution_steps = 2.0, "", "The rest threshold is at least this many steps of the current's resolution.";
    rest_unrated_percent = 1.0, "%", "Without a rating, rest is up to this share of the 95th percentile of the current.";
    rest_unrated_floor_ampere = 0.02, "A", "Without a rating, the rest threshold is at least this.";
    rest_enter_second = 10.0, "s", "Rest begins once the current stayed at rest for this; backdated.";
    rest_leave_second = 2.0, "s", "Rest ends once the current stayed above for this; backdated.";
    rest_leave_factor = 2.0, "", "Rest ends above this times the rest threshold.";
    standby_divisor_hour = 100.0, "h", "A discharge that stays below the rating divided by this is a standby draw.";
    merge_rest_second = 600.0, "s", "Discharges parted by at most this much rest are one.";
    cutoff_hold_second = 3.0, "s", "The voltage must stay at or below the cut-off for this.";
    cutoff_hold_samples = 3.0, "", "The voltage must be at or below the cut-off in this many rows.";
    cutoff_slow_row_second = 1.0, "s", "With rows slower than this one row below the cut-off is enough.";
    trip_collapse_percent = 50.0, "%", "A trip takes the voltage below this share of the voltage under load.";
    trip_samples = 2.0, "", "In a trip the current is gone within this many rows.";
    empty_cell_voltage_lfp_volt = 2.9, "V", "Lithium iron phosphate: a trip at or below this per cell means empty.";
    empty_cell_voltage_lithium_ion_volt = 3.1, "V", "4.2 V types: a trip at or below this per cell means empty.";
    knee_slope_factor = 10.0, "", "A trip means empty where the voltage fell this many times faster than in mid-run.";
    knee_window_second = 60.0, "s", "The slope at the end is taken over this.";
    check_settle_second = 60.0, "s", "The voltage of a resting pack is looked at for this long at the start.";
    check_sign_percent = 0.05, "%", "A smaller change of voltage as a load comes on says nothing about the sign.";
    check_power_percent = 2.0, "%", "Voltage times current may differ from the meter's power by this.";
    check_ammeters_percent = 3.0, "%", "A second ammeter may differ from the first by this.";
}
