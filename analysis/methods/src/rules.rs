//! Every setting of the methods in one table: name, default, unit, meaning.
//! Values are trade judgement (common practice, no source), never a standard's.

use ampledger_types::Chemistry;
pub use ampledger_types::CutoffRule;
use ampledger_types::result::RuleUsed;

use crate::offset::ZeroLeft;

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
    /// Limit of the current's gain error, % of the reading.
    pub current_gain_percent: Option<f64>,
    /// Smallest step of the voltage reading, V.
    pub voltage_resolution: Option<f64>,
    /// Limit of the voltage's gain error, % of the reading.
    pub voltage_gain_percent: Option<f64>,
    /// Limit of the voltage's offset, V.
    pub voltage_offset: Option<f64>,
    /// Change of the shunt with temperature, ppm/K.
    pub shunt_ppm_per_kelvin: Option<f64>,
    /// How far the shunt may be from the temperature of its calibration, K.
    pub shunt_rise_kelvin: Option<f64>,
    /// Limit of the gain error of the power on the far side of an inverter, %.
    pub far_gain_percent: Option<f64>,
    /// Limit of its offset, W.
    pub far_offset_watt: Option<f64>,
    /// Nobody knows that distance: the rule's is taken.
    pub shunt_rise_is_assumed: bool,
    /// What is left of the current's offset once a zero is applied.
    pub zero_left: Option<ZeroLeft>,
    /// Whether the meter's readings are averages; `None` where not stated.
    pub reading_is_average: Option<bool>,
    /// The voltage the pack is charged to, V.
    pub charge_voltage_volt: Option<f64>,
    /// A person, or the pack's own serial number read on both sides of a dark
    /// stretch, says that it is the same pack.
    pub is_custody_confirmed: bool,
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
    counter_share = 0.005, "", "The instrument's own counter may differ from its readings by this share, or by their uncertainty if that is less.";
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
    stuck_dwell_factor = 5.0, "", "A channel is not stuck before this times the longest stand-still but one that it moved on from.";
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
    connect_lithium_volt = 2.0, "V", "Lithium: below this per cell no pack is connected.";
    connect_lead_volt = 1.5, "V", "Lead-acid: below this per cell no pack is connected.";
    connect_unknown_volt = 6.0, "V", "Below this no pack is connected, where its cells are not known.";
    connect_none_volt = 1.0, "V", "Below this nothing is connected at all.";
    connect_settle_percent = 0.5, "%", "A pack is connected once its voltage keeps within this, up and down.";
    connect_settle_second = 10.0, "s", "It keeps within that for this long, with no current.";
    connect_load_ampere = 0.25, "A", "Without a rating, a current above this is a load or a charge.";
    gone_low_second = 60.0, "s", "A pack is gone once nothing is connected for this long, but for a trip.";
    back_voltage_percent = 1.0, "%", "The run of before goes on after a silence if its voltage is within this of what it was.";
    back_current_percent = 5.0, "%", "The run of before goes on after a silence if its current is within this of what it was.";
    gone_dark_second = 600.0, "s", "A resting pack of which nothing is heard for this long is gone.";
    close_load_second = 60.0, "s", "A load that lasted less than this ends no test when it goes.";
    close_rest_second = 1800.0, "s", "A test is over once the pack has rested for this long after its discharge.";
    check_settle_second = 60.0, "s", "The voltage of a resting pack is looked at for this long at the start.";
    check_sign_percent = 0.05, "%", "A smaller change of voltage as a load comes on says nothing about the sign.";
    check_power_percent = 2.0, "%", "Voltage times current may differ from the meter's power by this.";
    check_ammeters_percent = 3.0, "%", "A second ammeter may differ from the first by this.";
    clock_ppm = 100.0, "ppm", "A clock may run fast or slow by this.";
    full_bulk_second = 600.0, "s", "A proving charge shows its current on this channel for at least this.";
    full_bulk_divisor_hour = 20.0, "h", "Lithium: that current is at least the rating divided by this.";
    full_voltage_percent = 0.5, "%", "Lithium: a charge has come to its voltage within this (or the voltage's uncertainty).";
    full_taper_divisor_hour = 20.0, "h", "Lithium: a taper is finished at the rating divided by this.";
    full_taper_better_divisor_hour = 30.0, "h", "Lithium: a taper down to the rating divided by this is better.";
    full_hold_second = 300.0, "s", "Lithium: voltage and finished taper are held for this.";
    full_step_percent = 50.0, "%", "A current that falls by more than this of itself between two readings does not taper.";
    full_lead_voltage_percent = 1.0, "%", "Lead-acid: the absorption voltage is met within this.";
    full_lead_tail_percent = 2.0, "%", "Lead-acid: the current at the end is at most this share of C20 an hour.";
    full_lead_change_percent = 10.0, "%", "Lead-acid: or it changes by less than this.";
    full_lead_change_second = 7200.0, "s", "Lead-acid: over this long.";
    full_lead_hold_second = 3600.0, "s", "Lead-acid: voltage and current are held for this.";
    full_rest_lithium_least_second = 1800.0, "s", "Lithium: rest between charge and load, at least.";
    full_rest_lithium_most_second = 86400.0, "s", "Lithium: rest between charge and load, at most.";
    full_rest_lead_least_second = 3600.0, "s", "Lead-acid: rest between charge and load, at least.";
    full_rest_lead_most_second = 86400.0, "s", "Lead-acid: rest between charge and load, at most.";
    full_drawn_percent = 0.1, "%", "More than this share of the rating drawn between charge and load is something drawn.";
    rested_lfp_low_volt = 3.32, "V", "Lithium iron phosphate: a full cell rests at least here.";
    rested_lfp_high_volt = 3.60, "V", "Lithium iron phosphate: a full cell rests at most here.";
    rested_lithium_ion_low_volt = 4.10, "V", "4.2 V types: a full cell rests at least here.";
    rested_lead_low_volt = 2.11, "V", "Lead-acid: a full cell rests at least here.";
    rested_lead_high_volt = 2.20, "V", "Lead-acid: a full cell rests at most here.";
    proven_gap_second = 10.0, "s", "Nothing is proven over a longer gap.";
    proven_gap_percent = 0.2, "%", "Nothing is proven where all gaps at the highest current could be more than this of it.";
    proven_ripple_percent = 5.0, "%", "Readings that scatter by more than this need a stated averaging.";
    shunt_unknown_rise_kelvin = 20.0, "K", "Where the meter's temperature is not recorded, it is taken to be up to this far from that of its calibration.";
    zero_settle_second = 60.0, "s", "Before an offset is taken the lead is disconnected for this.";
    zero_least_second = 60.0, "s", "An offset is taken over at least this.";
    zero_least_samples = 60.0, "", "An offset is taken over at least this many readings.";
    zero_range_percent = 1.0, "%", "A larger share of the meter's range is a current, no offset.";
    zero_unranged_ampere = 0.5, "A", "Where the meter's range is not stated, a larger reading is a current, no offset.";
    zero_drift_errors = 3.0, "", "An offset that drifts by more than this many standard errors is refused.";
    zero_age_second = 86400.0, "s", "An offset older than this is provisional.";
    zero_apart_kelvin = 10.0, "K", "An offset taken further than this from the run's temperature is provisional.";
    step_divisor_hour = 10.0, "h", "Resistance needs a step of current of the rating divided by this.";
    step_resolution_steps = 20.0, "", "Resistance needs a step of voltage of this many steps of its resolution.";
    step_interval_share = 0.5, "", "Readings come within this share of the read-out delay.";
    step_skew_second = 0.05, "s", "Voltage and current are of one moment within this.";
    step_short_second = 1.0, "s", "First delay at which a resistance is read.";
    step_middle_second = 10.0, "s", "Second delay at which a resistance is read.";
    step_long_second = 30.0, "s", "Third delay at which a resistance is read.";
    step_before_second = 5.0, "s", "What was before a step is the mean over this.";
    step_settled_percent = 10.0, "%", "Before and after a step the current stays within this share of it.";
    peukert_rates = 3.0, "", "Peukert's exponent needs this many rates.";
    peukert_span = 4.0, "", "The highest of them is at least this times the lowest.";
    efficiency_offset_percent = 0.3, "%", "Where the offset can be more than this, the last percent is not claimed.";
    efficiency_voltage_percent = 0.5, "%", "Both ends of a cycle are at the same voltage within this.";
    efficiency_current_percent = 20.0, "%", "Both ends of a cycle are at the same current within this.";
    lead_lambda_per_kelvin = 0.006, "1/K", "Lead-acid: change of capacity with temperature, at the 10 h and 20 h rates.";
    lead_lambda_fast_per_kelvin = 0.01, "1/K", "Lead-acid: change of capacity with temperature, at rates of 3 h and shorter.";
    lead_fast_hour = 3.0, "h", "Lead-acid: a run up to this long takes the second of them.";
    lead_reference_celsius = 20.0, "°C", "Lead-acid: the temperature capacities are corrected to.";
    basis_current_percent = 5.0, "%", "A test is at its rating's rate within this.";
    basis_voltage_percent = 1.0, "%", "A test ends at its rating's voltage within this.";
    verdict_new_percent = 100.0, "%", "A new pack passes with this share of its rating.";
    verdict_used_percent = 80.0, "%", "A used pack passes with this share of its rating.";
    verdict_low_celsius = 20.0, "°C", "A verdict needs the pack at least this warm.";
    verdict_high_celsius = 30.0, "°C", "A verdict needs the pack at most this warm.";
    verdict_soak_kelvin = 2.0, "K", "A pack has taken on its temperature once it moves by no more than this.";
    verdict_soak_second = 3600.0, "s", "Over this long.";
    verdict_calibration_day = 365.0, "d", "A verdict needs a calibration not older than this.";
    inverter_pairs = 30.0, "", "The line of an inverter needs this many pairs of readings.";
    inverter_steady_percent = 5.0, "%", "Two sides of an inverter are compared where neither moves by more than this from reading to reading.";
    inverter_span = 2.0, "", "The highest load of an inverter's line is at least this times the lowest.";
    self_discharge_least_day = 1.0, "d", "Self-discharge is not read over a shorter stand.";
    incremental_step_volt = 0.005, "V", "Incremental capacity: width of a step of voltage per cell.";
    incremental_smooth_steps = 2.0, "", "Incremental capacity: steps each way that a value is smoothed over.";
    incremental_divisor_hour = 20.0, "h", "Incremental capacity: a higher rate than the rating divided by this moves and blunts the peaks.";
    incremental_peak_percent = 10.0, "%", "Incremental capacity: a peak stands out by this share of the highest.";
    to_empty_window_second = 300.0, "s", "Time to empty takes the load as it was over this.";
    to_empty_rating_percent = 20.0, "%", "Time to empty: a capacity known only by its rating may differ by this.";
    to_empty_measured_percent = 5.0, "%", "Time to empty: a capacity proven earlier may differ by this now, twice this if it was not proven.";
}
