//! Levels of the response and their effects.

use super::*;

/// A night of readings at an interval of 15 minutes, then twilight.
fn night(e: &mut Example, day: f64, light: impl Fn(u32) -> f64) {
    e.minute = 1440.0 * day;
    for k in 0..8 {
        e.minute += 14.0;
        e.observe(|e| (e.reading_with(light(k), -20.0, Flags::NONE), e.reduced(light(k), 0.0)));
    }
    e.observe(|e| (e.reading_with(1.0, -3.0, Flags::NONE), e.reduced(1.0, 0.0)));
}

#[test]
fn a_night_of_lamps_gives_a_level_at_dawn_unless_they_were_dimmed() {
    let mut e = Example::new("glasshouse", "");
    night(&mut e, 0.0, |_| 180.0);
    assert_eq!(e.monitors.response.levels.len(), 1);
    assert!((e.monitors.response.levels[0].level.level - 180.0_f64.ln()).abs() < 1e-12);
    night(&mut e, 1.0, |k| if k < 4 { 180.0 } else { 90.0 });
    night(&mut e, 2.0, |_| 2.0);
    assert_eq!(e.monitors.response.levels.len(), 1);
}

#[test]
fn a_loss_of_eleven_per_cent_under_lamps_is_flagged_after_two_nights() {
    let mut e = Example::new("glasshouse", "");
    (0..6).for_each(|d| night(&mut e, f64::from(d), |_| 180.0));
    assert_eq!(e.execute(), []);
    night(&mut e, 6.0, |_| 160.0);
    assert_eq!(e.execute(), []);
    night(&mut e, 7.0, |_| 160.0);
    let actions = e.execute();
    let interval = opened(&actions)[0];
    assert_eq!(interval.text, "response -11.8 % (limit 7 %)");
    assert_eq!(Some(interval.from), e.monitors.response.level_limit.exceeded_since);
    e.assert_invariant("after two nights");
}

#[test]
fn every_reading_of_the_check_source_gives_a_level() {
    let mut e = Example::new("lamp", "[instrument.schedule]\ncheck_source = \"0 0 2 * * *\"\n");
    for k in 1..4 {
        e.observe(|e| (e.reading_with(50.0, 10.0, Flags::from_iter([Flag::CheckSource])), e.reduced(50.0, 0.0)));
        assert_eq!(e.monitors.response.levels.len(), k);
        e.observe_light(700.0);
    }
}

#[test]
fn a_cleaning_step_is_reported_once() {
    let mut e = Example::new("glasshouse", "");
    (0..8).for_each(|d| night(&mut e, f64::from(d), |_| 170.0));
    (8..12).for_each(|d| night(&mut e, f64::from(d), |_| 180.0));
    let [text] = e.events()[..] else { panic!("{:?}", e.events()) };
    assert!(text.starts_with("the response rose by 5.7 % at ") && text.ends_with("as after cleaning"), "{text}");
    e.restart();
    night(&mut e, 12.0, |_| 180.0);
    assert_eq!(e.events().len(), 1);
}

#[test]
fn after_a_restart_the_samples_of_the_same_solar_day_are_used() {
    let e = Example::roof();
    let sample = |minutes: f64| Sample { time: at(minutes), ppfd: 1.0, elevation_deg: 50.0, azimuth_deg: 180.0 };
    let recent = vec![sample(-800.0), sample(-600.0), sample(-10.0)];
    let inputs = MonitorInputs { recent, ..inputs(&e.station, &e.instrument, &e.database, at(0.0)) };
    // Solar midnight was 11 h and 16 minutes of equation of time ago at most: -800 minutes is yesterday.
    assert_eq!(MonitorSet::new(inputs).levels.sample_count(), 2);
}
