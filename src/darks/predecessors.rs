//! What a dark may be, by the darks before it.
//!
//! A detector changes slowly, and a dark that is suddenly another may be wrong itself: a frame that the instrument mixed up, a
//! converter that was disturbed. It is compared with the dark model, and with the levels of the darks of its temperature: no dark
//! is lower than a shorter one, and none is higher than a longer one. Light is left to [`super::darkness`]. Pure.

use super::darkness::open_level;
use super::metadata::DarkMetadata;
use super::structure::median;
use crate::config::DarksConfig;
use crate::record::{Frame, PixelRanges};
use crate::reduction::dark_model::mean_counts;

/// How far a dark may be from its predecessors [counts], as `dark_offset_counts` by default …
const ALLOWED_COUNTS: f64 = 20.0;
/// … and this share of the dark signal more [1]: what is above it shows another state of the detector …
const ALLOWED_SHARE: f64 = 0.3;
/// … and so many standard deviations of the read noise.
const ALLOWED_DEVIATIONS: f64 = 3.0;
/// Without a sensor of the temperature, level and dark signal may differ by so many times as much [1].
const WITHOUT_SENSOR: f64 = 10.0;

/// The dark that a model expects.
#[derive(Clone, Copy, Debug)]
pub struct Prediction<'a> {
    /// Counts per exposure of every pixel.
    pub counts: &'a [f64],
    /// Median dark signal in them [counts].
    pub signal: f64,
    /// Standard uncertainty of that signal [counts].
    pub uncertainty: f64,
}

/// A dark that its predecessors do not allow.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Departure {
    /// How far it is from what they allow [counts].
    pub counts: f64,
    /// How far it might be [counts].
    pub allowed: f64,
}

/// Compares a dark with the model's prediction or, where there is none, with the darks of its temperature.
pub fn departure<'a>(
    frame: &Frame,
    shielded: &PixelRanges,
    read_noise_counts: f64,
    prediction: Option<Prediction<'_>>,
    others: impl Iterator<Item = (&'a DarkMetadata, &'a Frame)>,
    config: &DarksConfig,
) -> Option<Departure> {
    let noise = ALLOWED_DEVIATIONS * read_noise_counts / (frame.exposures().max(1) as f64).sqrt();
    let slack = if frame.temperature_c.is_some() { 1.0 } else { WITHOUT_SENSOR };
    let found = match prediction.filter(|p| p.counts.len() == frame.sums.len()) {
        Some(p) => Departure {
            counts: distance(&mean_counts(frame), p.counts, shielded),
            allowed: slack * (ALLOWED_COUNTS + ALLOWED_SHARE * p.signal.abs()) + noise + 2.0 * p.uncertainty,
        },
        None => by_levels(frame, shielded, (slack, noise), others, config)?,
    };
    (!(found.counts <= found.allowed)).then_some(found)
}

/// Whether a second dark is what the first was, so that both show the detector as it now is.
pub fn confirms(first: &Frame, second: &Frame, shielded: &PixelRanges, read_noise_counts: f64) -> bool {
    let n = first.exposures().min(second.exposures()).max(1) as f64;
    let allowed = ALLOWED_COUNTS + ALLOWED_DEVIATIONS * read_noise_counts * (2.0 / n).sqrt();
    first.sums.len() == second.sums.len() && distance(&mean_counts(first), &mean_counts(second), shielded) <= allowed
}

/// Median distance of the pixels that see light [counts].
fn distance(a: &[f64], b: &[f64], shielded: &PixelRanges) -> f64 {
    let shielded = shielded.to_mask(a.len());
    median(a.iter().zip(b).zip(shielded).filter(|(_, s)| !s).map(|((a, b), _)| (a - b).abs()).collect())
}

fn by_levels<'a>(
    frame: &Frame,
    shielded: &PixelRanges,
    (slack, noise): (f64, f64),
    others: impl Iterator<Item = (&'a DarkMetadata, &'a Frame)>,
    config: &DarksConfig,
) -> Option<Departure> {
    let level = open_level(frame, shielded);
    let near: Vec<(f64, f64)> = others
        .filter(|(d, f)| d.is_near(config, frame.temperature_c) && f.sums.len() == frame.sums.len())
        .map(|(d, f)| (d.integration_s, open_level(f, shielded)))
        .collect();
    let lowest = near.iter().map(|(_, level)| *level).fold(f64::INFINITY, f64::min);
    let allowed = |other: f64| slack * (ALLOWED_COUNTS + ALLOWED_SHARE * (other - lowest)) + noise;
    let excess = |(t, other): &(f64, f64)| {
        let same = Frame::same_integration(*t, frame.integration_s);
        let too_low = if same || *t < frame.integration_s { other - level } else { f64::NEG_INFINITY };
        let too_high = if same || *t > frame.integration_s { level - other } else { f64::NEG_INFINITY };
        Departure { counts: too_low.max(too_high), allowed: allowed(*other) }
    };
    near.iter().map(excess).max_by(|a, b| (a.counts - a.allowed).total_cmp(&(b.counts - b.allowed)))
}

#[cfg(test)]
mod tests {
    use super::super::plan::tests::{config, dark};
    use super::*;
    use crate::clock::UtcMicros;
    use crate::record::{DarkSource, Shutter, Stamp};

    fn frame(integration_s: f64, level: u32) -> Frame {
        Frame {
            integration_s,
            shutter: Shutter::Closed,
            temperature_c: Some(20.0),
            stamps: vec![Stamp { start: UtcMicros(0), crc32: 0 }],
            sums: (0..64).map(|i| level + i % 3).collect(),
            clipped: PixelRanges::default(),
            light_variation: 0.0,
            ripple: Vec::new(),
            rejected: Vec::new(),
        }
    }

    /// Levels of darks before, by integration time, against a new one.
    fn by(before: &[(f64, u32)], new: (f64, u32)) -> Option<f64> {
        let before: Vec<(DarkMetadata, Frame)> =
            before.iter().map(|(t, level)| (dark(1, *t, 20.0, 60.0), frame(*t, *level))).collect();
        let others = before.iter().map(|(d, f)| (d, f));
        let none = PixelRanges::default();
        departure(&frame(new.0, new.1), &none, 8.0, None, others, &config(&[DarkSource::Shutter])).map(|d| d.counts)
    }

    /// Identity: longer darks are not lower, shorter ones not higher, equal ones equal; without one to compare with anything may be.
    #[test]
    fn levels_rise_with_the_integration_time() {
        assert_eq!(by(&[], (0.1, 5000)), None);
        let before = [(0.01, 1200), (1.0, 1220), (10.0, 1400)];
        for (t, level, want) in [
            (1.0, 1260, None),
            (1.0, 1520, Some(300.0)),
            (1.0, 900, Some(320.0)),
            (0.01, 1500, Some(300.0)),
            (10.0, 1500, None),
            (10.0, 1600, Some(200.0)),
            (60.0, 3000, None),
            (60.0, 1100, Some(300.0)),
        ] {
            assert_eq!(by(&before, (t, level)), want, "{t} s at {level}");
        }
        let warmer = dark(1, 1.0, 30.0, 60.0);
        let one = frame(1.0, 1220);
        let others = [(&warmer, &one)].into_iter();
        let config = config(&[DarkSource::Shutter]);
        assert_eq!(departure(&frame(1.0, 1520), &PixelRanges::default(), 8.0, None, others, &config), None);
    }

    /// Identity: a prediction bounds level and pattern, by the dark signal it holds and its uncertainty.
    #[test]
    fn a_prediction_bounds_level_and_pattern() {
        let counts: Vec<f64> = (0..64).map(|i| 1200.0 + 100.0 * f64::from(i % 2)).collect();
        let of = |signal: f64, level: u32| {
            let p = Prediction { counts: &counts, signal, uncertainty: 0.0 };
            let none = std::iter::empty();
            departure(&frame(1.0, level), &PixelRanges::default(), 0.0, Some(p), none, &config(&[DarkSource::Shutter]))
        };
        assert!(of(0.0, 1250).is_some(), "the level is right and the pattern is not");
        assert_eq!(of(200.0, 1250), None);
        assert!(of(200.0, 1550).is_some_and(|d| d.allowed == 80.0));
    }

    /// Identity: only the same counts confirm.
    #[test]
    fn a_second_dark_confirms_by_being_the_same() {
        let none = PixelRanges::default();
        assert!(confirms(&frame(1.0, 1500), &frame(1.0, 1510), &none, 2.0));
        assert!(!confirms(&frame(1.0, 1500), &frame(1.0, 1200), &none, 2.0));
    }
}
