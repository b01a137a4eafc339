//! Flags that do not come from the light: warm-up, an ageing dark, a calibration that ends or has not begun, a restart.

use crate::closed_loop::{Loop, Row, assert_good_within, share};
use crate::roof::STATION;
use vigilux::record::{Event, EventKind, Flag, QuantityValue};
use vigilux::simulator::optic::OpticSettings;
use vigilux::simulator::settings::Settings;

fn perfect() -> Settings {
    Settings { optic: OpticSettings::perfect(), ..Settings::default() }
}

fn after<'a>(station: &'a Loop, time: &str) -> Vec<&'a Row> {
    station.rows.iter().filter(|r| r.reading.time_mid.to_string().as_str() > time).collect()
}

/// Readings of the first 20 minutes are taken and flagged, later ones are not flagged.
#[test]
fn warm_up_is_flagged_for_as_long_as_it_lasts() {
    let mut station = Loop::new(&perfect(), STATION, "2026-06-21T09:00:00Z");
    station.run_until("2026-06-21T10:00:00Z");
    for row in &station.rows {
        let minutes = row.reading.time_start.seconds_since(station.rows[0].reading.time_start) / 60.0;
        assert_eq!(
            row.has(Flag::Warming),
            minutes < 18.5 || (minutes < 20.0 && row.has(Flag::Warming)),
            "{minutes} min"
        );
        assert!(!row.has(Flag::Warming) || !row.is_good("ppfd"));
    }
    assert!(station.rows.iter().filter(|r| r.has(Flag::Warming)).count() >= 19);
}

/// Dark current that doubles is recorded as drift within a day, flags what it can affect, and leaves no good value wrong.
#[test]
fn a_dark_current_that_doubles_is_found_within_a_day() {
    let mut station = Loop::new(&perfect(), STATION, "2026-06-21T00:00:00Z");
    station.run_until("2026-06-21T12:00:00Z");
    // Three values running may be below zero by chance, and are flagged.
    let of_the_dark = |e: &&Event| e.kind == EventKind::Drift && !e.text.starts_with("dark_suspect");
    assert!(!station.events.iter().any(|e| of_the_dark(&e)), "no drift before: {:?}", station.events);
    station.handle.with(|bench| bench.set_dark_factor(2.5));
    station.run_until("2026-06-22T12:00:00Z");
    let drift = station.events.iter().find(of_the_dark).expect("drift is on record");
    println!("{}: {}", drift.time, drift.text);
    assert!(drift.text.contains("dark rate +"), "{}", drift.text);
    assert!(station.rows.last().is_some_and(|r| r.value("ppfd").is_some()));
    let rows: Vec<&Row> = station.rows.iter().collect();
    assert_good_within(&rows, "ppfd", |truth| (0.02 * truth).max(1.0));
    assert_good_within(&rows, "uv_index", crate::roof::uv_allowed);
}

/// An expired calibration is still used, with its flag; before the first one begins there are frames and no values.
#[test]
fn a_calibration_that_ends_flags_and_one_that_has_not_begun_gives_no_numbers() {
    let mut bench = perfect();
    bench.certificate.valid_from = "2026-06-21T10:00:00Z".into();
    bench.certificate.valid_until = "2026-06-21T11:00:00Z".into();
    let config = STATION.replace("link = \"/dev/null\"", "link = \"/dev/null\"\nwarm_up_min = 0");
    let mut station = Loop::new(&bench, &config, "2026-06-21T09:30:00Z");
    station.run_until("2026-06-21T12:00:00Z");
    for row in &station.rows {
        let time = row.reading.time_start.to_string();
        let (early, late) = (time.as_str() < "2026-06-21T10:00", time.as_str() > "2026-06-21T11:00:30");
        assert_eq!(row.has(Flag::CalibrationMissing), early, "{time}");
        if early {
            assert!(
                row.reading.values.iter().all(|v| matches!(v, QuantityValue::Null(why) if why.contains("calibration")))
            );
        }
        if late {
            assert!(row.has(Flag::CalibrationExpired) && !row.is_good("ppfd"), "{time}");
        }
    }
    let within = station.rows.iter().filter(|r| r.is_good("ppfd")).count();
    assert!(within > 45, "{within} good within validity");
}

/// After a restart exposure control, warm-up and darks continue from their saved state.
#[test]
fn a_restart_goes_on_where_it_was() {
    let mut station = Loop::new(&perfect(), STATION, "2026-06-21T09:00:00Z");
    station.run_until("2026-06-21T10:00:00Z");
    let before = station.rows.len();
    let exposure = station.rows[before - 1].reading.exposures[0].integration_s;
    station.restart();
    station.run_until("2026-06-21T10:10:00Z");
    let first = &station.rows[before];
    let ratio = first.reading.exposures[0].integration_s / exposure;
    assert!((0.8..1.25).contains(&ratio), "{ratio}");
    assert!(
        !first.has(Flag::Warming) && first.is_good("ppfd") && first.is_good("uv_index"),
        "{}",
        first.describe("ppfd")
    );
    assert!(
        first.reading.dark_age.is_some_and(|age| age > 60.0),
        "the dark of before serves: {:?}",
        first.reading.dark_age
    );
    assert_eq!(share(&after(&station, "2026-06-21T10:00:30"), |r| r.is_good("ppfd")), 1.0);
}
