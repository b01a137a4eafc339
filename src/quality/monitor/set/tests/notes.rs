//! Notes of the operator, and changes of the calibration.

use super::*;

fn note(class: NoteClass, instrument: Option<&str>, time: UtcMicros) -> Event {
    let instrument = instrument.map(str::to_owned);
    Event { time, until: None, instrument, kind: EventKind::Note(class), text: String::new() }
}

fn all_exceeded(kind: &str) -> Example {
    let mut e = Example::new(kind, "");
    for flag in FOLLOWED {
        e.exceed(flag, at(-30.0));
    }
    e.read();
    e.assert_invariant("before the note");
    e
}

fn open_flags(e: &Example) -> Vec<Flag> {
    FOLLOWED.into_iter().filter(|flag| !e.open_of(*flag).is_empty()).collect()
}

#[test]
fn a_note_of_cleaning_restarts_the_soiling_and_ends_no_interval() {
    let mut e = all_exceeded("roof");
    let when = e.now();
    e.monitors.observe_note(&note(NoteClass::Cleaned, None, when));
    assert_eq!((e.monitors.response.last_cleaned, e.monitors.response.clean_since), (Some(when), Some(when)));
    assert_eq!(e.read(), []);
}

#[test]
fn a_moved_instrument_restarts_response_and_obstruction_but_not_the_wavelength_scale() {
    let mut e = all_exceeded("roof");
    e.monitors.observe_note(&note(NoteClass::Moved, Some("south"), e.now()));
    e.read();
    assert_eq!(open_flags(&e), [Flag::WavelengthDrift]);
    e.assert_invariant("after the move");
}

#[test]
fn a_replaced_lamp_restarts_the_response_where_lamps_are_its_source() {
    let mut e = all_exceeded("glasshouse");
    e.monitors.observe_note(&note(NoteClass::LampReplaced, None, e.now()));
    e.read();
    assert_eq!(open_flags(&e), [Flag::WavelengthDrift, Flag::Obstructed]);
    let mut e = all_exceeded("roof");
    e.monitors.observe_note(&note(NoteClass::LampReplaced, None, e.now()));
    e.read();
    assert_eq!(open_flags(&e), FOLLOWED);
}

#[test]
fn the_lines_of_a_replaced_lamp_are_detected_again() {
    for (kind, features) in [("lamp", 0), ("roof", 1)] {
        let mut e = Example::new(kind, "");
        e.monitors.wavelength.drift.features = vec![Default::default()];
        e.monitors.observe_note(&note(NoteClass::LampReplaced, None, e.now()));
        assert_eq!(e.monitors.wavelength.drift.features.len(), features, "{kind}");
    }
}

#[test]
fn notes_of_other_instruments_and_of_servicing_change_no_monitor() {
    let mut e = all_exceeded("roof");
    let before = e.monitors.response.clone();
    e.monitors.observe_note(&note(NoteClass::Moved, Some("north"), e.now()));
    for class in [NoteClass::Servicing, NoteClass::ServicingOver, NoteClass::Other] {
        e.monitors.observe_note(&note(class, None, e.now()));
    }
    assert_eq!(e.monitors.response, before);
    assert_eq!(e.read(), []);
}

#[test]
fn a_note_that_was_observed_before_a_restart_is_not_observed_again() {
    let mut e = Example::roof();
    e.monitors.observe_note(&note(NoteClass::Moved, None, e.now()));
    e.monitors.set_notes_observed_to(17);
    e.read();
    e.restart();
    assert_eq!(e.monitors.notes_observed_to(), 17);
    // Without a stored reading the note is read again.
    e.monitors.observe_note(&note(NoteClass::Moved, None, e.now()));
    e.monitors.set_notes_observed_to(18);
    e.restart();
    assert_eq!(e.monitors.notes_observed_to(), 17);
}

#[test]
fn another_calibration_restarts_every_monitor_and_the_same_one_none() {
    let mut e = all_exceeded("roof");
    e.anomaly(50, 5000.0);
    e.exceed(Flag::DarkDrift, at(-30.0));
    e.read();
    e.monitors.observe_calibration(&e.calibration.clone(), e.now());
    assert_eq!(e.read(), []);
    e.assert_invariant("with the same calibration");
    e.calibration.id = "another".to_owned();
    let when = e.now();
    e.monitors.observe_calibration(&e.calibration.clone(), when);
    let actions = e.read();
    assert_eq!(actions.len(), 4, "{actions:?}");
    assert!(e.database.intervals.iter().all(|s| s.until.is_some()));
    for flag in FOLLOWED {
        let ended = e.database.intervals.iter().find(|s| s.flag == flag).unwrap();
        assert_eq!(ended.until, Some(when), "{flag:?}");
    }
    assert!(!e.monitors.dark_exceeded());
    assert_eq!(e.monitors.drift_estimates(when).wavelength_age_s, 0.0);
}
