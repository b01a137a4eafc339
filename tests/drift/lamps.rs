//! Where no sun shines: the pump peak of a lamp, and a check source.

use crate::campaign::*;
use crate::closed_loop::Loop;
use vigilux::bench::mishaps::{Mishap, MishapKind};
use vigilux::bench::optic::OpticSettings;
use vigilux::bench::scenes::SceneKind;
use vigilux::bench::settings::Settings;
use vigilux::record::Flag;

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

fn bench(mishap: Mishap) -> Settings {
    let mut bench = Settings { optic: OpticSettings::perfect(), ..Settings::default() };
    bench.warm_up.minutes = 0.0;
    bench.scene.kind = SceneKind::Lamp;
    bench.scene.lamp_on_min = 1e6;
    bench.scene.lamp_fade_per_1000h = 0.0;
    bench.scene.lamp_phosphor_fade_per_1000h = 0.0;
    bench.scene.lamp_blue_shift_nm_per_1000h = 0.0;
    bench.mishap = vec![mishap];
    bench
}

/// Independent: the bench's own shift, told by the pump peak of a white lamp.
#[test]
fn a_knock_is_told_by_the_pump_peak_of_a_lamp() {
    let knock = Mishap { nm: 0.3, ..mishap(MishapKind::WavelengthShift, "2026-03-03T00:10:00Z") };
    let mut run = Loop::new(&bench(knock), &rack(""), "2026-03-01T00:00:00Z");
    run.run_until("2026-03-03T12:00:00Z");
    let found = spans(&run, Flag::WavelengthDrift);
    assert!(!found.is_empty() && found[0].text.contains("or the lamp's own lines have moved"), "{found:?}");
    let (now, _) = wavelength(&run).now().expect("it was seen");
    row("shift of +0.3 nm at a white lamp", 1, &format!("estimated {now:+.3} nm by its pump peak"));
    assert!((now - 0.3).abs() < 0.03, "{now}");
    let told = run.events.iter().find(|e| e.text.starts_with("wavelength_drift")).expect("it is on record");
    assert!(told.time.seconds_since(at("2026-03-03T00:10:00Z")) <= 2.0 * 3600.0, "{}", told.time);
}

/// Independent: the bench's own loss, told by the check source; its readings are no good values of the station's light.
#[test]
fn a_check_source_tells_the_response_and_is_not_the_stations_light() {
    let loss = Mishap { share: 0.1, ..mishap(MishapKind::ResponseLoss, "2026-03-05T00:10:00Z") };
    let config = rack("reference = \"0 0 */12 * * *\"");
    let mut run = Loop::new(&bench(loss), &config, "2026-03-01T00:00:00Z");
    run.run_until("2026-03-07T00:00:00Z");
    let looked: Vec<_> = run.rows.iter().filter(|r| r.has(Flag::Reference)).collect();
    assert_eq!(looked.len(), 12, "two a day");
    assert!(looked.iter().all(|r| !r.is_good("ppfd")) && run.rows.iter().any(|r| r.is_good("ppfd")));
    let found = spans(&run, Flag::ResponseDrift);
    assert!(found.len() == 1 && found[0].from <= at("2026-03-05T00:10:00Z"), "{found:?}");
    let change = response(&run).now().expect("there is a baseline");
    row("10 % of the response lost at a lamp with a check source", 1, &format!("{:+.1} %", 100.0 * change));
    assert!((change - 0.9f64.ln()).abs() < 0.01, "{change}");
    assert_eq!(wrong(&run, "ppfd", |truth| (0.02 * truth).max(1.0)), (0, None));
}
