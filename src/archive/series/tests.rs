use super::super::daily::tests::{BEGIN, Site, rules};
use super::super::daily::{Keeper, keep_all};
use super::*;
use crate::record::Verdict;

const MINUTE: f64 = 60.0;

fn after(minutes: i64) -> UtcMicros {
    BEGIN.plus_seconds(MINUTE * minutes as f64)
}

/// The light of a minute: never the same twice in a month.
fn light(minute: i64) -> f64 {
    500.0 + ((minute * 7919) % 100_003) as f64 / 128.0
}

fn verdict(minute: i64) -> Verdict {
    Verdict::ALL[(minute % 11 / 5) as usize]
}

/// Days of readings five minutes apart, with a hole of two days.
fn site(days: i64) -> Site {
    let site = Site::new();
    for minute in (0..days * 1440).step_by(5).filter(|m| !(2880..5760).contains(m)) {
        site.commit(minute, light(minute), verdict(minute));
    }
    site
}

/// Every point has the lowest, mean and highest of its readings that are not bad, and counts all of them, whether it
/// is made of hours or of readings; points follow each other without a hole.
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
            let served: Vec<f64> = all.iter().filter(|m| verdict(**m) != Verdict::Bad).map(|m| light(*m)).collect();
            let Some(value) = point.value else {
                assert!(all.is_empty(), "{point:?}");
                continue;
            };
            assert_eq!(value.verdicts, counts, "{point:?}");
            let Some([low, mean, high]) = value.range else {
                assert!(served.is_empty());
                continue;
            };
            assert_eq!(low, served.iter().copied().fold(f64::INFINITY, f64::min));
            assert_eq!(high, served.iter().copied().fold(0.0, f64::max));
            let want = served.iter().sum::<f64>() / served.len() as f64;
            assert!((mean - want).abs() < 1e-9, "want {want}, got {mean}");
        }
    }
}

/// Which hours are kept changes no bit of a series.
#[test]
fn a_series_is_the_same_whichever_hours_are_kept() {
    let site = site(18);
    let ask = || series(&site.store, "south", "illuminance", (after(100), after(17 * 1440)), 90).unwrap();
    let from_readings = ask();
    let mut keeper = Keeper::new("south", rules());
    for _ in 0..6 {
        assert!(keeper.keep_one(&site.store, after(18 * 1440)).unwrap());
    }
    assert_eq!(ask(), from_readings);
    keep_all(&site.store, &rules(), "south", after(18 * 1440), || ()).unwrap();
    assert_eq!(ask(), from_readings);
}

/// Where there is nothing, there is no point; of another instrument, points are empty.
#[test]
fn nothing_on_record_is_no_series() {
    let site = site(1);
    let ask = |name: &str, from, to| series(&site.store, name, "ppfd", (after(from), after(to)), 10).unwrap();
    assert_eq!(ask("south", 9000, 9900).points, []);
    assert!(ask("north", 0, 1440).points.iter().all(|p| p.value.is_none()));
}
