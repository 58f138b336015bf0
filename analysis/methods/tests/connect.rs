//! When a pack counts as connected, loaded, tripped, gone; when its test is
//! over. The limits are those of the rules' table (common practice, no source);
//! each has a case that meets it and one that just fails.

use ampledger_methods::{PackEvent, PackRule, PackWatch, Row, Setting};
use ampledger_types::Chemistry;

/// A bench where rows come every second.
struct Bench {
    watch: PackWatch,
    second: i64,
    events: Vec<PackEvent>,
}

impl Bench {
    fn new(setting: Setting) -> Bench {
        Bench { watch: PackWatch::new(setting), second: 0, events: Vec::new() }
    }

    /// A pack of 26.6 V that has been on the bench for a minute.
    fn with_pack() -> Bench {
        let mut bench = Bench::new(Setting::default());
        bench.read(60, 26.6, 0.0);
        bench.take();
        bench
    }

    /// The same reading for so many seconds.
    fn read(&mut self, seconds: i64, volt: f64, ampere: f64) -> &mut Bench {
        for _ in 0..seconds {
            self.second += 1;
            let row = Row {
                t_us: self.second * 1_000_000,
                voltage_volt: Some(volt),
                current_ampere: Some(ampere),
                ..Row::default()
            };
            self.events.extend(self.watch.push(&row));
        }
        self
    }

    /// Nothing is heard for so many seconds, and the clock is looked at.
    fn silence(&mut self, seconds: i64) -> &mut Bench {
        self.second += seconds;
        self.events.extend(self.watch.time(self.second * 1_000_000));
        self
    }

    /// What was told since the last time: rule and second since when.
    fn take(&mut self) -> Vec<(PackRule, i64)> {
        let told = std::mem::take(&mut self.events);
        told.iter().map(|event| (event.rule, event.since_us / 1_000_000)).collect()
    }
}

#[test]
fn a_voltage_that_settles_without_current_is_a_pack_from_its_first_reading() {
    let mut bench = Bench::new(Setting::default());
    bench.read(20, 0.2, 0.0).read(10, 26.6, 0.0);
    assert_eq!(bench.take(), [], "9 s from the first to the last reading");
    bench.read(1, 26.6, 0.0);
    assert_eq!(bench.take(), [(PackRule::Connected, 21)]);
    assert!(bench.watch.is_present());
}

#[test]
fn a_voltage_that_moves_by_more_than_half_a_percent_has_not_settled() {
    let mut bench = Bench::new(Setting::default());
    for _ in 0..10 {
        bench.read(5, 26.6, 0.0).read(5, 26.9, 0.0);
    }
    assert_eq!(bench.take(), [], "1.1 % apart");
    bench.read(5, 26.7, 0.0).read(10, 26.9, 0.0);
    assert_eq!(bench.take(), [(PackRule::Connected, 1)], "0.7 % apart is plus or minus 0.4 %");
}

#[test]
fn a_voltage_of_six_volts_is_no_pack_that_nobody_knows() {
    let mut bench = Bench::new(Setting::default());
    bench.read(60, 6.0, 0.0);
    assert_eq!(bench.take(), []);
    bench.read(11, 6.1, 0.0);
    assert_eq!(bench.take(), [(PackRule::Connected, 61)]);
}

#[test]
fn of_a_known_pack_the_cells_say_what_is_connected() {
    let known = |chemistry, cells| Setting {
        chemistry: Some(chemistry),
        cells_in_series: Some(cells),
        ..Setting::default()
    };
    for (setting, below, above) in [
        (known(Chemistry::LithiumIronPhosphate, 8), 16.0, 16.1),
        (known(Chemistry::LeadAcid, 6), 9.0, 9.1),
    ] {
        let mut bench = Bench::new(setting);
        bench.read(60, below, 0.0);
        assert_eq!(bench.take(), [], "{below} V");
        bench.read(11, above, 0.0);
        assert_eq!(bench.take(), [(PackRule::Connected, 61)], "{above} V");
    }
}

#[test]
fn a_pack_that_is_loaded_as_it_is_first_seen_begins_with_its_load() {
    let mut bench = Bench::new(Setting::default());
    bench.read(2, 26.0, -12.0);
    assert_eq!(bench.take(), [], "1 s from the first reading to the last");
    bench.read(1, 26.0, -12.0);
    assert_eq!(bench.take(), [(PackRule::LoadBegan, 1)]);
}

#[test]
fn a_current_up_to_a_quarter_ampere_is_no_load() {
    let mut bench = Bench::with_pack();
    bench.read(60, 26.6, -0.25);
    assert_eq!(bench.take(), []);
    bench.read(3, 26.6, -0.26);
    assert_eq!(bench.take(), [(PackRule::LoadBegan, 121)]);
}

#[test]
fn with_a_rating_a_hundredth_of_it_is_no_load() {
    let setting = Setting { rated_ah: Some(60.0), ..Setting::default() };
    let mut bench = Bench::new(setting);
    bench.read(60, 26.6, -0.6);
    assert_eq!(bench.take(), [(PackRule::Connected, 1)]);
    bench.read(3, 26.6, -0.61);
    assert_eq!(bench.take(), [(PackRule::LoadBegan, 61)]);
}

#[test]
fn a_charge_is_told_from_a_load() {
    let mut bench = Bench::with_pack();
    bench.read(3, 27.4, 12.0);
    assert_eq!(bench.take(), [(PackRule::ChargeBegan, 61)]);
}

#[test]
fn after_a_discharge_thirty_minutes_of_rest_end_the_test() {
    let mut bench = Bench::with_pack();
    bench.read(600, 25.9, -12.0).read(1800, 26.2, 0.0);
    assert_eq!(bench.take(), [(PackRule::LoadBegan, 61)], "1799 s of rest");
    bench.read(1, 26.2, 0.0);
    assert_eq!(bench.take(), [(PackRule::Ended, 661)]);
    bench.read(7200, 26.2, 0.0);
    assert_eq!(bench.take(), [], "it ends once");
    bench.read(3, 26.2, 5.0);
    assert_eq!(bench.take(), [(PackRule::ChargeBegan, 9662)], "the pack is still there");
}

#[test]
fn a_charge_and_a_rest_end_no_test() {
    let mut bench = Bench::with_pack();
    bench.read(600, 27.4, 12.0).read(7200, 26.9, 0.0);
    assert_eq!(bench.take(), [(PackRule::ChargeBegan, 61)]);
}

#[test]
fn a_charge_that_was_not_heard_for_a_while_and_a_rest_end_no_test() {
    let mut bench = Bench::with_pack();
    bench.read(600, 27.4, 12.0).silence(120).read(600, 27.6, 12.0).read(7200, 26.9, 0.0);
    let told: Vec<PackRule> = bench.take().into_iter().map(|(rule, _)| rule).collect();
    assert_eq!(told, [PackRule::ChargeBegan, PackRule::WentDark, PackRule::CameBack]);
}

#[test]
fn a_charge_that_is_not_heard_any_more_is_a_pack_that_is_gone() {
    let mut bench = Bench::with_pack();
    bench.read(600, 27.4, 12.0).silence(599);
    assert_eq!(bench.take(), [(PackRule::ChargeBegan, 61), (PackRule::WentDark, 660)]);
    bench.silence(1);
    assert_eq!(bench.take(), [(PackRule::Gone, 660)]);
}

#[test]
fn a_load_of_less_than_a_minute_ends_no_test_when_it_goes() {
    let mut bench = Bench::with_pack();
    bench.read(59, 25.9, -12.0).read(3600, 26.2, 0.0);
    assert_eq!(bench.take(), [(PackRule::LoadBegan, 61)]);
    bench.read(60, 25.9, -12.0).read(3600, 26.2, 0.0);
    assert_eq!(bench.take().last(), Some(&(PackRule::Ended, 3780)));
}

#[test]
fn current_and_voltage_gone_at_once_under_load_are_a_trip() {
    let mut bench = Bench::with_pack();
    bench.read(600, 21.0, -12.0).read(1, 3.0, -0.0);
    assert_eq!(bench.take(), [(PackRule::LoadBegan, 61), (PackRule::Tripped, 661)]);
    bench.read(600, 0.1, 0.0);
    assert_eq!(bench.take(), [], "after a trip no voltage does not mean gone");
    bench.read(5, 22.0, 0.0);
    assert_eq!(bench.take(), [(PackRule::CameBack, 1262)]);
    bench.read(1300, 22.0, 0.0);
    assert_eq!(bench.take(), [(PackRule::Ended, 661)]);
}

#[test]
fn a_voltage_that_keeps_above_half_is_no_trip() {
    let mut bench = Bench::with_pack();
    bench.read(600, 21.0, -12.0).read(60, 10.6, 0.0);
    assert_eq!(bench.take(), [(PackRule::LoadBegan, 61)]);
}

#[test]
fn a_current_that_goes_in_steps_is_no_trip() {
    let mut bench = Bench::with_pack();
    bench.read(600, 21.0, -12.0).read(2, 12.0, -4.0).read(60, 3.0, 0.0);
    assert_eq!(bench.take(), [(PackRule::LoadBegan, 61)]);
}

#[test]
fn a_trip_that_is_never_mended_ends_the_test_and_frees_the_bench() {
    let mut bench = Bench::with_pack();
    bench.read(600, 21.0, -12.0).read(1801, 0.1, 0.0);
    assert_eq!(bench.take().last(), Some(&(PackRule::Ended, 661)));
    assert!(!bench.watch.is_present());
    bench.read(11, 26.6, 0.0);
    assert_eq!(bench.take(), [(PackRule::Connected, 2462)], "the next pack");
}

#[test]
fn no_voltage_for_a_minute_at_rest_is_a_pack_that_is_gone() {
    let mut bench = Bench::with_pack();
    bench.read(60, 0.9, 0.0);
    assert_eq!(bench.take(), [], "59 s from the first to the last reading");
    bench.read(1, 0.9, 0.0);
    assert_eq!(bench.take(), [(PackRule::Gone, 61)]);
    let mut bench = Bench::with_pack();
    bench.read(600, 1.0, 0.0);
    assert_eq!(bench.take(), [], "1 V is not below it");
}

#[test]
fn ten_minutes_of_silence_at_rest_are_a_pack_that_is_gone() {
    let mut bench = Bench::with_pack();
    bench.silence(599);
    assert_eq!(bench.take(), []);
    bench.silence(1);
    assert_eq!(bench.take(), [(PackRule::Gone, 60)]);
    assert!(!bench.watch.is_present());
}

#[test]
fn silence_under_load_is_no_pack_that_is_gone() {
    let mut bench = Bench::with_pack();
    bench.read(600, 21.0, -12.0).silence(10);
    assert_eq!(bench.take(), [(PackRule::LoadBegan, 61)]);
    bench.silence(1);
    assert_eq!(bench.take(), [(PackRule::WentDark, 660)]);
    bench.silence(1788);
    assert_eq!(bench.take(), [], "1799 s");
    bench.silence(1);
    assert_eq!(bench.take(), [(PackRule::Ended, 660)]);
}

#[test]
fn a_discharge_that_goes_on_after_the_dark_is_one() {
    let mut bench = Bench::with_pack();
    bench.read(600, 25.0, -12.0).silence(900).read(60, 24.6, -12.0);
    let told = bench.take();
    assert_eq!(told[1..], [(PackRule::WentDark, 660), (PackRule::CameBack, 1561)]);
    bench.read(1801, 25.1, 0.0);
    assert_eq!(bench.take(), [(PackRule::Ended, 1621)]);
}

#[test]
fn what_comes_back_with_the_current_and_voltage_of_before_goes_on() {
    let back = |volt: f64, ampere: f64| {
        let mut bench = Bench::with_pack();
        bench.read(600, 25.0, -12.0).silence(60).read(1, volt, ampere);
        let told = bench.events.last().copied().unwrap();
        assert_eq!(told.rule, PackRule::CameBack);
        told.goes_on
    };
    assert!(back(24.76, -11.5), "1 % and 5 %");
    assert!(!back(24.74, -12.0), "another voltage");
    assert!(!back(25.0, -11.3), "another current");
    assert!(!back(25.6, 0.0), "no load");
    let mut bench = Bench::with_pack();
    bench.read(600, 21.0, -12.0).read(60, 0.1, 0.0).read(1, 21.0, -12.0);
    assert!(!bench.events.last().unwrap().goes_on, "after a trip it may be another pack");
}

#[test]
fn a_load_that_stopped_in_the_dark_rests_from_there() {
    let mut bench = Bench::with_pack();
    bench.read(600, 25.0, -12.0).silence(900).read(899, 25.6, 0.0);
    let told = bench.take();
    assert_eq!(told.last(), Some(&(PackRule::CameBack, 1561)));
    bench.read(1, 25.6, 0.0);
    assert_eq!(bench.take(), [(PackRule::Ended, 660)]);
}

#[test]
fn a_record_without_a_clock_to_look_at_tells_the_same() {
    let mut looked = Bench::with_pack();
    looked.read(600, 21.0, -12.0);
    let mut unlooked = Bench { watch: looked.watch.clone(), second: looked.second, events: vec![] };
    looked.take();
    looked.silence(1000).silence(1000).read(1, 26.6, 0.0);
    unlooked.second += 2000;
    unlooked.read(1, 26.6, 0.0);
    assert_eq!(looked.take(), unlooked.take());
}

#[test]
fn after_a_break_of_unknown_length_the_pack_is_taken_to_be_the_same() {
    let mut bench = Bench::with_pack();
    bench.read(600, 25.0, -12.0);
    bench.take();
    bench.watch.break_of_unknown_length();
    // Another boot, another clock.
    bench.second = 5;
    bench.read(60, 24.0, -12.0).read(1801, 25.0, 0.0);
    assert_eq!(bench.take(), [(PackRule::Ended, 66)]);
}

#[test]
fn what_is_known_from_elsewhere_is_taken_up() {
    let mut bench = Bench::new(Setting::default());
    bench.second = 1000;
    bench.watch.take_up(1_000_000_000, true);
    bench.read(1200, 25.0, 0.0);
    assert_eq!(bench.take(), [], "no pack is connected anew");
    bench.read(600, 25.0, 0.0);
    assert_eq!(bench.take(), [(PackRule::Ended, 1000)]);
}

#[test]
fn a_reading_that_decided_is_told() {
    let mut bench = Bench::with_pack();
    bench.read(3, 25.9, -12.0);
    let event = bench.events[0];
    assert_eq!((event.voltage_volt, event.current_ampere), (Some(25.9), Some(-12.0)));
    assert_eq!((event.since_us, event.at_us), (61_000_000, 63_000_000));
}
