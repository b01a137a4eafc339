//! A wavelength scale that shifts: detected, flagged back, and only for the quantities it affects.

use crate::campaign::*;
use crate::closed_loop::Loop;
use vigilux::clock::Clock;
use vigilux::record::{Flag, Verdict};
use vigilux::simulator::disturbances::{Disturbance, DisturbanceKind};
use vigilux::simulator::scenes::SkyKind;

/// A reading every ten minutes of four days in May; the shift comes on the third day.
const KNOCK: &str = "2026-05-06T09:05:00Z";
const END: &str = "2026-05-07T21:00:00Z";

fn knocked(seed: u64, nm: f64, extra: &str) -> Loop {
    let mut bench = bench(seed, SkyKind::Changing);
    bench.disturbance = vec![Disturbance { nm, ..disturbance(DisturbanceKind::WavelengthShift, KNOCK) }];
    let config = station("0 */10 * * * *", 10.0) + extra;
    let mut run = Loop::new(&bench, &config, "2026-05-04T00:00:00Z");
    run.run_until(END);
    run
}

/// Independent: the simulator's shift. 0.2 nm and more are detected within an hour of sun above 20°, whatever the clouds; the
/// estimate is right to 0.03 nm; ultraviolet quantities are flagged back to the last check within the limit, `ppfd` stays good.
#[test]
fn a_knock_marks_the_ultraviolet_within_an_hour_and_leaves_ppfd_good() {
    for nm in [0.2, -0.3, 0.5] {
        for seed in SEEDS {
            let run = knocked(seed, nm, "");
            let found = spans(&run, Flag::WavelengthDrift);
            let first = found.first().unwrap_or_else(|| panic!("{nm} nm, seed {seed}: not found"));
            let told = run.events.iter().find(|e| e.text.starts_with("wavelength_drift")).expect("it is on record");
            let hours = told.time.seconds_since(at(KNOCK)) / 3600.0;
            let (now, u) = wavelength(&run).shift().expect("it was seen");
            row(
                &format!("wavelength shift of {nm:+.1} nm"),
                seed,
                &format!("{:.0} min, estimated {now:+.3} ± {:.3} nm", hours * 60.0, 2.0 * u),
            );
            // The sun stands above 20° all the while.
            assert!((0.0..=1.0).contains(&hours), "{nm} nm, seed {seed}: found after {hours:.2} h");
            assert!(first.from > at(KNOCK).plus_seconds(-900.0) && first.from <= at(KNOCK).plus_seconds(900.0));
            assert!(first.affects("uv_index") && first.affects("erythemal_irradiance"), "{:?}", first.unaffected);
            assert!(!first.affects("ppfd") && !first.affects("illuminance"), "{:?}", first.unaffected);
            let (k, p) = (crate::closed_loop::index("uv_index"), crate::closed_loop::index("ppfd"));
            let mut good_ppfd = (0, 0);
            for (stored, _) in as_read(&run) {
                let (time, values) = (stored.reading.time_mid, &stored.reading.values);
                if time > at(KNOCK) {
                    assert_ne!(values[k].verdict(), Some(Verdict::Good), "{time}: {nm} nm, seed {seed}");
                    good_ppfd = (good_ppfd.0 + u32::from(values[p].is_good()), good_ppfd.1 + 1);
                }
                assert!(time > first.from || !stored.reading.flags.has(Flag::WavelengthDrift), "{time}");
            }
            assert!(f64::from(good_ppfd.0) > 0.9 * f64::from(good_ppfd.1), "{good_ppfd:?} of ppfd are good");
            assert_eq!(wrong(&run, "uv_index", |truth| (0.06 * truth).max(0.15)), (0, None));
            assert_eq!(wrong(&run, "ppfd", |truth| (0.02 * truth).max(1.0)), (0, None));
        }
    }
}

/// Independent: the simulator's shift, with the sun above 30°: the estimate from the newest spectra is right to 0.03 nm.
#[test]
fn the_estimated_shift_is_right_while_the_sun_stands_above_30_degrees() {
    let mut worst: f64 = 0.0;
    for seed in SEEDS {
        let mut bench = bench(seed, SkyKind::Changing);
        bench.disturbance =
            vec![Disturbance { nm: 0.2, ..disturbance(DisturbanceKind::WavelengthShift, "2026-05-04T00:00:00Z") }];
        let mut run = Loop::new(&bench, &station("0 */15 * * * *", 10.0), "2026-05-01T00:00:00Z");
        run.run_until("2026-05-04T00:00:00Z");
        for _ in 0..2 * 96 {
            run.run_hours(0.25);
            let high = run.rows.iter().rev().take(4).all(|r| r.sun() > 30.0);
            let late = run.clock.now().seconds_since(run.rows.last().expect("there are readings").reading.time_mid);
            if high
                && late < 1200.0
                && let Some((now, _)) = wavelength(&run).shift()
            {
                worst = worst.max((now - 0.2).abs());
            }
        }
    }
    row("estimated shift, sun above 30°", 0, &format!("wrong by {worst:.3} nm at most"));
    assert!(worst > 0.0 && worst <= 0.03, "{worst}");
}

/// Independent: the simulator's shift and light. Where the shift is applied, the flagged interval ends and the UV index is right.
#[test]
fn a_shift_that_is_applied_makes_the_ultraviolet_right_again() {
    for seed in SEEDS {
        let run = knocked(seed, 0.4, "[instrument.limits]\nwavelength_shift = \"apply\"\n");
        let found = spans(&run, Flag::WavelengthDrift);
        assert!(found.len() == 1 && found[0].until.is_some(), "seed {seed}: {found:?}");
        let applied = wavelength(&run).applied_nm;
        assert!((applied - 0.4).abs() <= 0.03, "seed {seed}: {applied}");
        let (until, k) = (found[0].until.expect("asked above"), crate::closed_loop::index("uv_index"));
        let after: Vec<_> = as_read(&run).into_iter().filter(|(r, _)| r.reading.time_mid > until).collect();
        let high = |s: &vigilux::store::StoredReading| s.reading.sun_elevation.is_some_and(|e| e > 20.0);
        let good = after.iter().filter(|(r, _)| high(r) && r.reading.values[k].is_good()).count();
        row(
            "shift of +0.4 nm, applied",
            seed,
            &format!("{applied:+.3} nm, {good} good values of the UV index after it"),
        );
        assert!(good > 40, "seed {seed}: {good} of {}", after.len());
        assert!(after.iter().all(|(r, _)| (r.about.drift.shift_nm - 0.4).abs() < 0.05));
        assert_eq!(wrong(&run, "uv_index", |truth| (0.06 * truth).max(0.15)), (0, None), "seed {seed}");
    }
}
