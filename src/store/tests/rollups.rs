//! What is summed up goes with what it was made from.

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

fn keep_hour(s: &Station, instrument: i64, hour: i64, values: &[Option<HourValue>], epoch: Epoch) -> bool {
    s.store.keep_hours(instrument, &[NewHour { hour, values: values.to_vec(), epoch }]).unwrap() == 1
}

/// Keeps the hours from −3 to 3 and the days from −2 to 2, counted from noon.
fn keep_all(s: &Station) {
    let epoch = s.store.epoch().unwrap();
    for k in -3..=3 {
        let values = [Some(value(f64::from(k))), None, None];
        assert!(keep_hour(s, s.made_with.instrument, hour(at(f64::from(k))), &values, epoch));
    }
    for k in -2..=2 {
        let starts = NOON.plus_seconds(DAY * f64::from(k));
        assert!(s.store.keep_day(s.made_with.instrument, &day(starts), epoch).unwrap());
    }
}

/// The hours and days that are kept, counted from noon.
fn kept(s: &Station) -> (Vec<i64>, Vec<i64>) {
    let i = s.made_with.instrument;
    let hours = s.store.hours_kept(i, 0, i64::MAX).unwrap().into_iter().map(|h| h - hour(NOON)).collect();
    let days = s.store.days_kept(i, UtcMicros(0), UtcMicros(i64::MAX), "r").unwrap();
    (hours, days.iter().map(|d| (d.starts.0 - NOON.0) / 86_400_000_000).collect())
}

/// Identity: what is kept is read back, quantity by quantity, and only with the settings it was made with.
#[test]
fn what_is_kept_is_read_back() {
    let s = Station::new();
    keep_all(&s);
    let i = s.made_with.instrument;
    let from = hour(NOON);
    let ppfd = s.store.hour_values(i, "ppfd", from, from + 2).unwrap();
    assert_eq!(ppfd, [(from, value(0.0)), (from + 1, value(1.0))]);
    assert_eq!(s.store.hour_values(i, "cct", from, from + 2).unwrap(), []);
    let epoch = s.store.epoch().unwrap();
    let bad = HourValue { range: None, verdicts: [0, 0, 7] };
    assert!(keep_hour(&s, i, from, &[None, Some(bad), None], epoch));
    assert_eq!(s.store.hour_values(i, "ppfd", from, from + 2).unwrap(), [(from + 1, value(1.0))]);
    assert_eq!(s.store.hour_values(i, "cct", from, from + 2).unwrap(), [(from, bad)]);
    let known = |rules| s.store.days_known(i, NOON, NOON.plus_seconds(1.0), rules).unwrap();
    assert_eq!((known("r"), known("other")), (vec![NOON], vec![]));
    let other = DayRow { rules: "other".into(), ..day(NOON) };
    assert!(s.store.keep_day(i, &other, epoch).unwrap());
    assert_eq!(s.store.days_kept(i, NOON, NOON.plus_seconds(1.0), "other").unwrap(), [other]);
    assert_eq!(kept(&s).1, [-2, -1, 1, 2]);
    let long = DayRow { reads_to: NOON.plus_seconds(4.0 * DAY), ..day(NOON) };
    assert!(s.store.keep_day(i, &long, epoch).unwrap_err().to_string().contains("no more than three days"));
}

/// Identity: a reading takes its hour and the days that looked at its time, and no other.
#[test]
fn a_late_reading_drops_what_it_falls_into() {
    let s = Station::new();
    keep_all(&s);
    s.commit(at(2.5)).unwrap();
    assert_eq!(kept(&s), (vec![-3, -2, -1, 0, 1, 3], vec![-2, -1, 1, 2]));
    // Half an hour after the next day began: the day before looked at it as well.
    s.commit(at(24.5)).unwrap();
    assert_eq!(kept(&s).1, [-2, -1, 2]);
}

/// Identity: a span takes what it covers when it begins, and what comes after its end when it ends, of its instrument only.
#[test]
fn a_span_drops_what_it_covers_and_its_end_what_it_no_longer_does() {
    let s = Station::new();
    let mut span = FlaggedInterval {
        id: 0,
        from: at(-1.5),
        until: Some(at(1.0)),
        instrument: Some("another".into()),
        pixel: None,
        flag: Flag::Servicing,
        unaffected: vec![],
        text: "wiped".into(),
    };
    keep_all(&s);
    s.store.add_span(&span).unwrap();
    assert_eq!(kept(&s), ((-3..=3).collect(), (-2..=2).collect()));
    span.instrument = Some("roof head".into());
    s.store.add_span(&span).unwrap();
    assert_eq!(kept(&s), (vec![-3, 1, 2, 3], vec![-2, 1, 2]));
    keep_all(&s);
    span.instrument = None;
    span.until = None;
    let id = s.store.add_span(&span).unwrap();
    assert_eq!(kept(&s), (vec![-3], vec![-2]));
    keep_all(&s);
    s.store.end_span(id, at(2.0)).unwrap();
    assert_eq!(kept(&s), (vec![-3, -2, -1, 0, 1], vec![-2, -1]));
}

/// Identity: what was worked out while a span or a reading was added is not kept.
#[test]
fn a_roll_up_overtaken_by_a_change_is_not_kept() {
    let s = Station::new();
    let epoch = s.store.epoch().unwrap();
    let note = |kind| Event { time: at(-9.0), until: None, instrument: None, kind, text: "n".into() };
    s.store.add_event(&note(EventKind::Note(NoteClass::Other))).unwrap();
    assert_eq!(s.store.epoch().unwrap(), epoch);
    let other = Store::open_writer(&s.path()).unwrap();
    other.add_event(&note(EventKind::FlaggedInterval(Flag::Obstructed))).unwrap();
    let i = s.made_with.instrument;
    assert!(!keep_hour(&s, i, hour(NOON), &[Some(value(0.0)), None, None], epoch));
    assert!(!s.store.keep_day(i, &day(NOON), epoch).unwrap());
    // So is one overtaken by a reading, where the reading falls into it.
    let epoch = s.store.epoch().unwrap();
    s.commit(at(1.5)).unwrap();
    let values = [Some(value(0.0)), None, None];
    assert!(!keep_hour(&s, i, hour(at(1.5)), &values, epoch));
    assert!(!s.store.keep_day(i, &day(NOON), epoch).unwrap());
    assert_eq!(kept(&s), (vec![], vec![]));
    assert!(keep_hour(&s, i, hour(NOON), &values, epoch));
}

/// Identity: a name with several rows is one instrument.
#[test]
fn rows_of_one_name_share_their_roll_ups() {
    let s = Station::new();
    let d = Detector { full_scale: 4095, ..detector() };
    let again = NewInstrument { name: "roof head", serial: "VB-0002", identity: "", detector: &d };
    let second = s.store.register_instrument(&again, NOON).unwrap();
    let epoch = s.store.epoch().unwrap();
    assert!(keep_hour(&s, second, hour(NOON), &[Some(value(0.0)), None, None], epoch));
    assert_eq!(s.store.instrument_named("roof head").unwrap(), Some(s.made_with.instrument));
    assert_eq!(kept(&s).0, [0]);
    s.commit(NOON).unwrap();
    assert_eq!(kept(&s).0, Vec::<i64>::new());
}

/// Identity: readings of some quantities are those of all, cut down; a span about another quantity shows in the flags.
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
        .add_span(&FlaggedInterval { flag: Flag::Obstructed, unaffected: vec!["cct".into()], ..span.clone() })
        .unwrap();
    s.store.add_span(&span).unwrap();
    let end = NOON.plus_seconds(1.0);
    let some = s.store.readings_of(&["uv_index", "lux", "ppfd"], NOON, end).unwrap();
    assert_eq!(some.quantities().iter().map(|q| q.0.as_str()).collect::<Vec<_>>(), ["uv_index", "ppfd"]);
    let some = some.map(|r| r.unwrap().reading).next().unwrap();
    let all = s.store.readings(NOON, end).unwrap().next().unwrap().unwrap().reading;
    assert_eq!(some.values, [all.values[2].clone(), all.values[0].clone()]);
    assert!(some.flags.has(Flag::WavelengthDrift) && some.flags.has(Flag::Obstructed));
}
