//! A station on a roof under a changing sky, with a disturbance.

use crate::closed_loop::Loop;
use vigilux::clock::UtcMicros;
use vigilux::quality::monitor::pixels::PixelDrift;
use vigilux::quality::monitor::response::ResponseDrift;
use vigilux::quality::monitor::wavelength::WavelengthDrift;
use vigilux::record::{Flag, FlaggedInterval, Verdict};
use vigilux::simulator::disturbances::{Disturbance, DisturbanceKind};
use vigilux::simulator::optic::OpticSettings;
use vigilux::simulator::scenes::SkyKind;
use vigilux::simulator::settings::Settings;
use vigilux::store::StoredReading;

/// Seeds of the campaigns.
pub const SEEDS: [u64; 3] = [1, 2, 3];

/// A station that reads as `cron` says while the sun is above `sun_above` degrees.
pub fn station(cron: &str, sun_above: f64) -> String {
    format!(
        r#"
version = 1
[station]
name = "Example roof"
kind = "roof"
latitude_deg = 48.0
longitude_deg = 11.0
altitude_m = 300
time_zone = "Europe/Berlin"
[[instrument]]
name = "south"
link = "/dev/null"
warm_up_min = 0
[instrument.schedule]
cron = "{cron}"
sun_above_deg = {sun_above}
[instrument.darks]
exposures = 2
"#
    )
}

/// A simulator under the changing sky, without warm-up, with a daily temperature cycle.
pub fn bench(seed: u64, sky: SkyKind) -> Settings {
    let mut bench = Settings { optic: OpticSettings::perfect(), seed, ..Settings::default() };
    bench.scene.sky = sky;
    bench.scene.air.variable = true;
    bench.warm_up.minutes = 0.0;
    bench.ambient.amplitude_k = 8.0;
    bench
}

pub fn at(text: &str) -> UtcMicros {
    UtcMicros::parse(text).expect("the test names an instant")
}

pub fn disturbance(kind: DisturbanceKind, from: &str) -> Disturbance {
    Disturbance::new(kind, at(from))
}

/// Recorded intervals of a flag.
pub fn spans(station: &Loop, flag: Flag) -> Vec<FlaggedInterval> {
    let all =
        station.station.store.flagged_intervals(UtcMicros(i64::MIN), UtcMicros(i64::MAX)).expect("spans can be read");
    all.into_iter().filter(|s| s.flag == flag).collect()
}

/// Every stored reading as a reader gets it, with its truth, in order.
pub fn as_read(station: &Loop) -> Vec<(StoredReading, Vec<Option<f64>>)> {
    let read = station.station.store.readings(UtcMicros(i64::MIN), UtcMicros(i64::MAX)).expect("readings can be read");
    let read: Vec<StoredReading> = read.map(|r| r.expect("a reading is whole")).collect();
    assert_eq!(read.len(), station.rows.len());
    read.into_iter().zip(station.rows.iter().map(|r| r.truth.clone())).collect()
}

/// Values that are good as read and farther from the truth than allowed: their number, and the first one.
pub fn wrong(station: &Loop, id: &str, allowed: impl Fn(f64) -> f64) -> (usize, Option<String>) {
    wrong_since(station, UtcMicros(i64::MIN), id, allowed)
}

/// The same for readings from an instant on.
pub fn wrong_since(
    station: &Loop,
    since: UtcMicros,
    id: &str,
    allowed: impl Fn(f64) -> f64,
) -> (usize, Option<String>) {
    let k = crate::closed_loop::index(id);
    let mut wrong = Vec::new();
    for (stored, truth) in as_read(station).into_iter().filter(|(r, _)| r.reading.time_mid >= since) {
        let (Some(value), Some(truth)) = (stored.reading.values[k].value(), truth[k]) else { continue };
        let good = stored.reading.values[k].verdict() == Some(Verdict::Good);
        if good && !((value - truth).abs() <= allowed(truth)) {
            wrong.push(format!("{} {id} {value} instead of {truth}", stored.reading.time_mid));
        }
    }
    (wrong.len(), wrong.into_iter().next())
}

/// No good value is off by more than a value without any fault may be, back to the disturbance or to the last check within the
/// limit before it was detected, whichever is later.
pub fn nothing_wrong_since(station: &Loop, befell: UtcMicros, found: &FlaggedInterval, what: &str) {
    let since = befell.max(found.from);
    assert_eq!(wrong_since(station, since, "ppfd", |truth| (0.02 * truth).max(1.0)), (0, None), "{what}");
    assert_eq!(wrong_since(station, since, "uv_index", |truth| (0.06 * truth).max(0.15)), (0, None), "{what}");
}

/// The current state of the monitors.
pub fn wavelength(station: &Loop) -> WavelengthDrift {
    state(station, vigilux::quality::monitor::WAVELENGTH_STATE)
}

pub fn response(station: &Loop) -> ResponseDrift {
    state(station, vigilux::quality::monitor::RESPONSE_STATE)
}

pub fn pixels(station: &Loop) -> PixelDrift {
    state(station, vigilux::quality::monitor::PIXEL_STATE)
}

fn state<T: serde::de::DeserializeOwned>(station: &Loop, name: &str) -> T {
    let stored = station.station.store.load_state(1, name).expect("state can be read").expect("there is state");
    serde_json::from_str(&stored.json).expect("state is what it was")
}

/// Prints one row of the table.
pub fn row(what: &str, seed: u64, found: &str) {
    println!("| {what} | {seed} | {found} |");
}
