//! Light that jumps by a factor of 1000 between exposures, at random. No wrong value may be called good.

use crate::closed_loop::{Loop, Row, assert_good_within, share};
use crate::roof::STATION;
use vigilux::simulator::optic::OpticSettings;
use vigilux::simulator::settings::Settings;

/// A modulation file whose factor jumps at random between 1 and 0.001 within a tenth of a second, every few seconds.
fn jumping(seed: u64, mean_s: f64, depth: f64) -> tempfile::NamedTempFile {
    use std::io::Write;
    let mut file = tempfile::NamedTempFile::new().expect("a temporary file");
    writeln!(file, "time_utc,factor").expect("a temporary file takes a line");
    let start = vigilux::clock::UtcMicros::parse("2026-06-21T09:00:00Z").expect("an instant");
    let (mut t, mut state, mut factor) = (0.0_f64, seed | 1, 1.0_f64);
    let mut random = || {
        state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (state >> 11) as f64 / (1_u64 << 53) as f64
    };
    while t < 4.0 * 3600.0 {
        writeln!(file, "{},{factor}", start.plus_seconds(t)).expect("a line");
        t += 0.2 + random() * 2.0 * mean_s;
        writeln!(file, "{},{factor}", start.plus_seconds(t)).expect("a line");
        t += 0.1;
        factor = if random() < 0.5 { 1.0 } else { depth.powf(random()) };
    }
    file
}

/// Independent: the simulator's truth, weighted by the exposures used, under jumps faster and slower than a reading.
#[test]
fn jumps_of_a_thousand_between_exposures_never_yield_a_good_value_that_is_wrong() {
    for (seed, mean_s) in [(1, 1.0), (2, 4.0), (3, 60.0), (4, 400.0)] {
        let file = jumping(seed, mean_s, 1e-3);
        let mut bench = Settings { optic: OpticSettings::perfect(), seed, ..Settings::default() };
        bench.scene.modulation = Some(file.path().to_path_buf());
        let mut station = Loop::new(&bench, STATION, "2026-06-21T09:00:00Z");
        station.run_until("2026-06-21T13:00:00Z");
        let rows: Vec<&Row> = station.rows.iter().collect();
        println!(
            "jumps every {mean_s} s: {:.0} % good ppfd, {:.0} % good uv_index",
            100.0 * share(&rows, |r| r.is_good("ppfd")),
            100.0 * share(&rows, |r| r.is_good("uv_index"))
        );
        assert_good_within(&rows, "ppfd", |truth| (0.02 * truth).max(1.0));
        assert_good_within(&rows, "illuminance", |truth| (0.02 * truth).max(50.0));
        assert_good_within(&rows, "uv_index", |truth| (0.06 * truth).max(0.15));
    }
}
