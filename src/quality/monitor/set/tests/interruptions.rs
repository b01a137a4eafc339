//! Interruptions between the decision and each of its writes.

use super::*;

/// All monitors exceed their limits at once.
fn all_exceeded() -> Example {
    let mut e = Example::roof();
    e.read();
    for flag in FOLLOWED {
        e.exceed(flag, at(-30.0));
    }
    e.exceed(Flag::DarkDrift, at(-30.0));
    e.anomaly(50, 5000.0);
    e.anomaly(60, 5000.0);
    e.observe_light(DULL);
    e
}

/// For every number of writes before the interruption.
#[test]
fn after_an_interruption_at_any_write_the_next_reading_restores_the_invariant() {
    let planned = all_exceeded().monitors.actions(at(2.0)).len();
    assert_eq!(planned, 6);
    for written in 0..=planned {
        let mut e = all_exceeded();
        for action in e.monitors.actions(e.now()).iter().take(written) {
            e.database.write(action);
        }
        e.restart();
        e.observe_light(1.2 * DULL);
        e.execute();
        e.assert_invariant(&format!("interrupted after {written} writes"));
        let dark = e.database.intervals.iter().filter(|s| s.flag == Flag::DarkDrift).count();
        assert_eq!(dark, 1, "interrupted after {written} writes: one interval of the dark");
        assert_eq!(e.read(), [], "interrupted after {written} writes: nothing remains to be done");
    }
}

#[test]
fn after_an_interruption_between_ends_the_next_reading_restores_the_invariant() {
    let mut planned = 1;
    let mut written = 0;
    while written <= planned {
        let mut e = all_exceeded();
        e.execute();
        for flag in FOLLOWED {
            e.clear(flag, e.now());
        }
        e.monitors.pixels.drift.anomalies.clear();
        e.observe_light(DULL);
        let actions = e.monitors.actions(e.now());
        planned = actions.len();
        for action in &actions[..written.min(planned)] {
            e.database.write(action);
        }
        e.restart();
        e.read();
        e.assert_invariant(&format!("interrupted after {written} ends"));
        assert!(e.database.intervals.iter().all(|s| s.until.is_some()));
        written += 1;
    }
    assert_eq!(planned, 5);
}

#[test]
fn an_action_that_could_not_be_written_is_planned_again() {
    let mut e = all_exceeded();
    let first = e.monitors.actions(e.now());
    assert_eq!(e.monitors.actions(e.now()), first, "planning changes nothing");
    e.observe_light(DULL);
    assert_eq!(opened(&e.monitors.actions(e.now())).len(), opened(&first).len());
    // A full database took only the first.
    let id = e.database.write(&first[0]);
    e.monitors.applied(first[0].clone(), id);
    assert_eq!(e.monitors.actions(e.now()).len(), first.len() - 1);
}

#[test]
fn an_open_interval_whose_monitor_is_within_its_limit_is_ended_by_the_next_reading() {
    let mut e = all_exceeded();
    let actions = e.monitors.actions(e.now());
    for action in &actions {
        e.database.write(action);
    }
    // Their saved states are lost.
    e.database.states.clear();
    e.restart();
    e.read();
    e.assert_invariant("with the states lost");
    assert!(e.database.intervals.iter().all(|s| s.until.is_some()));
}

#[test]
fn a_restart_restores_every_state() {
    let mut e = all_exceeded();
    e.execute();
    e.read();
    let before: Vec<_> =
        [Flag::WavelengthDrift, Flag::ResponseDrift, Flag::Obstructed, Flag::DarkDrift, Flag::PixelFault]
            .map(|flag| e.monitors.limit_state(flag))
            .to_vec();
    let (drift, reported) = (e.monitors.drift_estimates(e.now()), e.monitors.reported.clone());
    e.restart();
    let after: Vec<_> =
        [Flag::WavelengthDrift, Flag::ResponseDrift, Flag::Obstructed, Flag::DarkDrift, Flag::PixelFault]
            .map(|flag| e.monitors.limit_state(flag))
            .to_vec();
    assert_eq!(before, after);
    assert_eq!((e.monitors.drift_estimates(e.now()), &e.monitors.reported), (drift, &reported));
    assert_eq!(e.read(), []);
}

#[test]
fn states_are_saved_with_the_first_reading_after_changes_and_every_ten_minutes() {
    let mut e = Example::roof();
    let mut stored = Vec::new();
    for minute in 0..24 {
        e.minute += 1.0;
        if minute == 5 {
            e.exceed(Flag::ResponseDrift, e.now());
        }
        let record = e.monitors.reading_record(e.now());
        if !record.states.is_empty() {
            stored.push((minute, record.states.len()));
        }
    }
    assert_eq!(stored, [(0, 7), (5, 6), (15, 4)]);
}

#[test]
fn an_event_that_could_not_be_stored_is_stored_with_the_next_reading() {
    let mut e = all_exceeded();
    let action = e.monitors.actions(e.now()).remove(0);
    let event = action.report().unwrap().clone();
    e.monitors.report_with_next_reading(event.clone());
    assert_eq!(e.monitors.reading_record(e.now()).events, [event]);
    assert_eq!(e.monitors.reading_record(e.now()).events, []);
}
