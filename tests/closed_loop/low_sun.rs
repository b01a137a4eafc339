//! The sun from the horizon to 15°: a real optic, many instruments, atmospheres and clouds, one reading each.

use crate::closed_loop::{Loop, Row};
use crate::roof::STATION;
use vigilux::clock::UtcMicros;
use vigilux::simulator::scenes::SkyKind;
use vigilux::simulator::settings::Settings;
use vigilux::sun::{self, Place};

const PLACE: Place = Place { latitude_deg: 48.0, longitude_deg: 11.0, altitude_m: 300.0 };
/// Elevations of the sun [degrees].
const ELEVATIONS: [f64; 8] = [0.5, 1.5, 2.5, 4.0, 6.0, 8.0, 11.0, 14.0];
/// Days from the longest to the shortest.
const DAYS: [&str; 4] = ["2026-03-20", "2026-06-21", "2026-10-10", "2026-12-21"];
/// Quantities whose intervals are counted.
const IDS: [&str; 6] = ["ppfd", "illuminance", "uv_index", "red_far_red_ratio", "cct", "pfd_far_red"];

/// The minute of an afternoon at which the sun comes nearest to an elevation [degrees].
pub fn afternoon(date: &str, elevation_deg: f64) -> UtcMicros {
    let noon = UtcMicros::parse(&format!("{date}T11:30:00Z")).expect("the test names a day");
    let minutes = (0..600).map(|m| noon.plus_seconds(60.0 * f64::from(m)));
    let off = |t: &UtcMicros| sun::position(PLACE, *t).map_or(f64::MAX, |s| (s.elevation_deg - elevation_deg).abs());
    minutes.min_by(|a, b| off(a).total_cmp(&off(b))).expect("an afternoon has minutes")
}

/// The reading of a new instrument at an instant.
fn reading(seed: u64, sky: SkyKind, at: UtcMicros) -> Option<Row> {
    let mut bench = Settings { seed, ..Settings::default() };
    bench.scene.sky = sky;
    bench.scene.air.variable = true;
    // What a cold instrument does is warm-up's to flag, and no certificate states it.
    bench.warm_up.on_since_min = 120.0;
    bench.certificate.drawn_errors = Some(1000 + seed);
    let text = |t: UtcMicros| t.to_string();
    let station = STATION.replace("link =", "warm_up_min = 0\nlink =");
    let mut station = Loop::new(&bench, &station, &text(at.plus_seconds(-30.0)));
    station.run_until(&text(at.plus_seconds(90.0)));
    station.rows.pop()
}

/// Independent: the simulator's truth under Bird & Riordan's sky with aerosol and clouds unknown to the program; certificates have the
/// errors that they state.
#[test]
fn intervals_at_a_low_sun_hold_the_truth() {
    /// Instruments for each elevation and sky.
    const INSTRUMENTS: u64 = 24;
    // Share of the intervals of values called good that hold the truth, at least: 95 % less two standard errors of the share, which are
    // 3 % for 190 or so and more for fewer.
    let least = |of: u32| if of >= 190 { 0.92 } else { 0.95 - 2.0 * (0.95 * 0.05 / f64::from(of)).sqrt() };
    /// Fewer intervals than this say nothing.
    const ENOUGH: u32 = 50;
    let mut short = Vec::new();
    for (sky, first) in [(SkyKind::Clear, 1), (SkyKind::Broken, 1001), (SkyKind::Overcast, 2001)] {
        let mut good = [(0_u32, 0_u32); IDS.len()];
        for (n, elevation) in (0..).zip(ELEVATIONS) {
            let rows = (0..INSTRUMENTS).map(|k| {
                let at = afternoon(DAYS[(k % 4) as usize], elevation);
                reading(first + INSTRUMENTS * n + k, sky, at).expect("a reading")
            });
            let rows: Vec<Row> = rows.collect();
            println!("{sky:?} {elevation}°{}", summary(&rows));
            for (id, good) in IDS.iter().zip(&mut good) {
                let held = held(&rows, id);
                *good = (good.0 + held.0, good.1 + held.1);
            }
        }
        for (id, (held, of)) in IDS.iter().zip(good) {
            println!("{sky:?} {id}: {held} of {of} good intervals hold the truth");
            if of >= ENOUGH && f64::from(held) < least(of) * f64::from(of) {
                short.push(format!("{sky:?} {id}: {held} of {of}"));
            }
        }
    }
    assert!(short.is_empty(), "{}", short.join("\n"));
}

/// How many good intervals hold the truth, and how many there are.
fn held(rows: &[Row], id: &str) -> (u32, u32) {
    let mut held = (0, 0);
    for row in rows.iter().filter(|row| row.is_good(id)) {
        let (Some(error), Some(u)) = (row.error(id), row.uncertainty(id)) else { continue };
        held = (held.0 + u32::from(error.abs() <= 2.0 * u), held.1 + 1);
    }
    held
}

/// For each quantity: good intervals that hold the truth, good intervals, mean error over uncertainty and mean relative uncertainty of all.
fn summary(rows: &[Row]) -> String {
    let mut line = String::new();
    for id in IDS {
        let (held, of) = held(rows, id);
        let numbers: Vec<(f64, f64)> = rows
            .iter()
            .filter_map(|row| Some((row.error(id)? / row.uncertainty(id)?, row.uncertainty(id)? / row.value(id)?)))
            .collect();
        let n = numbers.len().max(1) as f64;
        let (bias, u) = numbers.iter().fold((0.0, 0.0), |sum, x| (sum.0 + x.0 / n, sum.1 + x.1 / n));
        line += &format!("  {id} {held}/{of} {bias:+.1} u, u {:.1} %", 100.0 * u);
    }
    line
}
