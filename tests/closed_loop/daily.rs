//! Daily figures of the acquisition loop across a restart at midday, compared with the truth.

use crate::closed_loop::{Loop, index};
use crate::roof::STATION;
use vigilux::archive::daily;
use vigilux::clock::UtcMicros;
use vigilux::simulator::settings::Settings;
use vigilux::store::Reader;
use vigilux::summary::{Figure, Rules};

/// Independent: after two days and a restart at midday, the stored hours and day equal those computed from the readings. A
/// process that only reads gets the current day as well. The stored light integral is that of the simulator's true light at
/// the same instants within twice its stated uncertainty.
#[test]
fn the_daemon_keeps_days_that_are_near_the_truth() {
    let mut station =
        Loop::new(&Settings::default(), &STATION.replace("0 * * * * *", "0 */10 * * * *"), "2026-06-20T22:35:00Z");
    station.run_until("2026-06-21T10:05:00Z");
    station.restart();
    station.run_until("2026-06-22T09:05:00Z");
    let rules = Rules::of(&station.setup.config.station);
    let reader = Reader::open(&station.setup.config.store.path).expect("the database opens");
    let row = reader.instrument_named("south").expect("a look").expect("an instrument");
    let hours = reader.days_with_hours(row, 0, i64::MAX / 3_600_000_000).expect("hours");
    assert_eq!(hours.len(), 2, "the hours of the 20th and the 21st");
    let of_ppfd = reader.hour_values(row, "ppfd", 0, i64::MAX / 3_600_000_000).expect("hours");
    assert_eq!(of_ppfd.len(), 26, "two hours of the 20th and all of the 21st");
    let kept = reader.stored_days(row, UtcMicros(0), UtcMicros(i64::MAX), &rules.text()).expect("days");
    let starts: Vec<String> = kept.iter().map(|d| d.starts.to_string()).collect();
    assert_eq!(starts, ["2026-06-19T23:00:00Z", "2026-06-20T23:00:00Z"]);
    let days = daily::days(&reader, &rules, "south", UtcMicros(0), UtcMicros(i64::MAX)).expect("days");
    assert_eq!(days.len(), 3);
    for (day, kept) in days.iter().zip(&kept) {
        let again = daily::day_of(&reader, &rules, "south", &rules.day_of(kept.starts)).expect("a day");
        assert_eq!(day, &again);
        assert_eq!(serde_json::to_string(&again).expect("a text"), kept.figures);
    }
    let day = &days[1];
    assert!(!day.partial && days[2].partial);
    let Figure::Value { value, uncertainty: Some(u), .. } = day.figures["light_integral"] else { panic!("{day:?}") };
    let ppfd = index("ppfd");
    let truth: Vec<(f64, f64)> =
        station.rows.iter().filter_map(|r| Some((r.reading.time_mid.seconds(), r.truth[ppfd]?))).collect();
    let within = |t: f64| t > day.starts.seconds() - 900.0 && t < day.ends.seconds() + 900.0;
    let area = |p: &[(f64, f64)]| (p[1].0 - p[0].0) * (p[0].1 + p[1].1) / 2.0;
    let want = truth.windows(2).filter(|p| within(p[0].0)).map(area).sum::<f64>() / 1e6;
    println!("light integral {value:.3} ± {:.3} mol m-2 d-1, true {want:.3}", 2.0 * u);
    assert!((value - want).abs() < 2.0 * u, "want {want}, got {value} ± {u}");
    assert!(want > 30.0);
}
