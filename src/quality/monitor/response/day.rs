//! One day of light as one number: how the instrument answered the clear sky, brought to one height of the sun.
//!
//! Over the clear minutes of a day with the sun higher than 30°, the logarithm of light over the sun's height and distance is a
//! line in the air mass, plus what a leaning head adds in the morning and takes in the afternoon. The line's level is what
//! the response tracker follows; its slope tells how turbid the air was, and the last part is the tilt.

use super::super::sample::Sample;
use crate::clock::UtcMicros;
use crate::numeric::{inverse, upper_median};
use crate::quality::clear_sky::{PPFD_PER_WATT, Thresholds, detect, expected_global};
use crate::sun;

/// The sun's height from which on minutes count [degrees].
pub const SUN_FROM_DEG: f64 = 30.0;
/// Air mass at which the level is stated [1].
pub const AT_AIR_MASS: f64 = 1.4;
/// Share of the light that comes from the sun itself under a clear sky [1]; in 400–700 nm, common practice.
const BEAM_SHARE: f64 = 0.78;
/// Clear minutes a day has to have.
const CLEAR_MIN: f64 = 60.0;
/// Clear samples a day has to have.
const CLEAR_SAMPLES: usize = 5;
/// How far samples may scatter around the line [1].
const SCATTER: f64 = 0.03;
/// A slope is known no better than this from one day [1 per air mass]: the air is not the same all day.
const LEAST_SLOPE_UNCERTAINTY: f64 = 0.004;

/// What a day says.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Level {
    /// The last of what it rests on.
    pub time: UtcMicros,
    /// Logarithm of the response's level [1].
    pub level: f64,
    /// Change of it per air mass [1], and its standard uncertainty; 0 where there is none.
    pub slope: (f64, f64),
    /// How far the head leans to the east [degrees]; `None` where only one half of the day was clear.
    pub tilt_east_deg: Option<f64>,
}

impl Level {
    /// Of a lamp's light (> 0), which has neither air mass nor tilt.
    pub fn of_lamp(time: UtcMicros, light: f64) -> Self {
        Self { time, level: light.ln(), slope: (0.0, 0.0), tilt_east_deg: None }
    }
}

/// Computes the level of a day. samples: of one solar day, in order; expected_scale: what the station's light is of the expected clear
/// sky, as far as known [1]. `None` where too little of it was clear.
pub fn day_level(samples: &[Sample], expected_scale: f64) -> Option<Level> {
    let interval_min = interval_min(samples)?;
    let clear = clear_samples(samples, interval_min, expected_scale)?;
    let rows: Vec<([f64; 3], f64)> = clear.iter().filter_map(row).collect();
    if rows.len() < CLEAR_SAMPLES || rows.len() as f64 * interval_min < CLEAR_MIN {
        return None;
    }
    let time = clear.iter().map(|s| s.time).max()?;
    // Both halves of the day, or the lean cannot be told from the level.
    let lean: Vec<f64> = rows.iter().map(|r| r.0[2]).collect();
    let (low, high) = lean.iter().fold((0.0f64, 0.0f64), |(a, b), x| (a.min(*x), b.max(*x)));
    let both = low < -0.3 && high > 0.3;
    let spread = |k: usize| {
        let (a, b) = rows.iter().fold((f64::MAX, f64::MIN), |(a, b), r| (a.min(r.0[k]), b.max(r.0[k])));
        b - a
    };
    let sloped = spread(1) > 0.15;
    let mut normal = [[0.0; 3]; 3];
    let mut right = [0.0; 3];
    let used = |k: usize| k == 0 || (k == 1 && sloped) || (k == 2 && both);
    for (x, y) in &rows {
        for i in (0..3).filter(|i| used(*i)) {
            right[i] += x[i] * y;
            (0..3).filter(|j| used(*j)).for_each(|j| normal[i][j] += x[i] * x[j]);
        }
    }
    (0..3).filter(|k| !used(*k)).for_each(|k| normal[k][k] = 1.0);
    let inverse = inverse(normal)?;
    let solution: [f64; 3] = std::array::from_fn(|i| (0..3).map(|j| inverse[i][j] * right[j]).sum());
    let left = |(x, y): &([f64; 3], f64)| y - x.iter().zip(&solution).map(|(x, s)| x * s).sum::<f64>();
    let variance = rows.iter().map(|r| left(r).powi(2)).sum::<f64>() / (rows.len() - 3).max(1) as f64;
    if !(variance.sqrt() <= SCATTER && solution.iter().all(|s| s.is_finite())) {
        return None;
    }
    let slope_uncertainty =
        if sloped { (inverse[1][1] * variance).sqrt().hypot(LEAST_SLOPE_UNCERTAINTY) } else { f64::INFINITY };
    Some(Level {
        time,
        level: solution[0],
        slope: (solution[1], if slope_uncertainty.is_finite() { slope_uncertainty } else { 1.0 }),
        tilt_east_deg: both.then(|| (solution[2] / BEAM_SHARE).to_degrees()),
    })
}

/// Constant, air mass, lean; and the logarithm of the light over what the sun's height and distance give.
fn row(s: &Sample) -> Option<([f64; 3], f64)> {
    let mass = sun::relative_air_mass(s.elevation_deg)?;
    let height = s.elevation_deg.to_radians().sin();
    let y = (s.ppfd / (sun::inverse_distance_squared(s.time) * height)).ln();
    let lean = s.azimuth_deg.to_radians().sin() / s.elevation_deg.to_radians().tan();
    y.is_finite().then_some(([1.0, mass - AT_AIR_MASS, lean], y))
}

/// Time between readings, as most of them have it [min].
fn interval_min(samples: &[Sample]) -> Option<f64> {
    let mut steps: Vec<f64> = samples.windows(2).map(|w| w[1].time.seconds_since(w[0].time) / 60.0).collect();
    let step = upper_median(&mut steps)?.round();
    (1.0..=30.0).contains(&step).then_some(step)
}

/// The samples under a clear sky, the sun high enough.
fn clear_samples(samples: &[Sample], interval_min: f64, expected_scale: f64) -> Option<Vec<Sample>> {
    let first = samples.first()?.time;
    let place = |s: &Sample| (s.time.seconds_since(first) / (60.0 * interval_min)).round() as usize;
    let length = place(samples.last()?) + 1;
    if length > 2000 {
        return None;
    }
    // Detection needs even steps; what is missing makes its windows unclear.
    let (mut measured, mut expected) = (vec![f64::NAN; length], vec![0.0; length]);
    let mut which = vec![None; length];
    for (i, s) in samples.iter().enumerate() {
        let k = place(s);
        measured[k] = s.ppfd;
        let distance = sun::inverse_distance_squared(s.time);
        expected[k] = expected_global(s.elevation_deg) * PPFD_PER_WATT * distance * expected_scale;
        which[k] = Some(i);
    }
    let thresholds = if interval_min <= 1.0 { Thresholds::MINUTES } else { Thresholds::for_interval(interval_min)? };
    let found = detect(&measured, &expected, interval_min, &thresholds.in_unit(PPFD_PER_WATT));
    let picked = found.clear.iter().zip(which).filter(|(clear, _)| **clear).filter_map(|(_, i)| i);
    Some(picked.map(|i| samples[i]).filter(|s| s.elevation_deg >= SUN_FROM_DEG).collect())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::sun::Place;

    const PLACE: Place = Place { latitude_deg: 48.0, longitude_deg: 11.0, altitude_m: 300.0 };

    /// A clear day of a station whose response, turbidity and lean are given.
    fn day(step_min: f64, response: f64, slope: f64, tilt_east_deg: f64) -> Vec<Sample> {
        let start = UtcMicros::parse("2026-06-21T02:00:00Z").unwrap();
        let steps = (18.0 * 60.0 / step_min) as u32;
        (0..steps)
            .filter_map(|i| {
                let time = start.plus_seconds(f64::from(i) * 60.0 * step_min);
                let sun = sun::position(PLACE, time)?;
                let mass = sun::relative_air_mass(sun.elevation_deg)?;
                let height = sun.elevation_deg.to_radians().sin();
                let lean = tilt_east_deg.to_radians() * BEAM_SHARE * sun.azimuth_deg.to_radians().sin()
                    / sun.elevation_deg.to_radians().tan();
                let ppfd =
                    2250.0 * response * height * (slope * mass + lean).exp() * sun::inverse_distance_squared(time);
                Some(Sample { time, ppfd, elevation_deg: sun.elevation_deg, azimuth_deg: sun.azimuth_deg })
            })
            .collect()
    }

    /// Identity: level, slope and lean of a made-up clear day come back, by the minute and every quarter of an hour.
    #[test]
    fn a_clear_day_gives_back_its_level_slope_and_lean() {
        for step in [1.0, 5.0, 15.0] {
            for (response, slope, east) in [(1.0, -0.1, 0.0), (0.92, -0.14, 0.0), (1.0, -0.1, 2.0), (1.0, -0.1, -3.0)] {
                let level = day_level(&day(step, response, slope, east), 1.0).unwrap();
                let want = (2250.0 * response).ln() + slope * AT_AIR_MASS;
                assert!((level.level - want).abs() < 0.004, "{step} min {response}: want {want}, got {level:?}");
                assert!((level.slope.0 - slope).abs() < 0.01, "{step} min: {level:?}");
                assert!((level.tilt_east_deg.unwrap() - east).abs() < 0.15, "{step} min: want {east}, got {level:?}");
            }
        }
    }

    /// Identity: a day of clouds, an empty day and one with nonsense say nothing.
    #[test]
    fn a_cloudy_day_says_nothing() {
        let mut cloudy = day(1.0, 1.0, -0.1, 0.0);
        cloudy.iter_mut().enumerate().for_each(|(i, s)| s.ppfd *= if (i / 4) % 2 == 0 { 0.4 } else { 1.0 });
        assert_eq!(day_level(&cloudy, 1.0), None);
        assert_eq!(day_level(&[], 1.0), None);
        cloudy.iter_mut().for_each(|s| s.ppfd = f64::NAN);
        assert_eq!(day_level(&cloudy, 1.0), None);
    }
}
