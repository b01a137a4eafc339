//! An instrument that answers one dark wrongly, with valid checksums.

use crate::closed_loop::{Loop, Row, assert_good_within, share, why_not_good};
use crate::lamps::glasshouse;
use crate::roof::{STATION, uv_allowed};
use vigilux::record::EventKind;
use vigilux::simulator::faults::FaultRule;
use vigilux::simulator::optic::OpticSettings;
use vigilux::simulator::scenes::SceneKind;
use vigilux::simulator::settings::Settings;

/// Runs three hours from `start`; from one and a half hours on every exposure with the shutter closed is wrong by this rule, until the
/// first dark is refused or 25 minutes have passed.
fn with_one_wrong_dark(bench: &Settings, config: &str, start: &str, rule: &str) -> Loop {
    let rule = format!("{rule}\napplies_to = \"dark\"\nprobability = 1.0");
    let rule: FaultRule = toml::from_str(&rule).expect("a rule");
    let config = config.replace("link = \"/dev/null\"", "link = \"/dev/null\"\nwarm_up_min = 0");
    let mut station = Loop::new(bench, &config, start);
    station.run_hours(1.5);
    let refused = |station: &Loop| station.events.iter().filter(|e| e.kind == EventKind::DarkRefused).count();
    assert_eq!(refused(&station), 0, "{:?}", station.events);
    station.handle.with(|world| world.set_faults(vec![rule]));
    for _ in 0..25 {
        station.run_hours(1.0 / 60.0);
        if refused(&station) > 0 {
            break;
        }
    }
    station.handle.with(|world| world.set_faults(Vec::new()));
    station.run_hours(1.1);
    station
}

fn bench(kind: SceneKind, shielded: bool) -> Settings {
    let mut bench = Settings { optic: OpticSettings::perfect(), ..Settings::default() };
    bench.warm_up.minutes = 0.0;
    bench.scene.kind = kind;
    if !shielded {
        bench.detector.shielded = Vec::new();
    }
    bench
}

/// Independent: the simulator's truth around a dark that is 300 counts too high, or 5000 counts in every pixel: by day on a roof, with and
/// without shielded pixels that would show it, and under a lamp, whose light has no physical limit.
#[test]
fn one_wrong_dark_makes_no_good_value_wrong() {
    let lamp = glasshouse("").replace("kind = \"glasshouse\"", "kind = \"lamp\"").replace("lamp_rating_ppfd = 400", "");
    for (kind, config, start) in
        [(SceneKind::Roof, STATION.to_owned(), "2026-06-21T09:00:00Z"), (SceneKind::Lamp, lamp, "2026-06-21T09:00:00Z")]
    {
        for (rule, shielded) in [
            ("kind = \"added_counts\"\ncount = 300", false),
            ("kind = \"added_counts\"\ncount = 300", true),
            ("kind = \"constant_counts\"\ncount = 5000", false),
        ] {
            let station = with_one_wrong_dark(&bench(kind, shielded), &config, start, rule);
            let rows: Vec<&Row> = station.rows.iter().collect();
            let what = format!("{kind:?}, {rule}, shielded pixels: {shielded}");
            println!("{what}: {} rows", rows.len());
            // Beside 2 %: the noise of the dark pauses of a lamp.
            for (id, noise) in [("ppfd", 1e-3), ("illuminance", 0.05)] {
                assert_good_within(&rows, id, |truth| 0.02 * truth + noise);
                let good = share(&rows, |r| r.is_good(id));
                assert!(good > 0.9, "{what}: {id} {good}\n{}", why_not_good(&rows, id));
            }
            if kind == SceneKind::Roof {
                assert_good_within(&rows, "uv_index", uv_allowed);
            }
            let refused: Vec<&str> =
                station.events.iter().filter(|e| e.kind == EventKind::DarkRefused).map(|e| e.text.as_str()).collect();
            assert!((1..=3).contains(&refused.len()), "{what}: {refused:?}");
        }
    }
}

/// Independent: the simulator's truth around a lasting jump of the dark: the second dark confirms it, and values are good again.
#[test]
fn a_dark_that_stays_another_is_confirmed_by_the_second() {
    let bench = bench(SceneKind::Roof, false);
    let config = STATION.replace("link = \"/dev/null\"", "link = \"/dev/null\"\nwarm_up_min = 0");
    let mut station = Loop::new(&bench, &config, "2026-06-21T09:00:00Z");
    station.run_hours(1.5);
    // Light and darks alike: the offset of the electronics has changed.
    let rule = "kind = \"added_counts\"\ncount = 150\nprobability = 1.0";
    station.handle.with(|world| world.set_faults(vec![toml::from_str(rule).expect("a rule")]));
    station.run_hours(2.0);
    let rows: Vec<&Row> = station.rows.iter().collect();
    assert!(station.events.iter().any(|e| e.kind == EventKind::DarkRefused && e.text.contains("held back")));
    let last: Vec<&Row> = rows[rows.len() - 60..].to_vec();
    assert_good_within(&last, "ppfd", |truth| 0.02 * truth);
    let refused = station.events.iter().filter(|e| e.kind == EventKind::DarkRefused).count();
    println!("{refused} held back; {}", why_not_good(&rows, "ppfd"));
}

/// Independent: the simulator's truth under a lamp whose very first darks are 5000 counts in every pixel: there is nothing to compare them
/// with, and values below zero are good all the same in no kind of station.
#[test]
fn light_below_zero_is_good_under_no_lamp() {
    let config =
        glasshouse("").replace("kind = \"glasshouse\"", "kind = \"lamp\"").replace("lamp_rating_ppfd = 400", "");
    let config = config.replace("link = \"/dev/null\"", "link = \"/dev/null\"\nwarm_up_min = 0");
    let mut bench = bench(SceneKind::Lamp, false);
    let rule = "kind = \"constant_counts\"\ncount = 5000\nprobability = 1.0\napplies_to = \"dark\"";
    bench.fault = vec![toml::from_str(rule).expect("a rule")];
    // Without a band for the floor of stray light, which would take most of the error out.
    bench.certificate.floor_band_nm = [100.0, 110.0];
    bench.scene.lamp_lux = 2.0;
    let mut station = Loop::new(&bench, &config, "2026-06-21T09:00:00Z");
    station.run_hours(0.2);
    let negative = station.rows.iter().filter(|r| r.value("ppfd").is_some_and(|v| v < -0.1)).count();
    assert!(negative > 3, "the fault shows: {negative} of {}", station.rows.len());
    station.handle.with(|world| world.set_faults(Vec::new()));
    station.run_hours(1.5);
    let rows: Vec<&Row> = station.rows.iter().collect();
    let wrong: Vec<String> =
        rows.iter().filter(|r| r.is_good("ppfd") && r.value("ppfd") < Some(-0.1)).map(|r| r.describe("ppfd")).collect();
    assert!(wrong.is_empty(), "{} of {}: {}", wrong.len(), rows.len(), wrong[0]);
    assert_good_within(&rows[rows.len() - 60..], "ppfd", |truth| 0.02 * truth + 1e-3);
}
