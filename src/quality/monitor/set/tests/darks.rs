//! The drift of the dark: detected in darks; earlier readings are flagged once there is light.

use super::*;

fn model(rate: f32) -> DarkModel {
    DarkModel {
        offset: vec![1200.0; PIXELS],
        rate: vec![rate; PIXELS],
        reference_c: 23.0,
        offset_per_k: 0.0,
        rate_exponent_per_k: Some(0.1),
        exponent_uncertainty: 1e-3,
        covariance: [0.0; 3],
        temperature_range_c: (18.0, 28.0),
        integration_range_s: (0.01, 10.0),
        newest: at(0.0),
        darks: 24,
        light_lx: 0.0,
    }
}

/// A station whose dark has a baseline of 1200 counts and 20 counts/s.
fn with_baseline() -> Example {
    let mut e = Example::roof();
    e.monitors.observe_dark_model(7, &model(20.0), e.now());
    e.database.models.insert(7, model(20.0));
    e.read();
    e
}

/// A dark of 10 s, a minute later.
fn dark(e: &mut Example, counts: f64) -> Option<Event> {
    e.minute += 1.0;
    let frame = Frame {
        integration_s: 10.0,
        shutter: Shutter::Closed,
        temperature_c: Some(23.0),
        stamps: vec![Stamp { start: e.now(), crc32: 0 }],
        sums: vec![counts as u32; PIXELS],
        clipped: PixelRanges::default(),
        light_variation: 0.0,
        ripple: Vec::new(),
        rejected: Vec::new(),
    };
    let shielded: Vec<bool> = (0..PIXELS).map(|i| i < 4).collect();
    e.monitors.observe_dark(DarkObservation { frame: &frame, shielded: &shielded, noise: Some(&e.calibration.noise) })
}

/// The dark rate is double.
fn doubled(e: &mut Example) -> Option<Event> {
    dark(e, 1600.0)
}

#[test]
fn a_doubled_dark_rate_is_reported_with_the_second_such_dark_and_so_is_its_return() {
    let mut e = with_baseline();
    assert_eq!(dark(&mut e, 1400.0), None);
    assert_eq!(doubled(&mut e), None);
    assert!(!e.monitors.dark_exceeded());
    let event = doubled(&mut e).unwrap();
    assert!(event.text.starts_with("dark rate +100 %"), "{}", event.text);
    assert_eq!((event.kind, event.instrument.as_deref()), (EventKind::Drift, Some("south")));
    assert!(e.monitors.dark_exceeded());
    assert_eq!(doubled(&mut e), None, "it is reported once");
    assert_eq!(dark(&mut e, 1400.0).unwrap().text, "the dark is within its limits again");
    assert!(!e.monitors.dark_exceeded());
}

#[test]
fn readings_from_the_last_dark_within_the_limit_to_the_detection_are_flagged_in_one_ended_interval() {
    let mut e = with_baseline();
    dark(&mut e, 1400.0);
    let good = e.monitors.dark.drift.rate.last_within_limit.unwrap();
    doubled(&mut e);
    doubled(&mut e);
    let found = e.monitors.dark.found.unwrap();
    let actions = e.read();
    let [interval] = opened(&actions)[..] else { panic!("{actions:?}") };
    assert_eq!((interval.flag, interval.from, interval.until), (Flag::DarkDrift, just_after(good), Some(found)));
    assert!(affects(interval, "uv_index") && interval.pixel.is_none());
    for _ in 0..3 {
        doubled(&mut e);
        assert_eq!(e.read(), [], "flagged once");
    }
}

#[test]
fn the_effect_of_a_drift_of_the_dark_is_assessed_once_there_is_light() {
    let mut e = with_baseline();
    (0..2).for_each(|_| drop(doubled(&mut e)));
    e.observe_light(0.01);
    assert_eq!(e.execute(), []);
    e.observe_light(300.0);
    assert_eq!(opened(&e.execute()).len(), 1);
}

#[test]
fn without_light_the_effect_of_a_drift_of_the_dark_is_assessed_after_a_day() {
    let mut e = with_baseline();
    (0..2).for_each(|_| drop(doubled(&mut e)));
    e.minute += 1439.0;
    e.observe(|e| (e.reading_with(0.01, -20.0, Flags::NONE), e.reduced(0.01, 0.0)));
    assert_eq!(e.execute(), []);
    e.observe(|e| (e.reading_with(0.01, -20.0, Flags::NONE), e.reduced(0.01, 0.0)));
    assert_eq!(opened(&e.execute()).len(), 1);
}

#[test]
fn a_drift_of_the_dark_that_ends_before_there_is_light_flags_no_readings() {
    let mut e = with_baseline();
    (0..2).for_each(|_| drop(doubled(&mut e)));
    dark(&mut e, 1400.0);
    assert_eq!(e.read(), []);
}

#[test]
fn readings_before_the_detection_of_a_second_drift_are_flagged_as_well() {
    let mut e = with_baseline();
    for k in 1..=2 {
        dark(&mut e, 1400.0);
        (0..2).for_each(|_| drop(doubled(&mut e)));
        e.read();
        assert_eq!(e.database.intervals.len(), k);
        dark(&mut e, 1400.0);
    }
    assert!(e.database.intervals[1].from > e.database.intervals[0].until.unwrap());
}

#[test]
fn an_interval_that_was_stored_before_an_interruption_is_not_stored_again() {
    let mut e = with_baseline();
    (0..2).for_each(|_| drop(doubled(&mut e)));
    e.observe_light(1500.0);
    let actions = e.monitors.actions(e.now());
    e.database.write(&actions[0]);
    e.restart();
    assert!(e.monitors.dark_exceeded());
    assert_eq!(e.read(), []);
    assert_eq!(e.database.intervals.len(), 1);
}

#[test]
fn a_lost_baseline_of_single_pixels_is_replaced_by_the_next_dark_model() {
    let mut e = with_baseline();
    assert_eq!(e.monitors.pixels.drift.baseline, Some(7));
    e.restart();
    assert_eq!(e.monitors.pixels.drift.baseline, Some(7));
    e.database.models.clear();
    e.restart();
    assert_eq!(e.monitors.pixels.drift.baseline, None);
    e.monitors.observe_dark_model(9, &model(20.0), e.now());
    assert_eq!(e.monitors.pixels.drift.baseline, Some(9));
}

#[test]
fn single_pixels_are_not_tested_without_known_noise() {
    let mut e = with_baseline();
    let frame = Frame {
        integration_s: 10.0,
        shutter: Shutter::Closed,
        temperature_c: Some(23.0),
        stamps: vec![Stamp { start: e.now(), crc32: 0 }],
        sums: vec![1400; PIXELS],
        clipped: PixelRanges::default(),
        light_variation: 0.0,
        ripple: Vec::new(),
        rejected: Vec::new(),
    };
    e.monitors.observe_dark(DarkObservation { frame: &frame, shielded: &[false; PIXELS], noise: None });
    assert!(e.monitors.pixels.drift.checked.is_empty());
    let noise = Some(&e.calibration.noise);
    e.monitors.observe_dark(DarkObservation { frame: &frame, shielded: &[false; PIXELS], noise });
    assert_eq!(e.monitors.pixels.drift.checked.len(), 1);
}
