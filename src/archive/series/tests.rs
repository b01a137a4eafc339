use super::super::daily::tests::{BEGIN, Site, rules};
use super::super::daily::{RollUpWriter, store_all};
use super::*;
use crate::record::Verdict;

const MINUTE: f64 = 60.0;

fn after(minutes: i64) -> UtcMicros {
    BEGIN.plus_seconds(MINUTE * minutes as f64)
}

/// The value of a minute, unique within a month.
fn light(minute: i64) -> f64 {
    500.0 + ((minute * 7919) % 100_003) as f64 / 128.0
}

fn verdict(minute: i64) -> Verdict {
    Verdict::ALL[(minute % 11 / 5) as usize]
}

/// Days of readings at an interval of five minutes, without readings on the third and fourth day.
fn site(days: i64) -> Site {
    let site = Site::new();
    for minute in (0..days * 1440).step_by(5).filter(|m| !(2880..5760).contains(m)) {
        site.commit(minute, light(minute), verdict(minute));
    }
    site
}

/// A point has minimum, mean and maximum of its readings that are not bad, and counts all readings, whether computed from hours
/// or readings; points are contiguous.
#[test]
fn a_point_has_the_range_of_its_readings() {
    let site = site(18);
    for (from, to, points, of_hours) in [
        (0, 18 * 1440, 100, true),
        (0, 18 * 1440, 1000, true),
        (0, 5 * 1440, 120, true),
        (0, 5 * 1440, 121, false),
        (7, 1003, 18, false),
        (7, 1003, 17, true),
        (60, 61, 1000, false),
    ] {
        let found = series(&site.store, "south", "ppfd", (after(from), after(to)), points).unwrap();
        assert_eq!(found.of_hours, of_hours, "{from} {to} {points}");
        assert!(found.points.len() <= points as usize);
        assert!(found.points.windows(2).all(|p| p[0].to == p[1].from));
        let (first, last) = (found.points.first().unwrap(), found.points.last().unwrap());
        assert!(first.from <= after(from) && last.to >= after(to).min(after(18 * 1440)));
        for point in &found.points {
            let within = |m: &i64| (point.from..point.to).contains(&after(*m)) && !(2880..5760).contains(m);
            let all: Vec<i64> = (0..18 * 1440).step_by(5).filter(within).collect();
            let count = |v: Verdict| all.iter().filter(|m| verdict(**m) == v).count() as u32;
            let counts = Verdict::ALL.map(count);
            let used: Vec<f64> = all.iter().filter(|m| verdict(**m) != Verdict::Bad).map(|m| light(*m)).collect();
            let Some(value) = point.value else {
                assert!(all.is_empty(), "{point:?}");
                continue;
            };
            assert_eq!(value.verdicts, counts, "{point:?}");
            let Some([low, mean, high]) = value.range else {
                assert!(used.is_empty());
                continue;
            };
            assert_eq!(low, used.iter().copied().fold(f64::INFINITY, f64::min));
            assert_eq!(high, used.iter().copied().fold(0.0, f64::max));
            let want = used.iter().sum::<f64>() / used.len() as f64;
            assert!((mean - want).abs() < 1e-9, "want {want}, got {mean}");
        }
    }
}

/// The set of stored roll-ups changes no bit of a series.
#[test]
fn a_series_does_not_depend_on_the_stored_roll_ups() {
    let site = site(18);
    let query = || series(&site.store, "south", "illuminance", (after(100), after(17 * 1440)), 90).unwrap();
    let from_readings = query();
    let mut writer = RollUpWriter::new("south", rules());
    for _ in 0..6 {
        assert!(writer.store_next(&site.store, after(18 * 1440)).unwrap());
    }
    assert_eq!(query(), from_readings);
    store_all(&site.store, &rules(), "south", after(18 * 1440), || ()).unwrap();
    assert_eq!(query(), from_readings);
}

/// A range without readings has no points; points of another instrument have no values.
#[test]
fn a_range_without_readings_has_no_points() {
    let site = site(1);
    let query = |name: &str, from, to| series(&site.store, name, "ppfd", (after(from), after(to)), 10).unwrap();
    assert_eq!(query("south", 9000, 9900).points, []);
    assert!(query("north", 0, 1440).points.iter().all(|p| p.value.is_none()));
}
