//! Median time of many runs.

use std::time::Instant;

/// Median of many runs [s].
pub fn median(mut run: impl FnMut()) -> f64 {
    const RUNS: usize = 2001;
    const WARM_UP: usize = 200;
    (0..WARM_UP).for_each(|_| run());
    let mut taken: Vec<f64> = (0..RUNS)
        .map(|_| {
            let begin = Instant::now();
            run();
            begin.elapsed().as_secs_f64()
        })
        .collect();
    taken.sort_by(f64::total_cmp);
    taken[RUNS / 2]
}
