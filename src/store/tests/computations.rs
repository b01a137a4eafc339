//! A computation that is filled changes nothing until the switch, and then only what it has values of.

use super::*;

/// Ten readings a minute apart.
fn ten(s: &Station) {
    for k in 0..10 {
        s.commit(NOON.plus_seconds(60.0 * f64::from(k))).unwrap();
    }
}

fn begin(s: &Station, text: &str) -> Begun {
    s.store.begin_computation(text, NOON).unwrap()
}

/// Values that tell themselves: ppfd is 1000 × the computation.
fn fill(s: &Station, computation: i64, ids: impl IntoIterator<Item = i64>) {
    let values = |id| {
        let mut reading = reading(NOON);
        reading.id = id;
        let value = 1000.0 * computation as f64;
        reading.values[0] = QuantityValue::Value { value, uncertainty: 1.0, verdict: Verdict::Good };
        NewValues { reading, calibration: s.made_with.calibration }
    };
    s.store.add_values(computation, &ids.into_iter().map(values).collect::<Vec<_>>()).unwrap();
}

fn switch(s: &Station, computation: i64) -> Switched {
    let switch = s.store.switch_of(computation).unwrap().unwrap();
    let kind = EventKind::Recomputed;
    let event = Event { time: NOON, until: None, instrument: None, kind, text: "made again".into() };
    s.store.switch_to(&switch, &event).unwrap();
    switch.switched
}

/// The computation in force for each reading.
fn active(s: &Station) -> Vec<i64> {
    let readings = s.store.readings(UtcMicros(i64::MIN), UtcMicros(i64::MAX)).unwrap();
    readings.map(|r| r.unwrap().made_with.computation).collect()
}

fn runs(s: &Station) -> Vec<(i64, i64)> {
    let shell = s.shell();
    let mut statement = shell.prepare("SELECT first_reading, computation FROM active_values ORDER BY 1").unwrap();
    statement.query_map([], |row| Ok((row.get(0)?, row.get(1)?))).unwrap().map(Result::unwrap).collect()
}

/// Until the switch everything is as it was, afterwards what was made again is in force, and what could not be keeps
/// what it had; each run begins where the computation changes.
#[test]
fn a_switch_changes_what_was_made_again_and_nothing_else() {
    let s = Station::new();
    ten(&s);
    let live = s.made_with.computation;
    let new = begin(&s, "again").id;
    fill(&s, new, [3, 4, 5, 7, 8]);
    assert_eq!(active(&s), [live; 10]);
    assert_eq!(s.store.unfinished_computations().unwrap(), [new]);
    let switched = switch(&s, new);
    assert_eq!(switched.readings, 5);
    assert_eq!(switched.span, (NOON.plus_seconds(120.0), NOON.plus_seconds(420.0)));
    assert_eq!(active(&s), [live, live, new, new, new, live, new, new, live, live]);
    assert_eq!(runs(&s), [(1, live), (3, new), (6, live), (7, new), (9, live)]);
    assert_eq!(s.store.latest_events(1).unwrap()[0].kind, EventKind::Recomputed);
    // A second one over all of it leaves one run, and the end.
    let third = begin(&s, "once more").id;
    fill(&s, third, 1..=10);
    switch(&s, third);
    assert_eq!(runs(&s), [(1, third), (11, live)]);
    // What was in force stays within reach.
    let reader = Reader::open(&s.path()).unwrap().with_computation(Some(new));
    let values: Vec<_> =
        reader.readings(NOON, UtcMicros(i64::MAX)).unwrap().map(|r| r.unwrap().reading.values).collect();
    assert_eq!(values[0][0], QuantityValue::Null(format!("not made by computation {new}")));
    assert_eq!(values[2][0].value(), Some(1000.0 * new as f64));
}

/// Readings that are stored while a computation is filled, between finding the runs and the switch, and afterwards
/// keep their own values.
#[test]
fn readings_stored_meanwhile_keep_their_own_values() {
    let s = Station::new();
    ten(&s);
    let live = s.made_with.computation;
    let new = begin(&s, "again").id;
    fill(&s, new, 1..=10);
    s.commit(NOON.plus_seconds(600.0)).unwrap();
    let switch = s.store.switch_of(new).unwrap().unwrap();
    s.commit(NOON.plus_seconds(660.0)).unwrap();
    let kind = EventKind::Recomputed;
    let event = Event { time: NOON, until: None, instrument: None, kind, text: String::new() };
    s.store.switch_to(&switch, &event).unwrap();
    s.commit(NOON.plus_seconds(720.0)).unwrap();
    assert_eq!(active(&s)[8..], [new, new, live, live, live]);
    // The other order: nothing is stored before the switch.
    let newest = begin(&s, "again, to the end").id;
    fill(&s, newest, 1..=13);
    self::switch(&s, newest);
    s.commit(NOON.plus_seconds(780.0)).unwrap();
    assert_eq!(active(&s)[11..], [newest, newest, live]);
    // A daemon of another version begins a run of its own.
    let made_with = MadeWith { computation: s.store.register_computation("registry 2", NOON).unwrap(), ..s.made_with };
    let s = Station { made_with, ..s };
    s.commit(NOON.plus_seconds(840.0)).unwrap();
    assert_eq!(active(&s)[13..], [live, made_with.computation]);
}

/// Two instruments whose readings lie between each other have runs of their own.
#[test]
fn instruments_are_switched_each_for_itself() {
    let mut s = Station::new();
    let first = s.made_with;
    let d = detector();
    let new = NewInstrument { name: "other", serial: "VB-0002", identity: "", detector: &d };
    let instrument = s.store.register_instrument(&new, NOON).unwrap();
    let second = MadeWith { instrument, ..first };
    for k in 0..10 {
        s.made_with = if k % 2 == 0 { first } else { second };
        s.commit(NOON.plus_seconds(60.0 * f64::from(k))).unwrap();
    }
    let new = begin(&s, "again").id;
    fill(&s, new, [3, 5, 7]);
    switch(&s, new);
    let live = first.computation;
    assert_eq!(active(&s), [live, live, new, live, new, live, new, live, live, live]);
}

/// What was begun is gone on with while it is the newest; any other is dropped piece by piece, one in force never.
#[test]
fn what_was_begun_is_gone_on_with_or_dropped() {
    let s = Station::new();
    ten(&s);
    let one = begin(&s, "again");
    assert_eq!(one.last, None);
    fill(&s, one.id, 1..=4);
    assert_eq!(begin(&s, "again"), Begun { last: Some(4), ..one });
    let other = begin(&s, "another");
    assert_ne!(other.id, one.id);
    assert_ne!(begin(&s, "again").id, one.id, "it is not the newest any more");
    assert!(!s.store.drop_computation(one.id, 3).unwrap());
    assert!(s.store.drop_computation(one.id, 3).unwrap());
    assert!(s.store.computation(one.id).unwrap().is_none());
    assert!(s.store.drop_computation(s.made_with.computation, 100).unwrap());
    assert_eq!(active(&s), [s.made_with.computation; 10]);
    assert!(s.store.switch_of(other.id).unwrap().is_none(), "it has no values");
}

/// The list tells what each has made and where it is in force.
#[test]
fn computations_are_listed_with_what_they_made() {
    let s = Station::new();
    ten(&s);
    let new = begin(&s, "again").id;
    fill(&s, new, 3..=5);
    let tell = |s: &Station| -> Vec<(i64, bool, u64, u64)> {
        let rows = s.store.computations_in_full().unwrap();
        rows.into_iter().map(|c| (c.made.id, c.finished, c.readings, c.active_for)).collect()
    };
    let live = s.made_with.computation;
    assert_eq!(tell(&s), [(live, true, 10, 10), (new, false, 3, 0)]);
    switch(&s, new);
    assert_eq!(tell(&s), [(live, true, 10, 7), (new, true, 3, 3)]);
    let row = s.store.computations_in_full().unwrap().pop().unwrap();
    assert_eq!(row.span, Some((NOON.plus_seconds(120.0), NOON.plus_seconds(240.0))));
    assert_eq!(row.calibrations, ["lab-7"]);
}

/// A calibration that only serves what is made again does not come in force for the daemon; the daemon may have it
/// later, which is an event.
#[test]
fn a_calibration_beside_is_not_in_force() {
    let s = Station::new();
    let i = s.made_with.instrument;
    let beside = s.store.register_calibration_beside(i, "lab-8", "[calibration] # 8", None).unwrap();
    assert_eq!(s.store.register_calibration_beside(i, "lab-8", "[calibration] # 8", None).unwrap(), beside);
    let own = s.made_with.calibration.unwrap();
    assert_eq!(s.store.register_calibration(i, "lab-7", "[calibration]", None, NOON).unwrap(), own);
    assert_eq!(s.store.register_calibration_beside(i, "lab-7", "[calibration]", None).unwrap(), own);
    assert!(s.store.latest_events(1).unwrap().is_empty());
    assert_eq!(s.store.register_calibration(i, "lab-8", "[calibration] # 8", None, NOON).unwrap(), beside);
    assert_eq!(s.store.latest_events(1).unwrap()[0].kind, EventKind::CalibrationChanged);
}

/// As many runs as a switch may write take less than the 200 ms a transaction may.
#[test]
fn a_switch_with_many_runs_is_short() {
    let s = Station::new();
    let shell = s.shell();
    // 20 000 readings without frames, every other of them made again.
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
    let new = begin(&s, "again").id;
    shell.execute("INSERT INTO value(id, flags) SELECT ?1 << 40 | id, 0 FROM reading WHERE id % 2 = 0", [new]).unwrap();
    let started = std::time::Instant::now();
    let found = s.store.switch_of(new).unwrap().unwrap();
    let looked = started.elapsed();
    let event = Event { time: NOON, until: None, instrument: None, kind: EventKind::Recomputed, text: String::new() };
    let started = std::time::Instant::now();
    s.store.switch_to(&found, &event).unwrap();
    let took = started.elapsed();
    println!("20 000 runs found in {looked:.1?}, written in {took:.1?}");
    assert_eq!(runs(&s).len(), 20_001);
    assert!(took.as_millis() < 200, "{took:?}");
}
