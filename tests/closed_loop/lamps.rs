//! Lamps: mains ripple in a glasshouse, single shots and windows, and an ageing lamp that is switched on and off.

use crate::closed_loop::{Loop, Row, assert_good_within, index, quantile, share, why_not_good};
use vigilux::quantities::{Group, registry};
use vigilux::record::{Flag, QuantityValue};
use vigilux::simulator::optic::OpticSettings;
use vigilux::simulator::scenes::SceneKind;
use vigilux::simulator::settings::Settings;

pub fn glasshouse(instrument: &str) -> String {
    format!(
        r#"
version = 1
[station]
name = "Example glasshouse"
kind = "glasshouse"
latitude_deg = 52.0
longitude_deg = 5.0
time_zone = "Europe/Amsterdam"
mains_hz = 50
[[instrument]]
name = "canopy"
link = "/dev/null"
[instrument.darks]
sources = ["shutter"]
[instrument.limits]
lamp_rating_ppfd = 400
[instrument.schedule]
cron = "0 * * * * *"
{instrument}
"#
    )
}

pub fn lit_house() -> Settings {
    let mut bench = Settings { optic: OpticSettings::perfect(), ..Settings::default() };
    bench.scene.kind = SceneKind::Glasshouse;
    bench.scene.latitude_deg = 52.0;
    bench.scene.longitude_deg = 5.0;
    bench.scene.mains_hz = 50;
    bench.scene.lamps_ripple = 0.3;
    bench.scene.lamps_ppfd = 120.0;
    bench
}

/// Independent: the simulator's truth under lamps with 30 % ripple at 100 Hz, lamps alone and together with the sun.
#[test]
fn under_rippling_lamps_good_ppfd_is_right() {
    for extra in ["", "window_s = 40"] {
        let mut station = Loop::new(&lit_house(), &glasshouse(extra), "2026-11-10T03:00:00Z");
        station.run_until("2026-11-10T22:00:00Z");
        let rows: Vec<&Row> = station.rows.iter().filter(|r| r.true_value("ppfd").is_some_and(|p| p > 50.0)).collect();
        assert!(rows.len() > 600, "{}", rows.len());
        let mut relative = assert_good_within(&rows, "ppfd", |truth| 0.02 * truth);
        let good = share(&rows, |r| r.is_good("ppfd"));
        println!("{extra:?}: {:.1} % good, 95 % within {:.3} %", good * 100.0, 100.0 * quantile(&mut relative, 0.95));
        assert!(good > 0.9, "{}", why_not_good(&rows, "ppfd"));
        assert!(rows.iter().all(|r| !r.is_good("ppfd") || r.reading.exposures.iter().all(|e| whole(e.integration_s))));
        if !extra.is_empty() {
            let window = rows.last().and_then(|r| r.reading.window[index("ppfd")]).expect("a window");
            let value = rows.last().and_then(|r| r.value("ppfd")).expect("a value");
            assert!(
                window.minimum <= value && value <= window.maximum && window.deviation >= 0.0,
                "{window:?} {value}"
            );
        }
    }
}

/// The glasshouse file that is shipped, without the lines that name files.
fn shipped_glasshouse() -> String {
    let path = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("config/glasshouse.toml");
    let text = std::fs::read_to_string(path).expect("the sample is there");
    let names_a_file = |line: &&str| ["[store]", "path", "calibrations"].iter().any(|key| line.starts_with(key));
    text.lines().filter(|line| !names_a_file(line)).map(|line| format!("{line}\n")).collect()
}

/// Independent: the simulator's light without the ripple, on a sunny day in June under lamps that ripple by 30 %, with the
/// glasshouse file that is shipped. No whole half-cycle fits the light of the day, so exposures begin at random phases of the ripple.
/// The phase of the ripple within each exposure is that of the clock, and readings come at a fixed rate.
#[test]
fn a_sunny_day_under_rippling_lamps_is_good_with_the_shipped_file() {
    let mut bench = lit_house();
    bench.scene.lamps_ppfd = 200.0;
    (bench.scene.latitude_deg, bench.scene.longitude_deg) = (51.95, 4.30);
    let config = shipped_glasshouse().replace("cron = \"0 * * * * *\"", "cron = \"0 */6 * * * *\"");
    let mut station = Loop::new(&bench, &config, "2026-06-21T05:00:00Z").compare_without_ripple(&bench);
    station.run_until("2026-06-21T19:00:00Z");
    let rows: Vec<&Row> = station.rows.iter().filter(|r| !r.has(Flag::Warming)).collect();
    let short = rows.iter().filter(|r| !whole(r.reading.exposures[0].integration_s)).count();
    assert!(
        short as f64 > 0.7 * rows.len() as f64,
        "the test is about short exposures, found {short} of {}",
        rows.len()
    );
    let mut relative = assert_good_within(&rows, "ppfd", |truth| 0.02 * truth);
    let good = share(&rows, |r| r.is_good("ppfd"));
    let light = |of: &dyn Fn(&&&Row) -> bool| -> f64 {
        rows.iter().filter(|r| of(r)).filter_map(|r| r.true_value("ppfd")).sum()
    };
    let good_light = light(&|r| r.is_good("ppfd")) / light(&|_| true);
    let worst = quantile(&mut relative, 1.0);
    println!(
        "{:.1} % of values and {:.1} % of the light good; 95 % within {:.3} %, all within {:.3} %",
        good * 100.0,
        good_light * 100.0,
        100.0 * quantile(&mut relative, 0.95),
        100.0 * worst
    );
    assert!(good >= 0.95 && good_light >= 0.95, "{}", why_not_good(&rows, "ppfd"));
}

/// Identity: in a window whose brackets have many exposures and one, what is made of visible light is followed through the
/// bracket with many, as the light itself is: ratios, colours and indices have statistics wherever illuminance has.
#[test]
fn a_window_follows_ratios_and_colours_through_the_bracket_of_their_light() {
    let mut station = Loop::new(&lit_house(), &glasshouse("window_s = 4"), "2026-11-10T08:00:00Z");
    station.run_until("2026-11-10T08:40:00Z");
    let mut compared = 0;
    for row in &station.rows {
        let window = |id: &str| row.reading.window[index(id)];
        let Some(light) = window("illuminance") else { continue };
        assert!(light.deviation > 0.0, "{}: {light:?}", row.reading.time_mid);
        for id in ["sp_ratio", "cie_x", "cct", "phytochrome_equilibrium", "cri_ra", "gamut_rg"] {
            let exposures = || format!("{:?}", row.reading.exposures);
            let of = window(id).unwrap_or_else(|| panic!("{}: {id} has none of {}", row.reading.time_mid, exposures()));
            let value = row.value(id).expect("a value");
            // The value also has light of the other bracket, which these statistics leave out: `gamut_rg` was 0.007 outside.
            let apart = of.deviation;
            let within = of.minimum - apart <= value && value <= of.maximum + apart;
            assert!(within, "{}: {id} is {value}, {of:?}", row.reading.time_mid);
            compared += 1;
        }
    }
    assert!(compared > 150, "{compared} windows");
}

fn whole(integration_s: f64) -> bool {
    let half_cycles = integration_s * 100.0;
    (half_cycles - half_cycles.round()).abs() < 1e-6
}

/// Light so strong that no whole half-cycle fits is flagged `flicker`, because ripple is left in it.
#[test]
fn what_cannot_be_averaged_over_the_ripple_is_flagged() {
    let mut bench = lit_house();
    bench.scene.lamps_ppfd = 6000.0;
    let config = glasshouse("").replace("lamp_rating_ppfd = 400", "lamp_rating_ppfd = 9000");
    let mut station = Loop::new(&bench, &config, "2026-11-10T04:00:00Z");
    station.run_until("2026-11-10T06:00:00Z");
    let bright: Vec<&Row> = station.rows.iter().filter(|r| r.true_value("ppfd").is_some_and(|p| p > 3000.0)).collect();
    assert!(bright.len() > 30);
    assert!(bright.iter().all(|r| r.has(Flag::Flicker) && !r.is_good("ppfd")), "{}", bright[0].describe("ppfd"));
    assert_good_within(&bright, "ppfd", |truth| 0.02 * truth);
}

#[test]
fn ultraviolet_lamps_under_glass_change_the_rule_of_ultraviolet_quantities_alone() {
    let last_of = |config: &str| {
        let mut station = Loop::new(&lit_house(), config, "2026-11-10T11:00:00Z");
        station.run_until("2026-11-10T11:10:00Z");
        station.rows.last().expect("a reading").reading.values.clone()
    };
    let sun = last_of(&glasshouse(""));
    let lamps = last_of(&glasshouse("").replace("mains_hz = 50", "mains_hz = 50\nultraviolet_lamps = true"));
    assert!(sun[index("uv_index")].value().is_some(), "{:?}", sun[index("uv_index")]);
    let QuantityValue::Null(reason) = &lamps[index("uv_index")] else { panic!("{:?}", lamps[index("uv_index")]) };
    assert!(reason.starts_with("needs 250 to 400 nm, but the range is 280"), "{reason}");
    for (q, (sun, lamps)) in
        registry().iter().zip(sun.iter().zip(&lamps)).filter(|(q, _)| q.group != Group::Ultraviolet)
    {
        assert_eq!(sun, lamps, "{}", q.id);
    }
}

/// A white lamp that burns for 45 minutes and is off for 15.
fn cycled() -> Settings {
    let mut bench = Settings { optic: OpticSettings::perfect(), ..Settings::default() };
    bench.scene.kind = SceneKind::Lamp;
    bench.scene.lamp_on_min = 45.0;
    bench.scene.lamp_off_min = 15.0;
    bench
}

/// The station of the ageing lamp.
fn rack(instrument: &str, schedule: &str) -> String {
    format!(
        r#"
version = 1
[station]
name = "Ageing rack 3"
kind = "lamp"
latitude_deg = 50.0
longitude_deg = 8.0
time_zone = "Europe/Berlin"
mains_hz = 0
[[instrument]]
name = "rack"
link = "/dev/null"
{instrument}
[instrument.darks]
sources = ["shutter"]
[instrument.schedule]
{schedule}
"#
    )
}

/// Independent: the simulator's truth of a white lamp that is cycled; its dark pauses are near zero and good.
#[test]
fn a_cycled_lamp_is_measured_lit_and_unlit() {
    let bench = cycled();
    let config = rack("", "cron = \"0 */2 * * * *\"");
    let mut station = Loop::new(&bench, &config, "2026-03-01T00:00:00Z");
    station.run_until("2026-03-01T12:00:00Z");
    let after_warm_up = |r: &&Row| !r.has(Flag::Warming);
    let lit: Vec<&Row> = station
        .rows
        .iter()
        .filter(|r| r.true_value("illuminance").is_some_and(|e| e > 5000.0))
        .filter(after_warm_up)
        .collect();
    let unlit: Vec<&Row> = station
        .rows
        .iter()
        .filter(|r| r.true_value("illuminance").is_some_and(|e| e < 0.001))
        .filter(after_warm_up)
        .collect();
    assert!(lit.len() > 200 && unlit.len() > 60, "{} lit, {} unlit", lit.len(), unlit.len());
    assert!(share(&lit, |r| r.is_good("illuminance") && r.is_good("ppfd")) > 0.95, "{}", why_not_good(&lit, "ppfd"));
    assert_good_within(&lit, "illuminance", |truth| 0.01 * truth);
    assert_good_within(&lit, "cct", |truth| 0.005 * truth);
    assert!(share(&unlit, |r| r.is_good("illuminance")) > 0.95, "{}", why_not_good(&unlit, "illuminance"));
    assert!(unlit.iter().all(|r| r.value("illuminance").is_some_and(|e| e.abs() < 5.0)));
    assert!(unlit.iter().all(|r| r.value("cct").is_none() || !r.is_good("cct")), "a dark lamp has no colour");
}

/// The exposure state of the check source survives a restart. Known light needs no search; unknown light costs exposures
/// before a usable one. The state of the station's own light, a dark lamp, would not help.
#[test]
fn a_restarted_station_goes_on_with_what_the_check_source_needs() {
    let mut bench = cycled();
    bench.warm_up.minutes = 0.0;
    let config = rack("warm_up_min = 0", "cron = \"0 50 * * * *\"\ncheck_source = \"0 20 * * * *\"");
    let mut station = Loop::new(&bench, &config, "2026-03-01T00:00:00Z");
    station.run_until("2026-03-01T01:59:00Z");
    station.restart();
    station.run_until("2026-03-01T02:59:00Z");
    // From the tick to the light that served [s].
    let waits: Vec<f64> = station
        .rows
        .iter()
        .filter(|r| r.has(Flag::CheckSource))
        .map(|r| r.reading.time_start.seconds().rem_euclid(60.0))
        .collect();
    let [unknown, known, restarted] = waits[..] else { panic!("expected three looks at the source, found {waits:?}") };
    assert!(unknown > known + 0.05, "{waits:?}");
    assert!((restarted - known).abs() < 0.05, "{waits:?}");
}
