//! An unfinished computation changes nothing; its activation changes only readings with values of it.

use super::*;

/// Ten readings a minute apart.
fn ten(s: &TestDatabase) {
    for k in 0..10 {
        s.commit(NOON.plus_seconds(60.0 * f64::from(k))).unwrap();
    }
}

fn begin(s: &TestDatabase, text: &str) -> OpenComputation {
    s.store.begin_computation(text, NOON).unwrap()
}

/// Stores values that identify their computation: ppfd is 1000 × its id.
fn add_values(s: &TestDatabase, computation: i64, ids: impl IntoIterator<Item = i64>) {
    let values = |id| {
        let mut reading = reading(NOON);
        reading.id = id;
        let value = 1000.0 * computation as f64;
        reading.values[0] = QuantityValue::Value { value, uncertainty: 1.0, verdict: Verdict::Good };
        NewValues { reading, calibration: s.made_with.calibration }
    };
    s.store.add_values(computation, &ids.into_iter().map(values).collect::<Vec<_>>()).unwrap();
}

fn activate(s: &TestDatabase, computation: i64) -> ActivationSummary {
    let activation = s.store.plan_activation(computation).unwrap().unwrap();
    let kind = EventKind::Recomputed;
    let event = Event { time: NOON, until: None, instrument: None, kind, text: "recomputed".into() };
    s.store.activate(&activation, &event).unwrap();
    activation.summary
}

/// The active computation of each reading.
fn active(s: &TestDatabase) -> Vec<i64> {
    let readings = s.store.readings(UtcMicros(i64::MIN), UtcMicros(i64::MAX)).unwrap();
    readings.map(|r| r.unwrap().made_with.computation).collect()
}

fn runs(s: &TestDatabase) -> Vec<(i64, i64)> {
    let shell = s.shell();
    let mut statement = shell.prepare("SELECT first_reading, computation FROM active_values ORDER BY 1").unwrap();
    statement.query_map([], |row| Ok((row.get(0)?, row.get(1)?))).unwrap().map(Result::unwrap).collect()
}

/// Before the activation nothing changes; afterwards recomputed values are active, and other readings keep their values. A run
/// begins where the computation changes.
#[test]
fn activation_changes_recomputed_readings_and_nothing_else() {
    let s = TestDatabase::new();
    ten(&s);
    let live = s.made_with.computation;
    let new = begin(&s, "recomputation").id;
    add_values(&s, new, [3, 4, 5, 7, 8]);
    assert_eq!(active(&s), [live; 10]);
    assert_eq!(s.store.unfinished_computations().unwrap(), [new]);
    let summary = activate(&s, new);
    assert_eq!(summary.readings, 5);
    assert_eq!(summary.span, (NOON.plus_seconds(120.0), NOON.plus_seconds(420.0)));
    assert_eq!(active(&s), [live, live, new, new, new, live, new, new, live, live]);
    assert_eq!(runs(&s), [(1, live), (3, new), (6, live), (7, new), (9, live)]);
    assert_eq!(s.store.latest_events(1).unwrap()[0].kind, EventKind::Recomputed);
    // A second computation over all readings leaves one run, and its end.
    let third = begin(&s, "second recomputation").id;
    add_values(&s, third, 1..=10);
    activate(&s, third);
    assert_eq!(runs(&s), [(1, third), (11, live)]);
    // Earlier values can still be read.
    let reader = Reader::open(&s.path()).unwrap().with_computation(Some(new));
    let values: Vec<_> =
        reader.readings(NOON, UtcMicros(i64::MAX)).unwrap().map(|r| r.unwrap().reading.values).collect();
    assert_eq!(values[0][0], QuantityValue::Null(format!("no value in computation {new}")));
    assert_eq!(values[2][0].value(), Some(1000.0 * new as f64));
}

/// Readings stored during a recomputation, between planning and activation, and afterwards keep their own values.
#[test]
fn readings_stored_during_a_recomputation_keep_their_values() {
    let s = TestDatabase::new();
    ten(&s);
    let live = s.made_with.computation;
    let new = begin(&s, "recomputation").id;
    add_values(&s, new, 1..=10);
    s.commit(NOON.plus_seconds(600.0)).unwrap();
    let activation = s.store.plan_activation(new).unwrap().unwrap();
    s.commit(NOON.plus_seconds(660.0)).unwrap();
    let kind = EventKind::Recomputed;
    let event = Event { time: NOON, until: None, instrument: None, kind, text: String::new() };
    s.store.activate(&activation, &event).unwrap();
    s.commit(NOON.plus_seconds(720.0)).unwrap();
    assert_eq!(active(&s)[8..], [new, new, live, live, live]);
    // The other order: no reading is stored before the activation.
    let newest = begin(&s, "second recomputation").id;
    add_values(&s, newest, 1..=13);
    activate(&s, newest);
    s.commit(NOON.plus_seconds(780.0)).unwrap();
    assert_eq!(active(&s)[11..], [newest, newest, live]);
    // A daemon of another version begins a new run.
    let made_with = MadeWith { computation: s.store.register_computation("registry 2", NOON).unwrap(), ..s.made_with };
    let s = TestDatabase { made_with, ..s };
    s.commit(NOON.plus_seconds(840.0)).unwrap();
    assert_eq!(active(&s)[13..], [live, made_with.computation]);
}

/// Two instruments with interleaved readings have separate runs.
#[test]
fn instruments_have_separate_runs() {
    let mut s = TestDatabase::new();
    let first = s.made_with;
    let d = detector();
    let new = NewInstrument { name: "other", serial: "VB-0002", identity: "", detector: &d };
    let instrument = s.store.register_instrument(&new, NOON).unwrap();
    let second = MadeWith { instrument, ..first };
    for k in 0..10 {
        s.made_with = if k % 2 == 0 { first } else { second };
        s.commit(NOON.plus_seconds(60.0 * f64::from(k))).unwrap();
    }
    let new = begin(&s, "recomputation").id;
    add_values(&s, new, [3, 5, 7]);
    activate(&s, new);
    let live = first.computation;
    assert_eq!(active(&s), [live, live, new, live, new, live, new, live, live, live]);
}

/// An unfinished computation is continued while it is the newest; others are deleted in parts; an active one is never deleted.
#[test]
fn an_unfinished_computation_is_continued_or_deleted() {
    let s = TestDatabase::new();
    ten(&s);
    let one = begin(&s, "recomputation");
    assert_eq!(one.last, None);
    add_values(&s, one.id, 1..=4);
    assert_eq!(begin(&s, "recomputation"), OpenComputation { last: Some(4), ..one });
    let other = begin(&s, "another");
    assert_ne!(other.id, one.id);
    assert_ne!(begin(&s, "recomputation").id, one.id, "it is no longer the newest");
    assert!(!s.store.drop_computation(one.id, 3).unwrap());
    assert!(s.store.drop_computation(one.id, 3).unwrap());
    assert!(s.store.computation(one.id).unwrap().is_none());
    assert!(s.store.drop_computation(s.made_with.computation, 100).unwrap());
    assert_eq!(active(&s), [s.made_with.computation; 10]);
    assert!(s.store.plan_activation(other.id).unwrap().is_none(), "it has no values");
}

/// The list states the values of each computation and for how many readings it is active.
#[test]
fn computations_are_listed_with_their_values() {
    let s = TestDatabase::new();
    ten(&s);
    let new = begin(&s, "recomputation").id;
    add_values(&s, new, 3..=5);
    let list = |s: &TestDatabase| -> Vec<(i64, bool, u64, u64)> {
        let rows = s.store.computation_summaries().unwrap();
        rows.into_iter().map(|c| (c.made.id, c.finished, c.readings, c.active_for)).collect()
    };
    let live = s.made_with.computation;
    assert_eq!(list(&s), [(live, true, 10, 10), (new, false, 3, 0)]);
    activate(&s, new);
    assert_eq!(list(&s), [(live, true, 10, 7), (new, true, 3, 3)]);
    let row = s.store.computation_summaries().unwrap().pop().unwrap();
    assert_eq!(row.span, Some((NOON.plus_seconds(120.0), NOON.plus_seconds(240.0))));
    assert_eq!(row.calibrations, ["lab-7"]);
}

/// A calibration for recomputation does not become active for the daemon; the daemon may activate it later, which is an event.
#[test]
fn a_calibration_for_recomputation_is_not_active() {
    let s = TestDatabase::new();
    let i = s.made_with.instrument;
    let added = s.store.register_calibration_for_recomputation(i, "lab-8", "[calibration] # 8", None).unwrap();
    assert_eq!(s.store.register_calibration_for_recomputation(i, "lab-8", "[calibration] # 8", None).unwrap(), added);
    let own = s.made_with.calibration.unwrap();
    assert_eq!(s.store.register_calibration(i, "lab-7", "[calibration]", None, NOON).unwrap(), own);
    assert_eq!(s.store.register_calibration_for_recomputation(i, "lab-7", "[calibration]", None).unwrap(), own);
    assert!(s.store.latest_events(1).unwrap().is_empty());
    assert_eq!(s.store.register_calibration(i, "lab-8", "[calibration] # 8", None, NOON).unwrap(), added);
    assert_eq!(s.store.latest_events(1).unwrap()[0].kind, EventKind::CalibrationChanged);
}

/// An activation of 20 000 runs takes less than the limit of a transaction, 200 ms.
#[test]
fn activating_many_runs_takes_a_short_transaction() {
    let s = TestDatabase::new();
    let shell = s.shell();
    // 20 000 readings without frames, every other one recomputed.
    shell
        .execute_batch(
            "BEGIN; WITH RECURSIVE n(k) AS (SELECT 1 UNION ALL SELECT k + 1 FROM n WHERE k < 20000)
             INSERT INTO reading(time_start, time_mid, time_end, instrument, configuration, exposures, flags,
                 acquisition_context)
             SELECT k, k, k, 1, 1, '[]', 0, 0 FROM n;
             INSERT INTO active_values VALUES (1, 1, 1);
             INSERT INTO value(id, flags) SELECT 1 << 40 | id, 0 FROM reading; COMMIT",
        )
        .unwrap();
    let new = begin(&s, "recomputation").id;
    shell.execute("INSERT INTO value(id, flags) SELECT ?1 << 40 | id, 0 FROM reading WHERE id % 2 = 0", [new]).unwrap();
    let started = std::time::Instant::now();
    let activation = s.store.plan_activation(new).unwrap().unwrap();
    let planning = started.elapsed();
    let event = Event { time: NOON, until: None, instrument: None, kind: EventKind::Recomputed, text: String::new() };
    let started = std::time::Instant::now();
    s.store.activate(&activation, &event).unwrap();
    let took = started.elapsed();
    println!("20 000 runs planned in {planning:.1?}, written in {took:.1?}");
    assert_eq!(runs(&s).len(), 20_001);
    assert!(took.as_millis() < 200, "{took:?}");
}
