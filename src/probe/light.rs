//! Finds the integration time at which the brightest pixels reach the upper end of the photon-transfer series. Pure.

/// Level that is aimed at, as a share of full scale [1].
pub const AIM: f64 = 0.68;
/// Levels that are accepted.
const ACCEPTED: [f64; 2] = [0.6, 0.72];
/// Below this the light is too dim for the figures that need it [1].
const TOO_DIM: f64 = 0.1;

/// What to do after an exposure.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Search {
    /// Expose with this integration time [s].
    Try(f64),
    /// The time is found.
    Found,
    /// Even the longest time gives a tenth of full scale at most.
    TooDim,
    /// Even the shortest time is too bright.
    TooBright,
}

/// Level of the brightest pixels: the 99th percentile of `counts` less `dark`, as a share of full scale less `dark` [1].
pub fn level(counts: &[u32], dark: f64, full_scale: f64) -> f64 {
    let mut sorted = counts.to_vec();
    sorted.sort_unstable();
    let rank = (sorted.len() * 99 / 100).min(sorted.len().saturating_sub(1));
    let high = sorted.get(rank).copied().unwrap_or_default();
    (f64::from(high) - dark) / (full_scale - dark)
}

/// The next step, after `level` was seen with `integration_s`; times between `shortest` and `longest` [s].
pub fn next(level: f64, integration_s: f64, (shortest, longest): (f64, f64)) -> Search {
    if (ACCEPTED[0]..=ACCEPTED[1]).contains(&level) {
        return Search::Found;
    }
    let factor = if level > 0.9 { 0.2 } else { (AIM / level.max(0.02)).clamp(0.1, 10.0) };
    let wanted = (integration_s * factor).clamp(shortest, longest);
    let is_stuck = (wanted / integration_s - 1.0).abs() < 0.01;
    match level {
        _ if !is_stuck => Search::Try(wanted),
        l if l > ACCEPTED[1] => Search::TooBright,
        l if l < TOO_DIM => Search::TooDim,
        // Dimmer than wanted, but bright enough.
        _ => Search::Found,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A lamp whose level is proportional to the time, clipped at full scale.
    fn search(per_second: f64, limits: (f64, f64)) -> (Search, f64, u32) {
        let (mut t, mut tries) = (limits.0, 0);
        loop {
            match next((per_second * t).min(1.0), t, limits) {
                Search::Try(wanted) if tries < 20 => t = wanted,
                other => return (other, per_second * t, tries),
            }
            tries += 1;
        }
    }

    #[test]
    fn the_search_ends_at_the_level_or_says_why_not() {
        for per_second in [0.08, 1.0, 30.0, 500.0] {
            let (end, level, tries) = search(per_second, (1e-3, 10.0));
            assert!(
                end == Search::Found && (0.6..=0.72).contains(&level) && tries < 12,
                "{per_second}: {end:?} {level}"
            );
        }
        assert_eq!(search(0.005, (1e-3, 10.0)).0, Search::TooDim);
        assert_eq!(search(5000.0, (1e-3, 10.0)).0, Search::TooBright);
        assert_eq!(search(0.03, (1e-3, 10.0)).0, Search::Found);
    }

    #[test]
    fn the_level_is_that_of_the_brightest_pixels_without_single_hot_ones() {
        let mut counts = vec![1000; 300];
        counts[7] = 60_000;
        assert!((level(&counts, 500.0, 50_500.0) - 0.01).abs() < 1e-12);
    }
}
