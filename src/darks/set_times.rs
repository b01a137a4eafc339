//! Integration times of the set of darks that the model is fitted to.

use crate::config::DarksConfig;
use crate::record::IntegrationGrid;

/// Integration times of the set in a decade.
const STEPS_PER_DECADE: f64 = 3.0;
/// The longest time is added where it exceeds the last step by more than this factor, and otherwise replaces it [1].
const LONGEST_FACTOR: f64 = 1.3;

/// Integration times of the set of darks [s]: about three a decade, out of the grid of light frames, up to the configured length and
/// to the longest time a reading may use [s].
pub fn set_times_s(config: &DarksConfig, grid: &IntegrationGrid, longest_s: f64) -> Vec<f64> {
    let most = config.dark_set_max_s.min(longest_s.max(grid.shortest()));
    let within: Vec<f64> = grid.times().iter().copied().filter(|t| *t <= most * (1.0 + 1e-9)).collect();
    let step = 10f64.powf(1.0 / STEPS_PER_DECADE) * 0.99;
    let mut times: Vec<f64> = Vec::new();
    for t in &within {
        if times.last().is_none_or(|last| t / last >= step) {
            times.push(*t);
        }
    }
    // The longest time anchors the rate of the dark current, so it is always there.
    match (within.last(), times.last_mut()) {
        (Some(longest), Some(last)) if *longest > *last * LONGEST_FACTOR => times.push(*longest),
        (Some(longest), Some(last)) => *last = *longest,
        _ => {}
    }
    times
}
