//! Snow on the optic, and its cleaning.

use crate::campaign::*;
use crate::closed_loop::Loop;
use vigilux::record::Flag;
use vigilux::simulator::disturbances::{Disturbance, DisturbanceKind};
use vigilux::simulator::scenes::SkyKind;

/// Snow for two days, cleaned at noon: `obstructed` throughout, whatever the clouds, and not after.
#[test]
fn two_days_of_snow_are_obstructed_throughout_and_none_after_the_wipe() {
    for seed in SEEDS {
        let (from, until) = (at("2026-02-10T03:00:00Z"), at("2026-02-12T11:05:00Z"));
        let mut bench = bench(seed, SkyKind::Changing);
        bench.ambient.mean_c = 2.0;
        let snow = Disturbance {
            share: 0.95,
            until: Some(until),
            ..disturbance(DisturbanceKind::Snow, "2026-02-10T03:00:00Z")
        };
        bench.disturbance = vec![snow];
        let mut run = Loop::new(&bench, &station("0 */10 * * * *", -90.0), "2026-02-08T00:00:00Z");
        run.run_until("2026-02-14T00:00:00Z");
        let found = spans(&run, Flag::Obstructed);
        assert!(found.len() == 1 && found[0].until.is_some(), "seed {seed}: {found:?}");
        let (mut within, mut after, mut before) = ((0, 0), 0, 0);
        for (stored, _) in as_read(&run) {
            let (time, flagged) = (stored.reading.time_mid, stored.reading.flags.has(Flag::Obstructed));
            // The first twenty minutes after the wipe are what it takes to see that the light is back.
            if time >= from && time < until {
                within = (within.0 + u32::from(flagged), within.1 + 1);
            } else if time >= until.plus_seconds(1500.0) {
                after += u32::from(flagged);
            } else if time < from && stored.reading.sun_elevation.is_some_and(|e| e > 8.0) {
                before += u32::from(flagged);
            }
        }
        row(
            "snow for two days and a wipe",
            seed,
            &format!("obstructed in {} of {} readings under snow, {after} after", within.0, within.1),
        );
        assert_eq!((within.0, before, after), (within.1, 0, 0), "seed {seed}");
        nothing_wrong_since(&run, from, &found[0], &format!("seed {seed}"));
    }
}
