//! Pixels that turn hot, dead, stuck or noisy during the night.

use crate::campaign::*;
use crate::closed_loop::Loop;
use vigilux::record::{EventKind, Flag, FlaggedInterval};
use vigilux::simulator::PixelFault;
use vigilux::simulator::scenes::SkyKind;

const TURN: &str = "2026-05-03T23:05:00Z";

/// Five pixels of the erythemal wavelengths and two of the visible, with their faults.
fn faults() -> Vec<PixelFault> {
    let from = Some(at(TURN));
    vec![
        PixelFault { pixel: 60, hot_counts_per_s: 8000.0, from, ..PixelFault::default() },
        PixelFault { pixel: 76, stuck_counts: Some(9000), from, ..PixelFault::default() },
        PixelFault { pixel: 70, dead: true, from, ..PixelFault::default() },
        PixelFault { pixel: 72, dead: true, from, ..PixelFault::default() },
        PixelFault { pixel: 74, dead: true, from, ..PixelFault::default() },
        PixelFault { pixel: 700, hot_counts_per_s: 150.0, from, ..PixelFault::default() },
        PixelFault { pixel: 1300, noise_counts: 250.0, from, ..PixelFault::default() },
    ]
}

/// Independent: the simulator's faults and light. Each pixel whose dark shows it is recorded within a day and flagged from the
/// last dark that did not show it; ultraviolet pixels flag the UV index back, and none flags `ppfd` or `illuminance`.
#[test]
fn a_pixel_that_turns_by_night_is_told_by_the_darks_within_a_day() {
    for seed in SEEDS {
        let mut bench = bench(seed, SkyKind::Changing);
        bench.pixel_fault = faults();
        let mut run = Loop::new(&bench, &station("0 */20 * * * *", -90.0), "2026-05-01T00:00:00Z");
        // A stop right after the first flagged interval was stored, before the state of the monitors was saved.
        let (end, mut now) = (at("2026-05-05T12:00:00Z"), at(TURN));
        while now < end && spans(&run, Flag::PixelFault).is_empty() {
            now = now.plus_seconds(1200.0);
            run.run_until(&now.to_string());
        }
        run.restart();
        run.run_until(&end.to_string());
        let found = spans(&run, Flag::PixelFault);
        let (mut hours, mut dead): (f64, u32) = (0.0, 0);
        for fault in faults() {
            let named = format!("pixel {} (", fault.pixel);
            let told = run.events.iter().find(|e| e.kind == EventKind::Drift && e.text.contains(&named));
            // A dead pixel whose dark signal is small beside its noise is not told by darks.
            if told.is_none() && fault.dead {
                continue;
            }
            let told = told.unwrap_or_else(|| panic!("seed {seed}: nothing of {named}: {:?}", run.events));
            dead += u32::from(fault.dead);
            let late = told.time.seconds_since(at(TURN)) / 3600.0;
            assert!((0.0..24.0).contains(&late), "seed {seed}: {named} after {late} h");
            hours = hours.max(late);
            let ours: Vec<&FlaggedInterval> = found.iter().filter(|s| s.text.contains(&named)).collect();
            assert!(ours.len() <= 1, "seed {seed}: one fault is one flagged interval: {ours:?}");
            let span = ours.first().copied();
            let ultraviolet = fault.pixel < 100;
            let touches = |id: &str| span.is_some_and(|s| s.affects(id));
            assert_eq!(touches("uv_index"), ultraviolet, "seed {seed}: {named}: {span:?}");
            assert!(!touches("ppfd") && !touches("illuminance"), "seed {seed}: {span:?}");
            // A restless pixel may happen to be quiet in a dark after its turn, and a dead one be just within its limit.
            let seldom = fault.dead || fault.noise_counts > 0.0;
            let by = at(TURN).plus_seconds(if seldom { 43_200.0 } else { 1.0 });
            assert!(span.is_none_or(|s| s.from <= by && s.until.is_none()), "seed {seed}: {span:?}");
        }
        assert!(dead > 0, "seed {seed}: no dead pixel was told by the darks");
        let told = run.events.iter().filter(|e| e.text.starts_with("pixel_fault"));
        let others: Vec<_> =
            told.filter(|e| !faults().iter().any(|f| e.text.contains(&format!("pixel {} (", f.pixel)))).collect();
        assert!(others.is_empty(), "seed {seed}: {others:?}");
        row("pixels hot, stuck, dead, restless", seed, &format!("{hours:.1} h, {dead} of 3 dead ones"));
        assert_eq!(wrong(&run, "uv_index", |truth| (0.06 * truth).max(0.15)), (0, None), "seed {seed}");
        assert_eq!(wrong(&run, "ppfd", |truth| (0.02 * truth).max(1.0)), (0, None), "seed {seed}");
        let k = crate::closed_loop::index("ppfd");
        let after: Vec<_> = as_read(&run).into_iter().filter(|(r, _)| r.reading.time_mid > at(TURN)).collect();
        let good = after.iter().filter(|(r, _)| r.reading.values[k].is_good()).count();
        assert!(10 * good > 8 * after.len(), "seed {seed}: {good} of {} are good", after.len());
    }
}
