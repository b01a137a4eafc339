//! Coverage of stated intervals: many instruments, each with a certificate that has errors of its own.

use crate::closed_loop::Loop;
use crate::roof::STATION;
use vigilux::simulator::scenes::SkyKind;
use vigilux::simulator::settings::Settings;

/// Instruments. Readings of one instrument share its certificate's errors, so instruments are counted, one reading each. The
/// share of 1 000 that hold the truth is known to 0.7 % (one standard error). Takes about a minute of one core.
const INSTRUMENTS: u64 = 1000;
/// Two-sided 95 % of a normal distribution, in standard uncertainties.
const INTERVAL: f64 = 1.96;

/// Independent: the simulator's truth, for certificates whose errors are drawn from the uncertainty they state.
#[test]
fn stated_intervals_hold_the_truth_as_often_as_they_say() {
    let ids = ["ppfd", "illuminance", "uv_index", "red_far_red_ratio", "cct"];
    let mut held = [0_u32; 5];
    let mut of = [0_u32; 5];
    let (mut squares, mut sums) = ([0.0; 5], [0.0; 5]);
    for seed in 0..INSTRUMENTS {
        let mut bench = Settings { seed: 1 + seed, ..Settings::default() };
        bench.scene.sky = SkyKind::Clear;
        // What a cold instrument does is warm-up's to flag, and no certificate states it.
        bench.warm_up.on_since_min = 120.0;
        bench.certificate.drawn_errors = Some(1000 + seed);
        let mut station = Loop::new(&bench, STATION, "2026-06-21T09:29:30Z");
        station.run_until("2026-06-21T09:31:30Z");
        let Some(row) = station.rows.last() else { continue };
        for (k, id) in ids.iter().enumerate() {
            let (Some(error), Some(u)) = (row.error(id), row.uncertainty(id)) else { continue };
            of[k] += 1;
            held[k] += u32::from(error.abs() <= INTERVAL * u);
            squares[k] += (error / u).powi(2);
            sums[k] += error / u;
        }
    }
    for (k, id) in ids.iter().enumerate() {
        let share = f64::from(held[k]) / f64::from(of[k]);
        let n = f64::from(of[k]);
        let (rms, mean) = ((squares[k] / n).sqrt(), sums[k] / n);
        println!(
            "{id}: {:.1} % of {n} hold the truth; errors are {rms:.2} of what is stated, {mean:+.2} on average",
            100.0 * share
        );
    }
    for (k, id) in ids.iter().enumerate() {
        let share = f64::from(held[k]) / f64::from(of[k]);
        assert!(u64::from(of[k]) == INSTRUMENTS, "{id}: {} values", of[k]);
        assert!((0.92..=0.98).contains(&share), "{id}: {share}");
    }
}
