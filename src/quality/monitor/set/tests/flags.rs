//! The intervals of wavelength, response and obstruction, which each follow one limit state.

use super::*;

#[test]
fn nothing_is_planned_while_every_monitor_is_within_its_limit() {
    let mut e = Example::roof();
    assert_eq!(e.read(), []);
    assert!(e.events().is_empty());
}

#[test]
fn a_drift_of_the_wavelength_scale_opens_one_interval_right_after_the_last_check_within_the_limit() {
    let mut e = Example::roof();
    let last = at(-30.0);
    e.exceed(Flag::WavelengthDrift, just_after(last));
    let actions = e.read();
    let [interval] = opened(&actions)[..] else { panic!("{actions:?}") };
    assert_eq!((interval.from, interval.until, interval.flag), (just_after(last), None, Flag::WavelengthDrift));
    assert_eq!(interval.instrument.as_deref(), Some("south"));
    assert_eq!(interval.text, "wavelength scale off by +0.31 ± 0.04 nm (limit 0.1)");
    let want = format!("wavelength_drift: {}, flagged from {} on", interval.text, interval.from);
    assert_eq!(e.events(), [want]);
}

#[test]
fn a_drift_that_lasts_has_one_interval() {
    let mut e = Example::roof();
    for flag in FOLLOWED {
        e.exceed(flag, at(-30.0));
    }
    assert_eq!(opened(&e.read()).len(), 3);
    for _ in 0..5 {
        assert_eq!(e.read(), []);
        e.assert_invariant("while it lasts");
    }
}

#[test]
fn a_reading_with_more_affected_quantities_widens_the_interval_and_one_with_fewer_does_not() {
    let mut e = Example::roof();
    e.exceed(Flag::WavelengthDrift, at(-30.0));
    e.observe(|e| (e.reading_with(DULL, 60.0, Flags::NONE), e.reduced(DULL, 0.0)));
    let actions = e.execute();
    let flat = opened(&actions)[0].clone();
    assert!(!flat.unaffected.is_empty());
    e.observe(|e| (e.reading_with(DULL, 60.0, Flags::NONE), e.reduced(DULL, 0.15)));
    let actions = e.execute();
    let [MonitorAction::Widen { id, from, unaffected }] = &actions[..] else { panic!("{actions:?}") };
    assert_eq!((*id, *from), (1, at(-30.0)));
    assert!(unaffected.len() < flat.unaffected.len() && unaffected.iter().all(|u| flat.unaffected.contains(u)));
    e.observe(|e| (e.reading_with(DULL, 60.0, Flags::NONE), e.reduced(DULL, 0.0)));
    assert_eq!(e.execute(), []);
    assert_eq!(&e.database.intervals[0].unaffected, unaffected);
}

#[test]
fn an_interval_ends_at_the_check_that_is_within_the_limit_again() {
    let mut e = Example::roof();
    for flag in FOLLOWED {
        e.exceed(flag, at(-30.0));
        e.read();
        let back = e.now();
        e.clear(flag, back);
        let actions = e.read();
        let [MonitorAction::End { until, report, .. }] = &actions[..] else { panic!("{actions:?}") };
        assert_eq!(*until, back);
        assert_eq!(report.text, format!("{}: within its limit again since {back}", flag.name()));
        e.assert_invariant("after the end");
        assert_eq!(e.read(), []);
    }
}

#[test]
fn a_limit_exceeded_again_opens_another_interval() {
    let mut e = Example::roof();
    for k in 1..=3 {
        e.exceed(Flag::ResponseDrift, e.now());
        e.read();
        e.clear(Flag::ResponseDrift, e.now());
        e.read();
        assert_eq!(e.database.intervals.len(), k);
    }
}

#[test]
fn a_lower_response_affects_linear_quantities_and_not_ratios_and_colours() {
    let mut e = Example::roof();
    e.exceed(Flag::ResponseDrift, at(-30.0));
    let actions = e.read();
    let interval = opened(&actions)[0];
    assert!(affects(interval, "ppfd") && affects(interval, "illuminance") && !affects(interval, "cct"), "{interval:?}");
}

#[test]
fn a_tilt_alone_opens_an_interval_of_the_response_with_its_own_text() {
    let mut e = Example::roof();
    let since = at(-3000.0);
    e.monitors.response.tilt_limit = LimitState { last_within_limit: None, exceeded_since: Some(since) };
    let actions = e.read();
    let interval = opened(&actions)[0];
    assert_eq!((interval.flag, interval.from), (Flag::ResponseDrift, since));
    assert!(interval.text.starts_with("the head is tilted by"), "{}", interval.text);
}

#[test]
fn a_second_cause_with_an_earlier_start_extends_the_interval() {
    let mut e = Example::roof();
    e.exceed(Flag::ResponseDrift, at(-30.0));
    e.read();
    e.monitors.response.tilt_limit = LimitState { last_within_limit: None, exceeded_since: Some(at(-3000.0)) };
    let actions = e.read();
    assert!(matches!(&actions[..], [MonitorAction::Widen { from, .. }] if *from == at(-3000.0)), "{actions:?}");
    e.assert_invariant("with two causes");
    // The interval lasts until both causes are over.
    e.clear(Flag::ResponseDrift, e.now());
    assert_eq!(e.read(), []);
    e.monitors.response.tilt_limit.check_passed(e.now());
    assert!(matches!(e.read()[..], [MonitorAction::End { .. }]));
}

#[test]
fn ninety_dark_minutes_under_a_high_sun_flag_all_quantities_until_two_bright_readings() {
    let mut e = Example::roof();
    e.observe_light(1500.0);
    let last_bright = e.now();
    let mut actions = Vec::new();
    while actions.is_empty() && e.minute < 200.0 {
        e.observe_light(20.0);
        actions = e.execute();
    }
    assert_eq!(e.minute, 91.0);
    let [interval] = opened(&actions)[..] else { panic!("{actions:?}") };
    assert_eq!((interval.flag, interval.from), (Flag::Obstructed, just_after(last_bright)));
    assert!(interval.unaffected.is_empty() && interval.text.starts_with("the optic is obstructed: 1."), "{interval:?}");
    e.observe_light(1500.0);
    assert_eq!(e.execute(), []);
    e.observe_light(1500.0);
    let actions = e.execute();
    assert!(matches!(&actions[..], [MonitorAction::End { until, .. }] if *until == e.now()), "{actions:?}");
}

#[test]
fn no_obstruction_is_detected_in_a_glasshouse_where_screens_close() {
    let mut e = Example::new("glasshouse", "");
    for _ in 0..200 {
        e.observe_light(1.0);
        assert_eq!(e.execute(), []);
    }
}

#[test]
fn readings_in_warm_up_or_with_a_fault_of_detector_or_shutter_are_not_observed() {
    let mut e = Example::roof();
    for flag in [Flag::Warming, Flag::RepeatedFrame, Flag::ShutterFault] {
        e.observe(|e| (e.reading_with(1500.0, 60.0, Flags::from_iter([flag])), e.reduced(1500.0, 0.0)));
    }
    assert_eq!(e.monitors.obstruction.latest, None);
    e.observe_light(1500.0);
    assert!(e.monitors.obstruction.latest.is_some());
}

#[test]
fn readings_of_the_check_source_are_not_used_as_station_light() {
    let mut e = Example::roof();
    e.observe(|e| (e.reading_with(1.0, 60.0, Flags::from_iter([Flag::CheckSource])), e.reduced(1.0, 0.0)));
    assert_eq!(e.monitors.obstruction.latest, None);
    assert!(e.monitors.response.levels.is_empty(), "no check source is configured");
}

#[test]
fn intervals_of_other_instruments_and_of_servicing_are_not_changed() {
    let mut e = Example::roof();
    let other = FlaggedInterval {
        id: 1,
        from: at(-100.0),
        until: None,
        instrument: Some("north".to_owned()),
        pixel: None,
        flag: Flag::WavelengthDrift,
        unaffected: vec![],
        text: String::new(),
    };
    let servicing =
        FlaggedInterval { id: 2, instrument: Some("south".to_owned()), flag: Flag::Servicing, ..other.clone() };
    e.database.intervals = vec![other, servicing];
    e.restart();
    assert_eq!(e.read(), []);
}

#[test]
fn open_intervals_are_applied_to_a_reading() {
    let mut e = Example::roof();
    e.exceed(Flag::ResponseDrift, at(-30.0));
    e.read();
    let mut reading = e.reading_with(1500.0, 60.0, Flags::NONE);
    e.monitors.apply_intervals(&mut reading);
    let ppfd = quantities::index_of("ppfd").unwrap();
    assert_eq!(reading.values[ppfd].verdict(), Some(Verdict::Suspect));
    assert!(reading.flags.has(Flag::ResponseDrift));
}
