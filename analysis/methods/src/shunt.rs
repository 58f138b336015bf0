//! A shunt by its plate: resistance, current from a voltage, and what heat does
//! to it. For checking a configured scale; nothing here is streaming.

/// Resistance of a shunt by its rated current and drop, Ω.
pub fn ohm(rated_ampere: f64, rated_volt: f64) -> f64 {
    rated_volt / rated_ampere
}

/// Relative change of resistance with a rise of temperature.
pub fn relative_change(ppm_per_kelvin: f64, rise_kelvin: f64) -> f64 {
    ppm_per_kelvin * 1e-6 * rise_kelvin
}

/// What a thermal voltage at its joints reads as, A.
pub fn thermal_ampere(volt_per_kelvin: f64, difference_kelvin: f64, ohm: f64) -> f64 {
    volt_per_kelvin * difference_kelvin / ohm
}
