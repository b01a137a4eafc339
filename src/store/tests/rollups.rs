//! Roll-ups are deleted when the data they were computed from change.

use super::*;

const HOUR: f64 = 3600.0;
const DAY: f64 = 86_400.0;

fn value(mean: f64) -> HourValue {
    HourValue { range: Some([mean - 1.0, mean, mean + 1.0]), verdicts: [50, 9, 1] }
}

fn at(hours: f64) -> UtcMicros {
    NOON.plus_seconds(HOUR * hours)
}

fn hour(t: UtcMicros) -> i64 {
    t.0.div_euclid(3_600_000_000)
}

/// A day computed from readings from an hour before it to an hour after it.
fn day(starts: UtcMicros) -> DayRow {
    let (reads_from, reads_to) = (starts.plus_seconds(-HOUR), starts.plus_seconds(DAY + HOUR));
    DayRow { starts, reads_from, reads_to, rules: "r".into(), figures: "{}".into() }
}

fn day_number(t: UtcMicros) -> i64 {
    t.0.div_euclid(86_400_000_000)
}

fn put_hours(s: &TestDatabase, instrument: i64, day: i64, hours: &[Hour]) {
    s.store.roll_up(|transaction| transaction.put_hours(instrument, day, hours)).unwrap();
}

/// Stores the hours and the values of the days −2 to 2, counted from `NOON`.
fn store_all(s: &TestDatabase) {
    let instrument = s.made_with.instrument;
    for k in -2..=2 {
        let noon = NOON.plus_seconds(DAY * f64::from(k));
        put_hours(s, instrument, day_number(noon), &[(hour(noon), vec![Some(value(f64::from(k))), None, None])]);
        s.store.roll_up(|transaction| transaction.put_day(instrument, &day(noon))).unwrap();
    }
}

/// The days with stored hours and the days with stored values, counted from `NOON`.
fn stored(s: &TestDatabase) -> (Vec<i64>, Vec<i64>) {
    let i = s.made_with.instrument;
    let hours = s.store.days_with_hours(i, 0, i64::MAX).unwrap().into_iter().map(|d| d - day_number(NOON)).collect();
    let days = s.store.stored_days(i, UtcMicros(0), UtcMicros(i64::MAX), "r").unwrap();
    (hours, days.iter().map(|d| (d.starts.0 - NOON.0) / 86_400_000_000).collect())
}

/// Roll-ups are read back by quantity, and values of days only with the same settings.
#[test]
fn roll_ups_are_read_back() {
    let s = TestDatabase::new();
    store_all(&s);
    let i = s.made_with.instrument;
    let from = hour(NOON);
    let bad = HourValue { range: None, verdicts: [0, 0, 7] };
    let read = |quantity| s.store.hour_values(i, quantity, from - 12, from + 12).unwrap();
    assert_eq!((read("ppfd"), read("cct")), (vec![(from, value(0.0))], vec![]));
    // Replaces the stored hours of the day.
    put_hours(&s, i, day_number(NOON), &[(from + 1, vec![Some(value(1.0)), Some(bad), None])]);
    assert_eq!((read("ppfd"), read("cct")), (vec![(from + 1, value(1.0))], vec![(from + 1, bad)]));
    let tomorrow = s.store.hour_values(i, "ppfd", from + 12, from + 36).unwrap();
    assert_eq!(tomorrow, [(from + 24, value(1.0))]);
    assert_eq!(s.store.days_with_hours(i, from, from + 13).unwrap(), [day_number(NOON), day_number(NOON) + 1]);
    assert_eq!(s.store.starts_of_stored_days(i, "r").unwrap().len(), 5);
    let other = DayRow { rules: "other".into(), ..day(NOON) };
    s.store.roll_up(|transaction| transaction.put_day(i, &other)).unwrap();
    assert_eq!(s.store.stored_days(i, NOON, NOON.plus_seconds(1.0), "other").unwrap(), [other]);
    assert_eq!(s.store.starts_of_stored_days(i, "other").unwrap(), [NOON]);
    assert_eq!(stored(&s).1, [-2, -1, 1, 2]);
    let long = DayRow { reads_to: NOON.plus_seconds(4.0 * DAY), ..day(NOON) };
    let error = s.store.roll_up(|transaction| transaction.put_day(i, &long)).unwrap_err().to_string();
    assert!(error.contains("at most three days"), "{error}");
}

/// A reading deletes the hours of its day and the values of days computed from its time, and no others.
#[test]
fn a_late_reading_deletes_the_roll_ups_of_its_time() {
    let s = TestDatabase::new();
    store_all(&s);
    s.commit(at(2.5)).unwrap();
    assert_eq!(stored(&s), (vec![-2, -1, 1, 2], vec![-2, -1, 1, 2]));
    // Half an hour after the start of the next day, which is within the input of the day before.
    s.commit(at(24.5)).unwrap();
    assert_eq!(stored(&s), (vec![-2, -1, 2], vec![-2, -1, 2]));
}

/// A flagged interval deletes the roll-ups it covers, of its instrument only; ending it deletes those after its end.
#[test]
fn a_flagged_interval_deletes_the_roll_ups_it_covers_and_its_end_those_after_it() {
    let s = TestDatabase::new();
    let mut interval = FlaggedInterval {
        id: 0,
        from: at(-1.5),
        until: Some(at(1.0)),
        instrument: Some("another".into()),
        pixel: None,
        flag: Flag::Servicing,
        unaffected: vec![],
        text: "cleaned".into(),
    };
    let all = || ((-2..=2).collect::<Vec<i64>>(), (-2..=2).collect::<Vec<i64>>());
    store_all(&s);
    s.store.add_flagged_interval(&interval).unwrap();
    assert_eq!(stored(&s), all());
    interval.instrument = Some("roof head".into());
    s.store.add_flagged_interval(&interval).unwrap();
    assert_eq!(stored(&s), (vec![-2, -1, 1, 2], vec![-2, 1, 2]));
    store_all(&s);
    interval.instrument = None;
    interval.until = None;
    let id = s.store.add_flagged_interval(&interval).unwrap();
    assert_eq!(stored(&s), (vec![-2, -1], vec![-2]));
    store_all(&s);
    s.store.end_flagged_interval(id, at(2.0)).unwrap();
    assert_eq!(stored(&s), (vec![-2, -1], vec![-2, -1]));
}

/// Between reading and storing a day no other process can write; what it writes afterwards deletes the day.
#[test]
fn nothing_changes_between_reading_and_storing_a_day() {
    let s = TestDatabase::new();
    s.commit(NOON).unwrap();
    let note = Event {
        time: at(-9.0),
        until: None,
        instrument: None,
        kind: EventKind::FlaggedInterval(Flag::Obstructed),
        text: "n".into(),
    };
    let other = Store::open_writer(&s.path()).unwrap();
    other.set_busy_timeout(std::time::Duration::ZERO);
    s.store
        .roll_up(|transaction| {
            assert_eq!(transaction.readings(at(-1.0), at(1.0))?.len(), 1);
            assert!(other.add_event(&note).unwrap_err().is_transient());
            transaction.put_day(s.made_with.instrument, &day(NOON))
        })
        .unwrap();
    assert_eq!(stored(&s).1, [0]);
    other.add_event(&note).unwrap();
    assert_eq!(stored(&s).1, Vec::<i64>::new());
}

/// A roll-up that fails half way stores nothing.
#[test]
fn a_roll_up_that_fails_stores_nothing() {
    let s = TestDatabase::new();
    let failed = s.store.roll_up(|transaction| {
        transaction.put_day(s.made_with.instrument, &day(NOON))?;
        Err::<(), _>(StoreError::Shape { expected: "a".into(), found: "b".into() })
    });
    assert_eq!(failed.unwrap_err().to_string(), "expected a, but found b");
    assert_eq!(stored(&s).1, Vec::<i64>::new());
}

/// Several rows with one name are one instrument.
#[test]
fn rows_of_one_name_share_their_roll_ups() {
    let s = TestDatabase::new();
    let d = Detector { full_scale: 4095, ..detector() };
    let replacement = NewInstrument { name: "roof head", serial: "VB-0002", identity: "", detector: &d };
    let second = s.store.register_instrument(&replacement, NOON).unwrap();
    put_hours(&s, second, day_number(NOON), &[(hour(NOON), vec![Some(value(0.0)), None, None])]);
    assert_eq!(s.store.instrument_named("roof head").unwrap(), Some(s.made_with.instrument));
    assert_eq!(stored(&s).0, [0]);
    s.commit(NOON).unwrap();
    assert_eq!(stored(&s).0, Vec::<i64>::new());
}

/// Readings with a selection of quantities have the same values; an interval that affects another quantity raises its flag.
#[test]
fn readings_with_some_quantities_have_the_same_values_and_flags() {
    let s = TestDatabase::new();
    s.commit(NOON).unwrap();
    let unaffected = vec!["ppfd".to_owned(), "uv_index".to_owned()];
    let interval = FlaggedInterval {
        id: 0,
        from: NOON,
        until: None,
        instrument: None,
        pixel: None,
        flag: Flag::WavelengthDrift,
        unaffected,
        text: String::new(),
    };
    s.store
        .add_flagged_interval(&FlaggedInterval {
            flag: Flag::Obstructed,
            unaffected: vec!["cct".into()],
            ..interval.clone()
        })
        .unwrap();
    s.store.add_flagged_interval(&interval).unwrap();
    let end = NOON.plus_seconds(1.0);
    let some = s.store.readings_of(&["uv_index", "lux", "ppfd"], NOON, end).unwrap();
    assert_eq!(some.quantities().iter().map(|q| q.0.as_str()).collect::<Vec<_>>(), ["uv_index", "ppfd"]);
    let some = some.map(|r| r.unwrap().reading).next().unwrap();
    let all = s.store.readings(NOON, end).unwrap().next().unwrap().unwrap().reading;
    assert_eq!(some.values, [all.values[2].clone(), all.values[0].clone()]);
    assert!(some.flags.has(Flag::WavelengthDrift) && some.flags.has(Flag::Obstructed));
}
