//! Roll-ups are deleted with what they were made of.

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

/// A day that looks an hour beyond itself on either side.
fn day(starts: UtcMicros) -> DayRow {
    let (reads_from, reads_to) = (starts.plus_seconds(-HOUR), starts.plus_seconds(DAY + HOUR));
    DayRow { starts, reads_from, reads_to, rules: "r".into(), figures: "{}".into() }
}

fn day_number(t: UtcMicros) -> i64 {
    t.0.div_euclid(86_400_000_000)
}

fn put_hours(s: &Station, instrument: i64, day: i64, hours: &[Hour]) {
    s.store.roll_up(|transaction| transaction.put_hours(instrument, day, hours)).unwrap();
}

/// Stores the hours of the days from −2 to 2 and these days, counted from noon.
fn store_all(s: &Station) {
    let instrument = s.made_with.instrument;
    for k in -2..=2 {
        let noon = NOON.plus_seconds(DAY * f64::from(k));
        put_hours(s, instrument, day_number(noon), &[(hour(noon), vec![Some(value(f64::from(k))), None, None])]);
        s.store.roll_up(|transaction| transaction.put_day(instrument, &day(noon))).unwrap();
    }
}

/// The days whose hours are stored and the stored days, counted from that of noon and from noon.
fn stored(s: &Station) -> (Vec<i64>, Vec<i64>) {
    let i = s.made_with.instrument;
    let hours = s.store.days_with_hours(i, 0, i64::MAX).unwrap().into_iter().map(|d| d - day_number(NOON)).collect();
    let days = s.store.stored_days(i, UtcMicros(0), UtcMicros(i64::MAX), "r").unwrap();
    (hours, days.iter().map(|d| (d.starts.0 - NOON.0) / 86_400_000_000).collect())
}

/// What is stored is read back, quantity by quantity, and only with the settings it was made with.
#[test]
fn what_is_stored_is_read_back() {
    let s = Station::new();
    store_all(&s);
    let i = s.made_with.instrument;
    let from = hour(NOON);
    let bad = HourValue { range: None, verdicts: [0, 0, 7] };
    let read = |quantity| s.store.hour_values(i, quantity, from - 12, from + 12).unwrap();
    assert_eq!((read("ppfd"), read("cct")), (vec![(from, value(0.0))], vec![]));
    // In place of what was stored of the day.
    put_hours(&s, i, day_number(NOON), &[(from + 1, vec![Some(value(1.0)), Some(bad), None])]);
    assert_eq!((read("ppfd"), read("cct")), (vec![(from + 1, value(1.0))], vec![(from + 1, bad)]));
    let tomorrow = s.store.hour_values(i, "ppfd", from + 12, from + 36).unwrap();
    assert_eq!(tomorrow, [(from + 24, value(1.0))]);
    assert_eq!(s.store.days_with_hours(i, from, from + 13).unwrap(), [day_number(NOON), day_number(NOON) + 1]);
    assert_eq!(s.store.beginnings_of_stored_days(i, "r").unwrap().len(), 5);
    let other = DayRow { rules: "other".into(), ..day(NOON) };
    s.store.roll_up(|transaction| transaction.put_day(i, &other)).unwrap();
    assert_eq!(s.store.stored_days(i, NOON, NOON.plus_seconds(1.0), "other").unwrap(), [other]);
    assert_eq!(s.store.beginnings_of_stored_days(i, "other").unwrap(), [NOON]);
    assert_eq!(stored(&s).1, [-2, -1, 1, 2]);
    let long = DayRow { reads_to: NOON.plus_seconds(4.0 * DAY), ..day(NOON) };
    let error = s.store.roll_up(|transaction| transaction.put_day(i, &long)).unwrap_err().to_string();
    assert!(error.contains("no more than three days"), "{error}");
}

/// A reading deletes the hours of its day and the days that read its time, and no other.
#[test]
fn a_late_reading_deletes_what_it_falls_into() {
    let s = Station::new();
    store_all(&s);
    s.commit(at(2.5)).unwrap();
    assert_eq!(stored(&s), (vec![-2, -1, 1, 2], vec![-2, -1, 1, 2]));
    // Half an hour after the next day began: the day before read it as well.
    s.commit(at(24.5)).unwrap();
    assert_eq!(stored(&s), (vec![-2, -1, 2], vec![-2, -1, 2]));
}

/// A flagged interval deletes what it covers when it begins, and what comes after its end when it ends, of its
/// instrument only.
#[test]
fn a_flagged_interval_deletes_what_it_covers_and_its_end_what_it_no_longer_does() {
    let s = Station::new();
    let mut interval = FlaggedInterval {
        id: 0,
        from: at(-1.5),
        until: Some(at(1.0)),
        instrument: Some("another".into()),
        pixel: None,
        flag: Flag::Servicing,
        unaffected: vec![],
        text: "wiped".into(),
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

/// While a day is read and stored, another process can add neither a note nor a reading; what it adds next deletes the day.
#[test]
fn nothing_changes_between_reading_and_storing_a_day() {
    let s = Station::new();
    s.commit(NOON).unwrap();
    let note = Event {
        time: at(-9.0),
        until: None,
        instrument: None,
        kind: EventKind::FlaggedInterval(Flag::Obstructed),
        text: "n".into(),
    };
    let other = Store::open_writer(&s.path()).unwrap();
    other.wait_at_most(std::time::Duration::ZERO);
    s.store
        .roll_up(|transaction| {
            assert_eq!(transaction.readings(at(-1.0), at(1.0))?.len(), 1);
            assert!(other.add_event(&note).unwrap_err().can_wait());
            transaction.put_day(s.made_with.instrument, &day(NOON))
        })
        .unwrap();
    assert_eq!(stored(&s).1, [0]);
    other.add_event(&note).unwrap();
    assert_eq!(stored(&s).1, Vec::<i64>::new());
}

/// What fails half way stores nothing.
#[test]
fn a_roll_up_that_fails_stores_nothing() {
    let s = Station::new();
    let failed = s.store.roll_up(|transaction| {
        transaction.put_day(s.made_with.instrument, &day(NOON))?;
        Err::<(), _>(StoreError::Shape { expected: "a".into(), found: "b".into() })
    });
    assert_eq!(failed.unwrap_err().to_string(), "expected a, but found b");
    assert_eq!(stored(&s).1, Vec::<i64>::new());
}

/// A name with several rows is one instrument.
#[test]
fn rows_of_one_name_share_their_roll_ups() {
    let s = Station::new();
    let d = Detector { full_scale: 4095, ..detector() };
    let again = NewInstrument { name: "roof head", serial: "VB-0002", identity: "", detector: &d };
    let second = s.store.register_instrument(&again, NOON).unwrap();
    put_hours(&s, second, day_number(NOON), &[(hour(NOON), vec![Some(value(0.0)), None, None])]);
    assert_eq!(s.store.instrument_named("roof head").unwrap(), Some(s.made_with.instrument));
    assert_eq!(stored(&s).0, [0]);
    s.commit(NOON).unwrap();
    assert_eq!(stored(&s).0, Vec::<i64>::new());
}

/// Readings of some quantities are those of all, cut down; a span about another quantity shows in the flags.
#[test]
fn readings_of_some_quantities_are_those_of_all_cut_down() {
    let s = Station::new();
    s.commit(NOON).unwrap();
    let unaffected = vec!["ppfd".to_owned(), "uv_index".to_owned()];
    let span = FlaggedInterval {
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
            ..span.clone()
        })
        .unwrap();
    s.store.add_flagged_interval(&span).unwrap();
    let end = NOON.plus_seconds(1.0);
    let some = s.store.readings_of(&["uv_index", "lux", "ppfd"], NOON, end).unwrap();
    assert_eq!(some.quantities().iter().map(|q| q.0.as_str()).collect::<Vec<_>>(), ["uv_index", "ppfd"]);
    let some = some.map(|r| r.unwrap().reading).next().unwrap();
    let all = s.store.readings(NOON, end).unwrap().next().unwrap().unwrap().reading;
    assert_eq!(some.values, [all.values[2].clone(), all.values[0].clone()]);
    assert!(some.flags.has(Flag::WavelengthDrift) && some.flags.has(Flag::Obstructed));
}
