//! Nothing wrong, and nothing detected: weeks of changing weather.

use crate::campaign::*;
use crate::closed_loop::{Loop, share, why_not_good};
use vigilux::record::{EventKind, Flag};
use vigilux::simulator::scenes::SkyKind;

fn nothing_found(run: &Loop, what: &str) {
    for flag in [Flag::WavelengthDrift, Flag::ResponseDrift, Flag::Obstructed, Flag::PixelFault, Flag::DarkDrift] {
        assert_eq!(spans(run, flag), [], "{what}");
        assert!(!run.rows.iter().any(|r| r.has(flag)), "{what}: {}", flag.name());
    }
    let pixels = pixels(run);
    assert!(pixels.baseline.is_some() && pixels.confirmed().count() == 0, "{what}: {pixels:?}");
    let told: Vec<_> = run.events.iter().filter(|e| e.kind == EventKind::Drift).collect();
    assert!(told.is_empty(), "{what}: {told:?}");
}

/// 60 days in which only weather and temperature change raise no drift flag, under three skies.
#[test]
fn sixty_days_of_weather_and_temperature_raise_no_drift_flag() {
    for seed in SEEDS {
        let mut run =
            Loop::new(&bench(seed, SkyKind::Changing), &station("0 */20 * * * *", 10.0), "2026-04-20T00:00:00Z");
        run.run_hours(60.0 * 24.0);
        let (scale, response) = (wavelength(&run), response(&run));
        row(
            "60 days, ageing off, temperature cycles",
            seed,
            &format!(
                "no flag; scale {:+.3} nm, response {:+.1} % on {} clear days",
                scale.shift().map_or(f64::NAN, |n| n.0),
                100.0 * response.change().unwrap_or(f64::NAN),
                response.levels.len()
            ),
        );
        nothing_found(&run, &format!("seed {seed}"));
        assert!(response.levels.len() >= 20, "{} clear days", response.levels.len());
        assert_eq!(wrong(&run, "ppfd", |truth| (0.02 * truth).max(1.0)), (0, None));
        assert_eq!(wrong(&run, "uv_index", |truth| (0.06 * truth).max(0.15)), (0, None));
        let high = run.above(20.0);
        assert!(share(&high, |r| r.is_good("ppfd")) > 0.9, "{}", why_not_good(&high, "ppfd"));
    }
}
