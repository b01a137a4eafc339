//! An instrument that answers wrong blocks with valid checksums: clipped below full scale, sent again, a frame behind its settings, hit by
//! particles.

use crate::closed_loop::{Loop, Row, assert_good_within, share, why_not_good};
use crate::lamps::glasshouse;
use crate::roof::{STATION, uv_allowed};
use vigilux::record::{EventKind, Flag};
use vigilux::simulator::faults::FaultRule;
use vigilux::simulator::optic::OpticSettings;
use vigilux::simulator::scenes::SceneKind;
use vigilux::simulator::settings::Settings;

const MORNING: &str = "2026-06-21T09:00:00Z";

fn rule(text: &str) -> FaultRule {
    toml::from_str(text).expect("a rule")
}

fn station(kind: SceneKind, config: &str, lamp_lux: f64, faults: Vec<FaultRule>) -> Loop {
    let mut bench = Settings { optic: OpticSettings::perfect(), ..Settings::default() };
    bench.warm_up.minutes = 0.0;
    bench.scene.kind = kind;
    bench.scene.lamp_lux = lamp_lux;
    bench.fault = faults;
    let config = config.replace("link = \"/dev/null\"", "link = \"/dev/null\"\nwarm_up_min = 0");
    Loop::new(&bench, &config, MORNING)
}

fn roof(faults: Vec<FaultRule>) -> Loop {
    station(SceneKind::Roof, STATION, 0.0, faults)
}

fn lamp(faults: Vec<FaultRule>) -> Loop {
    dim_lamp(10_000.0, faults)
}

fn dim_lamp(lux: f64, faults: Vec<FaultRule>) -> Loop {
    let config = glasshouse("").replace("kind = \"glasshouse\"", "kind = \"lamp\"");
    station(SceneKind::Lamp, &config.replace("lamp_rating_ppfd = 400", ""), lux, faults)
}

/// No good value is wrong, and nearly all values are good from some reading on.
fn right_from(station: &Loop, from: usize, good: f64) {
    let rows: Vec<&Row> = station.rows.iter().collect();
    for id in ["ppfd", "illuminance", "pfd_blue"] {
        assert_good_within(&rows, id, |truth| 0.02 * truth + 0.05);
    }
    assert_good_within(&rows, "uv_index", uv_allowed);
    let later = &rows[from..];
    let found = share(later, |r| r.is_good("ppfd"));
    assert!(found >= good, "{found} of {}\n{}", later.len(), why_not_good(later, "ppfd"));
}

fn told(station: &Loop) -> Vec<&str> {
    station.events.iter().filter(|e| e.kind == EventKind::Detector).map(|e| e.text.as_str()).collect()
}

/// Independent: the simulator's truth around a converter that clips at 16 000 or 6000 of 65 535 counts, from the first exposure on and after an
/// hour of right ones.
#[test]
fn a_converter_that_clips_below_full_scale_is_found_and_remembered() {
    for (later, on_roof) in [("", true), ("", false), ("\nfrom = 2026-06-21T10:00:00Z", true)] {
        // The shortest exposure reaches 8000 counts in full sun, and under a bright lamp a half-cycle of the mains would.
        let level = if on_roof { 16_000 } else { 6000 };
        let clips = rule(&format!("kind = \"clips_below_full_scale\"\ncount = {level}{later}"));
        let mut station = if on_roof { roof(vec![clips]) } else { dim_lamp(2000.0, vec![clips]) };
        station.run_hours(1.5);
        right_from(&station, 5, 0.95);
        let events = told(&station);
        assert!(events.len() == 1 && events[0].contains(&format!("clips at {level} counts")), "{events:?}");
        let clips_at = |station: &Loop| station.station.loops[0].status.snapshot().clips_at;
        assert_eq!(clips_at(&station), Some(level));
        // After a restart it is known from the first exposure on.
        station.restart();
        station.run_hours(0.2);
        right_from(&station, 5, 0.95);
        assert_eq!((told(&station).len(), clips_at(&station)), (1, Some(level)));
    }
}

/// Independent: the simulator's truth after the converter has been repaired.
#[test]
fn a_clipping_level_that_no_longer_holds_is_forgotten() {
    let until = "\nuntil = 2026-06-21T09:30:00Z";
    let mut station = roof(vec![rule(&format!("kind = \"clips_below_full_scale\"\ncount = 16000{until}"))]);
    station.run_hours(0.4);
    assert_eq!(station.station.loops[0].status.snapshot().clips_at, Some(16_000));
    station.run_hours(1.0);
    right_from(&station, 5, 0.95);
    let events = told(&station);
    assert!(events.len() == 2 && events[1].contains("no longer holds"), "{events:?}");
    assert_eq!(station.station.loops[0].status.snapshot().clips_at, None);
}

/// Independent: the simulator's truth around blocks of 3 or 40 exposures before, of light and of dark.
#[test]
fn an_older_block_that_is_sent_again_is_bad() {
    for count in [3, 40] {
        let mut station = roof(vec![rule(&format!("kind = \"resent_block\"\nprobability = 0.05\ncount = {count}"))]);
        station.run_hours(2.0);
        let repeated: Vec<&Row> = station.rows.iter().filter(|r| r.has(Flag::RepeatedFrame)).collect();
        assert!(repeated.len() > 10, "{}", repeated.len());
        assert!(repeated.iter().all(|r| !r.is_good("ppfd") && !r.is_good("uv_index")));
        right_from(&station, 0, 0.7);
    }
}

/// Independent: the simulator's truth around a detector that runs freely, one or two frames behind, with `discard_frames = 0`.
#[test]
fn a_detector_that_is_behind_its_settings_is_found_at_first_light() {
    for lag in [1, 2] {
        let lagging = || vec![rule(&format!("kind = \"frame_lag\"\ncount = {lag}"))];
        for mut station in [roof(lagging()), lamp(lagging())] {
            station.run_hours(1.5);
            right_from(&station, 2, 0.95);
            let events = told(&station);
            let text = format!("frames that were requested {lag} exposures before; discard_frames = 0");
            assert!(events.len() == 1 && events[0].contains(&text), "{events:?}");
            assert_eq!(station.station.loops[0].status.snapshot().discard_frames, lag);
            let shutter = station.rows.iter().filter(|r| r.has(Flag::ShutterFault)).count();
            assert_eq!(shutter, 0);
            station.restart();
            station.run_hours(0.2);
            assert_eq!(told(&station).len(), 1, "it is remembered");
            right_from(&station, 2, 0.95);
        }
    }
}

/// Independent: the simulator's truth around particles, which add 6000 counts to two pixels of every fifth exposure, of light and of dark.
/// Exposures that others show to be hit are left out, with their checksums on record.
#[test]
fn particles_make_no_good_value_wrong() {
    let hits = || vec![rule("kind = \"spike\"\nprobability = 0.2\ncount = 6000")];
    // In dim light the counts of a particle are a large share of all.
    for mut station in [roof(hits()), lamp(hits()), dim_lamp(20.0, hits())] {
        station.run_hours(2.0);
        right_from(&station, 2, 0.9);
        let rows: Vec<&Row> = station.rows.iter().collect();
        let far = |id: &str| -> Vec<String> {
            let beyond = |r: &&&Row| r.is_good(id) && r.error(id).map(f64::abs) > r.uncertainty(id).map(|u| 4.5 * u);
            rows.iter().filter(beyond).map(|r| r.describe(id)).collect()
        };
        for id in ["pfd_blue", "pfd_green", "pfd_red", "ppfd", "uva", "uv_index"] {
            assert!(far(id).is_empty(), "{}: {}", far(id).len(), far(id)[0]);
        }
        let shell = rusqlite::Connection::open(station.station.store.path()).expect("the database");
        let rejected = |table: &str| -> i64 {
            let sql = format!("SELECT count(*) FROM {table} WHERE json_extract(detail, '$.rejected') IS NOT NULL");
            shell.query_row(&sql, [], |row| row.get(0)).expect("a number")
        };
        assert!(rejected("frame") > rows.len() as i64 / 4, "{} of {}", rejected("frame"), rows.len());
        assert!(rejected("dark") > 0);
    }
}
