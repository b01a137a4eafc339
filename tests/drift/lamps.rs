//! Lamps: the pump peak of a white lamp, a check source, a glasshouse at night.

use crate::campaign::*;
use crate::closed_loop::Loop;
use std::io::Write;
use vigilux::record::{EventKind, Flag};
use vigilux::simulator::disturbances::{Disturbance, DisturbanceKind};
use vigilux::simulator::optic::OpticSettings;
use vigilux::simulator::scenes::{SceneKind, SkyKind};
use vigilux::simulator::settings::Settings;

fn rack(extra: &str) -> String {
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
warm_up_min = 0
[instrument.darks]
sources = ["shutter"]
[instrument.schedule]
cron = "0 */30 * * * *"
{extra}
"#
    )
}

fn bench(seed: u64, disturbance: Disturbance) -> Settings {
    let mut bench = Settings { optic: OpticSettings::perfect(), seed, ..Settings::default() };
    bench.warm_up.minutes = 0.0;
    bench.scene.kind = SceneKind::Lamp;
    bench.scene.lamp_on_min = 1e6;
    bench.scene.lamp_fade_per_1000h = 0.0;
    bench.scene.lamp_phosphor_fade_per_1000h = 0.0;
    bench.scene.lamp_blue_shift_nm_per_1000h = 0.0;
    bench.disturbance = vec![disturbance];
    bench
}

/// Independent: the simulator's shift, estimated from the pump peak of a white lamp.
#[test]
fn a_knock_is_told_by_the_pump_peak_of_a_lamp() {
    for seed in SEEDS {
        let knock = Disturbance { nm: 0.3, ..disturbance(DisturbanceKind::WavelengthShift, "2026-03-03T00:10:00Z") };
        let mut run = Loop::new(&bench(seed, knock), &rack(""), "2026-03-01T00:00:00Z");
        run.run_until("2026-03-03T12:00:00Z");
        let found = spans(&run, Flag::WavelengthDrift);
        assert!(found.len() == 1 && found[0].text.contains("or the lamp's own lines have moved"), "{found:?}");
        let (now, _) = wavelength(&run).shift().expect("it was seen");
        row("shift of +0.3 nm at a white lamp", seed, &format!("estimated {now:+.3} nm by its pump peak"));
        assert!((now - 0.3).abs() < 0.03, "seed {seed}: {now}");
        let told = run.events.iter().find(|e| e.text.starts_with("wavelength_drift")).expect("it is on record");
        assert!(told.time.seconds_since(at("2026-03-03T00:10:00Z")) <= 2.0 * 3600.0, "seed {seed}: {}", told.time);
    }
}

/// Independent: the simulator's loss of response, estimated from the check source, whose readings are no good values of the
/// station's light.
#[test]
fn a_check_source_tells_the_response_and_is_not_the_stations_light() {
    const LOSS: &str = "2026-03-05T00:10:00Z";
    for seed in SEEDS {
        let loss = Disturbance { share: 0.1, ..disturbance(DisturbanceKind::ResponseLoss, LOSS) };
        let config = rack("check_source = \"0 0 */12 * * *\"");
        let mut run = Loop::new(&bench(seed, loss), &config, "2026-03-01T00:00:00Z");
        run.run_until("2026-03-07T00:00:00Z");
        let looked: Vec<_> = run.rows.iter().filter(|r| r.has(Flag::CheckSource)).collect();
        assert_eq!(looked.len(), 12, "two a day");
        assert!(looked.iter().all(|r| !r.is_good("ppfd")) && run.rows.iter().any(|r| r.is_good("ppfd")));
        let found = spans(&run, Flag::ResponseDrift);
        assert!(found.len() == 1 && found[0].from <= at(LOSS), "seed {seed}: {found:?}");
        let change = response(&run).change().expect("there is a baseline");
        row("10 % of the response lost at a lamp with a check source", seed, &format!("{:+.1} %", 100.0 * change));
        assert!((change - 0.9f64.ln()).abs() < 0.01, "seed {seed}: {change}");
        assert_eq!(wrong(&run, "ppfd", |truth| (0.02 * truth).max(1.0)), (0, None), "seed {seed}");
    }
}

const GLASSHOUSE: &str = r#"
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
warm_up_min = 0
[instrument.darks]
sources = ["shutter"]
[instrument.schedule]
cron = "0 */30 14-20 * * *"
"#;

/// Factors on the light, one a night: lamps that scatter from night to night and fade by 2 % in 1000 burning hours.
fn living_lamps(seed: u64, begins: &str, days: u32) -> tempfile::NamedTempFile {
    let mut file = tempfile::NamedTempFile::new().expect("a file can be made");
    writeln!(file, "time_utc,factor").expect("the file can be written");
    let mut state = seed.wrapping_mul(0x9e37_79b9_7f4a_7c15) | 1;
    for day in 0..days {
        state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        let even = (state >> 11) as f64 / (1_u64 << 53) as f64 - 0.5;
        let factor = (1.0 + 0.03 * even) * (-0.02 * 16.0 * f64::from(day) / 1000.0).exp();
        for hour in [0.0, 23.9] {
            let time = at(begins).plus_seconds(86_400.0 * f64::from(day) + 3600.0 * hour);
            writeln!(file, "{time},{factor:.5}").expect("the file can be written");
        }
    }
    file
}

/// Independent: the simulator's loss of response, estimated from the level of glasshouse lamps at night, which scatters by 1 %
/// and fades: a month without a loss raises no flag, a loss of a tenth is detected within ten nights and flagged back.
#[test]
fn a_tenth_of_the_response_lost_under_glass_is_told_by_the_lamps_by_night() {
    const LOSS: &str = "2026-12-01T12:10:00Z";
    for seed in SEEDS {
        let lamps = living_lamps(seed, "2026-11-01T00:00:00Z", 40);
        let mut bench = bench(seed, Disturbance { share: 0.1, ..disturbance(DisturbanceKind::ResponseLoss, LOSS) });
        bench.scene.kind = SceneKind::Glasshouse;
        (bench.scene.latitude_deg, bench.scene.longitude_deg) = (52.0, 5.0);
        bench.scene.sky = SkyKind::Changing;
        bench.scene.air.variable = true;
        bench.ambient.amplitude_k = 5.0;
        bench.scene.modulation = Some(lamps.path().to_path_buf());
        let mut run = Loop::new(&bench, GLASSHOUSE, "2026-11-01T00:00:00Z");
        run.run_until(LOSS);
        let quiet: Vec<_> = run.events.iter().filter(|e| e.kind == EventKind::Drift).collect();
        assert!(quiet.is_empty() && spans(&run, Flag::ResponseDrift).is_empty(), "seed {seed}: {quiet:?}");
        let before = response(&run);
        assert!(before.levels.len() >= 25, "seed {seed}: {} nights", before.levels.len());
        run.run_until("2026-12-10T00:00:00Z");
        let found = spans(&run, Flag::ResponseDrift);
        assert_eq!(found.len(), 1, "seed {seed}: {found:?}");
        let told = run.events.iter().find(|e| e.text.starts_with("response_drift")).expect("it is on record");
        let levels = response(&run).levels;
        let nights = levels.iter().filter(|k| k.time > at(LOSS) && k.time <= told.time).count();
        row(
            "10 % of the response lost under glass, lamps by night",
            seed,
            &format!("{nights} nights; {:+.1} % before it", 100.0 * before.change().unwrap_or(f64::NAN)),
        );
        assert!((1..=10).contains(&nights) && found[0].from <= at(LOSS).plus_seconds(1.0), "seed {seed}: {nights}");
        nothing_wrong_since(&run, at(LOSS), &found[0], &format!("seed {seed}"));
    }
}
