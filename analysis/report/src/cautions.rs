//! What a person must know before a load or a charger goes on: one wording for
//! help, `start`, page and papers. It never replaces a qualified person.

/// The usual cautions, a sentence or two each.
pub const CAUTIONS: [&str; 5] = [
    "Put a fuse that protects the wiring near the positive terminal.",
    "Use switches, breakers and connectors rated for direct current at the pack's voltage.",
    "Leave no charge unattended without a cut-off that works on its own.",
    "Local codes and licensed practice come first.",
    "Ampledger records; it is no safety device.",
];

/// The cautions as one paragraph.
pub fn paragraph() -> String {
    CAUTIONS.join(" ")
}
