//! Without a shutter: darks from the night sky only, and a dark model that extends them to the warmer day.

use crate::closed_loop::{Loop, Row, assert_good_within, quantile, share, why_not_good};
use crate::roof::{STATION, uv_allowed};
use vigilux::clock::UtcMicros;
use vigilux::fault::GapCause;
use vigilux::record::{EventKind, Flag};
use vigilux::simulator::optic::OpticSettings;
use vigilux::simulator::settings::Settings;

pub fn without_a_shutter() -> Settings {
    let mut bench = Settings { optic: OpticSettings::perfect(), ..Settings::default() };
    bench.device.shutter = false;
    // Warmest 25 °C, coolest 15 °C: nights cool by 10 K.
    bench.ambient.amplitude_k = 5.0;
    bench
}

/// Independent: the simulator's truth over ten days with night darks only.
#[test]
fn ten_days_on_night_darks_alone_are_right_by_day_and_good_by_night() {
    let mut station = Loop::new(&without_a_shutter(), STATION, "2026-08-20T20:00:00Z");
    station.run_until("2026-08-30T20:00:00Z");
    let lit = station.above(5.0);
    assert!(lit.len() > 6000, "{}", lit.len());
    for id in ["ppfd", "illuminance"] {
        let good = share(&lit, |r| r.is_good(id));
        let mut relative = assert_good_within(&lit, id, |truth| 0.03 * truth);
        println!("{id}: {:.2} % good, 95 % within {:.3} %", good * 100.0, 100.0 * quantile(&mut relative, 0.95));
        assert!(good >= 0.95, "{id}: {good}\n{}", why_not_good(&lit, id));
    }
    let everywhere: Vec<&Row> = station.rows.iter().collect();
    assert_good_within(&everywhere, "uv_index", uv_allowed);
    // Below, the stray-light floor is a third of the value and more, uncertain by 15 % of itself.
    let high = station.above(30.0);
    let good = share(&high, |r| r.is_good("uv_index"));
    println!("uv_index: {:.2} % good above 30°\n{}", good * 100.0, why_not_good(&high, "uv_index"));
    assert!(good >= 0.95, "uv_index: {good}");

    let night: Vec<&Row> = station.rows.iter().filter(|r| r.sun() < -12.0 && r.value("ppfd").is_some()).collect();
    let good = share(&night, |r| r.is_good("ppfd") && r.is_good("illuminance") && r.is_good("uv_index"));
    assert!(good > 0.95, "night zeros good: {good}\n{}", why_not_good(&night, "ppfd"));
}

/// Independent: the simulator's truth, over two nights of each of sixty-four instruments that begin without a dark.
///
/// Readings of one instrument share darks and models, so only instruments are independent: the mean of each is counted. The
/// means are compared with the truth, which holds the twilight of that moment, and not with zero. A light that stands in the
/// sky all night would be in the darks as well and lower all values: there is none here.
#[test]
fn night_zeros_are_good_and_unbiased_from_the_first_night_on() {
    const IDS: [&str; 3] = ["ppfd", "illuminance", "uv_index"];
    // The simulated sky has no light of its own, and no lamp is near. The moon, which is not simulated here, is new in these nights.
    let config = format!("{STATION}[instrument.darks]\nnight_sky_lx = 0.0\n");
    let mut means = [const { Vec::new() }; 3];
    for seed in 1..=64 {
        let bench = Settings { seed, ..without_a_shutter() };
        let mut station = Loop::new(&bench, &config, "2026-08-12T19:45:00Z");
        station.run_until("2026-08-13T04:00:00Z");
        // The day between teaches nothing about darkness.
        station.restart();
        station.clock.advance_to(UtcMicros::parse("2026-08-13T19:45:00Z").expect("an instant"));
        station.run_until("2026-08-14T04:00:00Z");
        let settled = |r: &&Row| r.sun() < -12.0 && !r.has(Flag::Warming) && r.value("ppfd").is_some();
        let night: Vec<&Row> = station.rows.iter().filter(settled).collect();
        assert!(night.len() > 700, "seed {seed}: {}", night.len());
        let good = share(&night, |r| IDS.iter().all(|id| r.is_good(id)));
        assert!(good > 0.95, "seed {seed}: night zeros good: {good}\n{}", why_not_good(&night, "ppfd"));
        for (id, means) in IDS.iter().zip(&mut means) {
            let errors: Vec<f64> = night.iter().filter_map(|r| r.error(id)).collect();
            means.push(errors.iter().sum::<f64>() / errors.len() as f64);
        }
    }
    for (id, means) in IDS.iter().zip(&means) {
        let n = means.len() as f64;
        let mean = means.iter().sum::<f64>() / n;
        let error = (means.iter().map(|m| (m - mean).powi(2)).sum::<f64>() / (n - 1.0) / n).sqrt();
        println!("{id}: {mean:+.2e}, standard error {error:.2e} over {n} instruments: {:+.2}", mean / error);
        assert!(mean.abs() <= 2.0 * error, "{id}: {mean} against {error}");
    }
}

/// The pauses between readings are too short for the longest dark. Every tick is a reading or a gap, each planned integration
/// time has its dark in the first night, and the values of the next day are right.
#[test]
fn a_night_without_pauses_still_completes_the_library() {
    // Readings that may take 50 s of every minute, in exposures of up to half a minute.
    let config = format!("{STATION}[instrument.exposure]\nintegration_max_ms = 60000\nbudget_s = 50\n");
    let mut station = Loop::new(&without_a_shutter(), &config, "2026-08-20T19:30:00Z");
    station.run_until("2026-08-21T10:00:00Z");
    let darks = station.station.store.darks(1, UtcMicros(0)).expect("the store answers");
    let times: std::collections::BTreeSet<i64> =
        darks.iter().flatten().map(|d| (d.frame.integration_s * 1e3).round() as i64).collect();
    let longest = *times.last().expect("darks were taken");
    println!("library: {times:?} ms");
    assert!(longest > 40_000, "the longest time a reading may use is in the library: {times:?}");
    assert!(times.iter().zip(times.iter().skip(1)).all(|(a, b)| *b <= 3 * *a), "no step is left out: {times:?}");
    let busy: f64 = station.events.iter().filter(|e| e.kind == EventKind::Gap(GapCause::Busy)).count() as f64;
    let night = station.rows.iter().filter(|r| r.sun() < -12.0).count() as f64;
    assert!(busy <= 0.05 * night, "{busy} gaps to {night} readings");
    let lit = station.above(5.0);
    assert!(share(&lit, |r| r.is_good("ppfd")) > 0.95, "{}", why_not_good(&lit, "ppfd"));
    assert_good_within(&lit, "ppfd", |truth| 0.03 * truth);
}

/// A night under a full moon or a street lamp is not accepted as dark, and the values of the following days are right.
#[test]
fn a_lit_night_gives_no_dark() {
    let mut bench = without_a_shutter();
    bench.scene.moon_lux = 0.25;
    bench.scene.street_lamp_lux = 2.0;
    let mut station = Loop::new(&bench, STATION, "2026-08-20T20:00:00Z");
    station.run_until("2026-08-21T12:00:00Z");
    assert!(station.events.iter().any(|e| e.kind == EventKind::DarkRefused), "no dark was refused");
    let lit = station.above(5.0);
    assert!(share(&lit, |r| r.has(Flag::DarkMissing) || r.has(Flag::DarkSuspect) || r.value("ppfd").is_none()) > 0.9);
    assert_good_within(&lit, "ppfd", |truth| 0.03 * truth);
    let everywhere: Vec<&Row> = station.rows.iter().collect();
    assert_good_within(&everywhere, "uv_index", uv_allowed);
}

/// Every good value of these rows lies within four of its standard uncertainties of the truth; answers with the share of good ones.
fn good_within_four_uncertainties(rows: &[&Row], id: &str) -> f64 {
    let wrong: Vec<String> = rows
        .iter()
        .filter(|r| r.is_good(id))
        .filter(|r| {
            let (error, u) = (r.error(id).unwrap_or(f64::NAN), r.uncertainty(id).unwrap_or(f64::NAN));
            !(error.abs() <= 4.0 * u)
        })
        .map(|r| format!("u {:?} {}", r.uncertainty(id), r.describe(id)))
        .collect();
    assert!(
        wrong.is_empty(),
        "{} good values of {id} are wrong, first:\n{}",
        wrong.len(),
        wrong[..wrong.len().min(4)].join("\n")
    );
    share(rows, |r| r.is_good(id))
}

/// Independent: the simulator's truth under a street lamp of 5 lx, from the first night on. It is invisible in short darks and plain in
/// long ones; no good value may lack its light.
#[test]
fn a_street_lamp_is_missing_from_no_good_value() {
    for lux in [5.0, 0.5] {
        let mut bench = without_a_shutter();
        bench.scene.street_lamp_lux = lux;
        let mut station = Loop::new(&bench, STATION, "2026-08-20T20:00:00Z");
        station.run_until("2026-08-21T12:00:00Z");
        let rows: Vec<&Row> = station.rows.iter().filter(|r| !r.has(Flag::Warming)).collect();
        for id in ["illuminance", "ppfd"] {
            let good = good_within_four_uncertainties(&rows, id);
            println!("{lux} lx: {id} {:.1} % good\n{}", 100.0 * good, why_not_good(&rows, id));
        }
    }
}

/// Independent: the simulator's truth under a moon of 0.25 lx, on a path and with phases that are not the program's: a waxing moon that sets
/// before midnight, and the full moon of a whole night. No good value lacks its light, night values are good where the night
/// had dark hours, and the days after are right.
#[test]
fn moonlight_is_missing_from_no_good_value() {
    for (start, end, moonless) in [
        ("2026-08-21T19:30:00Z", "2026-08-23T12:00:00Z", true),
        ("2026-08-26T19:30:00Z", "2026-08-29T12:00:00Z", false),
    ] {
        let mut bench = without_a_shutter();
        bench.scene.moon_lux = 0.25;
        let mut station = Loop::new(&bench, STATION, start);
        station.run_until(end);
        let rows: Vec<&Row> = station.rows.iter().filter(|r| !r.has(Flag::Warming)).collect();
        for id in ["illuminance", "ppfd", "edi_melanopic"] {
            let good = good_within_four_uncertainties(&rows, id);
            println!("from {start}: {id} {:.1} % good\n{}", 100.0 * good, why_not_good(&rows, id));
            assert!(!moonless || good > 0.5, "{good}");
        }
        let lit = station.above(5.0);
        assert_good_within(&lit, "ppfd", |truth| 0.03 * truth);
        let moonlit = rows.iter().filter(|r| r.true_value("illuminance").is_some_and(|e| e > 0.02 && r.sun() < -18.0));
        println!("{} readings by moonlight", moonlit.count());
    }
}
