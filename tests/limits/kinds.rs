//! What is watched beside readings, and what is said of limits.

use ampledger_types::alarm::LimitStanding;

use super::{TELL, limit, pack_low, program, told, until_standing};
use crate::util::{Bench, until};
use crate::yard::Yard;

#[test]
fn a_source_that_falls_silent_is_told_and_so_is_its_return() {
    let silent = "
[limits.mute]
kind = \"no-data\"
source = \"bench-shunt\"
silent_second = 1
";
    let mut yard = Yard::new(silent);
    yard.read(25.0, 0.0);
    assert_eq!(
        until_standing(&yard, "mute", LimitStanding::Within).standing,
        LimitStanding::Within
    );
    yard.fall_silent();
    let passed = until_standing(&yard, "mute", LimitStanding::Passed);
    assert_eq!(passed.sentence, "mute: nothing heard of bench-shunt for 1 s.");
    yard.read(25.0, 0.0);
    until_standing(&yard, "mute", LimitStanding::Within);
}

#[test]
fn a_target_and_the_end_of_a_discharge_are_told_with_how_the_session_stands() {
    let limits = "
[limits.some]
kind = \"target\"
discharged_ah = 1.0
actions = [\"tell\"]
[limits.done]
kind = \"end-of-discharge\"
source = \"bench-shunt\"
actions = [\"tell\"]
";
    let mut yard = Yard::at_rate(600.0, &(limits.to_owned() + TELL));
    program(&yard.bench, "");
    yard.bench.ampledger("start --pack GAL-07 --rated-ah 60 --cutoff-voltage 20").good();
    yard.read(25.4, -12.0);
    let find = |yard: &Yard, name: &str| told(&yard.bench).into_iter().find(|a| a.limit == name);
    // 12 A give 1 Ah in 5 min of the bench's time.
    let target = until("the target is told", || find(&yard, "some"));
    assert_eq!((target.pack.as_deref(), target.session), (Some("GAL-07"), Some(1)));
    assert!(target.value.is_some_and(|ah| ah >= 1.0), "{target:?}");
    assert!(target.sentence.contains(", target 1 Ah. GAL-07 is discharging: "), "{target:?}");
    assert_eq!(find(&yard, "done"), None, "it still runs");
    yard.read(19.9, -12.0);
    let done = until("the end is told", || find(&yard, "done"));
    assert!(done.sentence.starts_with("done: the discharge is over. GAL-07 "), "{done:?}");
}

#[test]
fn a_discharge_whose_line_was_lost_is_told_as_out_of_sight_and_not_as_over() {
    let limits = "
[sources.bench-shunt.instrument]
powered_by = \"something-else\"
[limits.done]
kind = \"end-of-discharge\"
actions = [\"tell\"]
";
    let mut yard = Yard::at_rate(100.0, &(limits.to_owned() + TELL));
    program(&yard.bench, "");
    yard.bench.ampledger("start --pack GAL-07 --rated-ah 60 --cutoff-voltage 20").good();
    yard.read_for(25.4, -12.0, 100);
    yard.fall_silent();
    let done =
        until("the end is told", || told(&yard.bench).into_iter().find(|a| a.limit == "done"));
    let lost = "done: the discharge is out of sight. GAL-07 was last read under load at 25.4 V: \
                the connection to bench-shunt was lost.";
    assert!(done.sentence.starts_with(lost), "{done:?}");
}

#[test]
fn every_target_is_told_once_it_is_reached() {
    let limits: String = [
        "discharged_ah = 1.0",
        "discharged_wh = 20.0",
        "falls_to_volt = 22.0",
        "charged_ah = 0.5",
        "charged_wh = 10.0",
        "rises_to_volt = 28.0",
        "lasted_second = 3600",
    ]
    .map(|target| {
        let name = target.split(' ').next().expect("a name");
        format!("[limits.{name}]\nkind = \"target\"\n{target}\n")
    })
    .concat();
    let mut yard = Yard::at_rate(600.0, &limits);
    yard.bench.ampledger("start --pack GAL-07 --rated-ah 60").good();
    let standing = |yard: &Yard, name: &str| limit(&yard.bench, name).standing;
    yard.read(25.0, -12.0);
    for name in ["discharged_ah", "discharged_wh"] {
        until_standing(&yard, name, LimitStanding::Passed);
    }
    assert_eq!(standing(&yard, "falls_to_volt"), LimitStanding::Within);
    yard.read(21.9, -12.0);
    until_standing(&yard, "falls_to_volt", LimitStanding::Passed);
    for name in ["charged_ah", "charged_wh", "rises_to_volt"] {
        assert_ne!(standing(&yard, name), LimitStanding::Passed, "{name}: nothing was charged");
    }
    yard.read(28.4, 12.0);
    for name in ["charged_ah", "charged_wh", "rises_to_volt", "lasted_second"] {
        until_standing(&yard, name, LimitStanding::Passed);
    }
}

#[test]
fn a_pack_that_is_taken_off_is_not_told_as_low_where_that_is_said() {
    let mut yard = Yard::new(&pack_low("", "absent_volt = 1.0"));
    yard.read_for(0.02, 0.0, 50);
    assert_eq!(limit(&yard.bench, "pack-low").standing, LimitStanding::Waiting);
    yard.read(25.0, 0.0);
    until_standing(&yard, "pack-low", LimitStanding::Within);
    yard.read(19.9, -12.0);
    until_standing(&yard, "pack-low", LimitStanding::Passed);
    yard.read(25.0, 0.0);
    until_standing(&yard, "pack-low", LimitStanding::Within);
    yard.read_for(0.02, 0.0, 50);
    assert_eq!(limit(&yard.bench, "pack-low").standing, LimitStanding::Within);
}

#[test]
fn a_disk_that_is_nearly_full_is_told() {
    let limits = "
[limits.disk]
kind = \"store-nearly-full\"
free_mebibyte = 1e12
";
    let yard = Yard::new(limits);
    let passed = until_standing(&yard, "disk", LimitStanding::Passed);
    assert!(passed.sentence.contains("are left for the record"), "{passed:?}");
}

#[test]
fn a_latched_limit_stays_until_somebody_has_seen_it() {
    let mut yard = Yard::new(&pack_low("", "latch = true"));
    yard.read(19.9, -12.0);
    until_standing(&yard, "pack-low", LimitStanding::Passed);
    yard.read(25.0, 0.0);
    assert_eq!(limit(&yard.bench, "pack-low").standing, LimitStanding::Passed);
    yard.bench.ampledger("limits acknowledge pack-low").good();
    assert_eq!(
        until_standing(&yard, "pack-low", LimitStanding::Within).standing,
        LimitStanding::Within
    );
}

#[test]
fn a_limit_that_is_set_wrong_is_told_and_leaves_the_others_alone() {
    let wrong = "
[limits.wrong]
kind = \"over-voltage\"
source = \"bench-shunt\"
ampere = 3.0
";
    let mut yard = Yard::new(&(pack_low("", "") + wrong));
    let refused = limit(&yard.bench, "wrong");
    assert_eq!(refused.standing, LimitStanding::Refused);
    assert!(refused.sentence.contains("`over-voltage` needs one of: volt"), "{refused:?}");
    let status = yard.bench.ampledger("status");
    assert!(status.out().contains("wrong is not watched"), "{}", status.out());
    yard.read(19.9, -12.0);
    until_standing(&yard, "pack-low", LimitStanding::Passed);
}

#[test]
fn help_says_that_this_is_no_safety_device() {
    let bench = Bench::new("");
    let help = bench.ampledger("limits --help");
    let help = help.out().split_whitespace().collect::<Vec<&str>>().join(" ");
    assert!(help.contains("This is no safety device."), "{help}");
    assert!(help.contains("protection in hardware first"), "{help}");
}
