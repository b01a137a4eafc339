//! The response level of a day: the light of the clear sky, reduced to one air mass.
//!
//! Over the clear minutes of a day with the sun above 30°, the logarithm of the light divided by the sine of the sun's elevation and by the
//! Earth–Sun distance factor is linear in air mass, plus a term of a tilted head with opposite signs before and after noon. The
//! constant of this fit is the level that the response monitor follows; the slope measures the turbidity of the air, and the last
//! term the tilt. Pure.

use super::super::sample::Sample;
use crate::clock::UtcMicros;
use crate::numeric::{inverse, upper_median};
use crate::quality::clear_sky::{PPFD_PER_WATT, Thresholds, detect, expected_global};
use crate::sun;

/// Elevation of the sun above which samples are used [degrees].
pub const SUN_FROM_DEG: f64 = 30.0;
/// Air mass at which the level is stated [1].
pub const AT_AIR_MASS: f64 = 1.4;
/// Share of direct sunlight under a clear sky in 400–700 nm [1]; common practice.
const BEAM_SHARE: f64 = 0.78;
/// Duration of clear sky that a day has to have [min].
const CLEAR_MIN: f64 = 60.0;
/// Number of clear samples that a day has to have.
const CLEAR_SAMPLES: usize = 5;
/// Longest series of a day, in samples.
const MAX_SAMPLES: usize = 2000;
/// Range of air mass above which the slope is fitted [1].
const LEAST_AIR_MASS_RANGE: f64 = 0.15;
/// Coefficient of the tilt, east and west, from which the tilt is fitted [1].
const LEAST_TILT_COEFFICIENT: f64 = 0.3;
/// Largest standard deviation of the samples from the fit [1].
const MAX_SCATTER: f64 = 0.03;
/// Standard uncertainty of the slope of one day, at least [1 per air mass]: the air changes during a day.
const LEAST_SLOPE_UNCERTAINTY: f64 = 0.004;

/// The response level of a day, a night or a reading of the check source.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Level {
    /// Time of the last sample.
    pub time: UtcMicros,
    /// Logarithm of the response level [1].
    pub level: f64,
    /// Change of the level per air mass [1], and its standard uncertainty; 0 for lamps.
    pub slope: (f64, f64),
    /// Tilt of the head to the east [degrees]; `None` where only one half of the day was clear.
    pub tilt_east_deg: Option<f64>,
}

impl Level {
    /// From the light of a lamp (> 0), which has neither air mass nor tilt.
    pub fn of_lamp(time: UtcMicros, light: f64) -> Self {
        Self { time, level: light.ln(), slope: (0.0, 0.0), tilt_east_deg: None }
    }
}

/// One equation of the fit: the coefficients of level, slope and tilt, and the logarithm of the reduced light.
struct Equation {
    coefficients: [f64; TERMS],
    value: f64,
}

/// Level, slope and tilt.
const TERMS: usize = 3;
const SLOPE: usize = 1;
const TILT: usize = 2;

/// The fit of a day.
struct Fit {
    solution: [f64; TERMS],
    /// Variance of the samples about the fit.
    variance: f64,
    /// Variance of the slope for a unit variance of the samples.
    slope_cofactor: f64,
}

/// Computes the level of a day.
///
/// samples: of one solar day, in order; expected_scale: known ratio of the station's light to the expected clear sky [1]. `None` where
/// too little of the day was clear.
pub fn day_level(samples: &[Sample], expected_scale: f64) -> Option<Level> {
    let interval_min = interval_min(samples)?;
    let clear = clear_samples(samples, interval_min, expected_scale)?;
    let equations: Vec<Equation> = clear.iter().filter_map(equation).collect();
    if equations.len() < CLEAR_SAMPLES || equations.len() as f64 * interval_min < CLEAR_MIN {
        return None;
    }
    let time = clear.iter().map(|s| s.time).max()?;
    let (fits_slope, fits_tilt) = (has_air_mass_range(&equations), has_both_halves(&equations));
    let fit = fit(&equations, [true, fits_slope, fits_tilt])?;
    if !(fit.variance.sqrt() <= MAX_SCATTER && fit.solution.iter().all(|s| s.is_finite())) {
        return None;
    }
    let slope_uncertainty = (fit.slope_cofactor * fit.variance).sqrt().hypot(LEAST_SLOPE_UNCERTAINTY);
    let is_known = fits_slope && slope_uncertainty.is_finite();
    Some(Level {
        time,
        level: fit.solution[0],
        slope: (fit.solution[SLOPE], if is_known { slope_uncertainty } else { 1.0 }),
        tilt_east_deg: fits_tilt.then(|| (fit.solution[TILT] / BEAM_SHARE).to_degrees()),
    })
}

/// Whether the samples cover a range of air mass that determines the slope.
fn has_air_mass_range(equations: &[Equation]) -> bool {
    let air_mass = equations.iter().map(|e| e.coefficients[SLOPE]);
    let (lowest, highest) = air_mass.fold((f64::MAX, f64::MIN), |(low, high), x| (low.min(x), high.max(x)));
    highest - lowest > LEAST_AIR_MASS_RANGE
}

/// Whether the samples are from both halves of the day; otherwise the tilt cannot be distinguished from the level.
fn has_both_halves(equations: &[Equation]) -> bool {
    let coefficients = equations.iter().map(|e| e.coefficients[TILT]);
    let (lowest, highest) = coefficients.fold((0.0f64, 0.0f64), |(low, high), x| (low.min(x), high.max(x)));
    lowest < -LEAST_TILT_COEFFICIENT && highest > LEAST_TILT_COEFFICIENT
}

/// Least-squares fit of the terms that are used; the others are 0.
fn fit(equations: &[Equation], is_used: [bool; TERMS]) -> Option<Fit> {
    let used = || (0..TERMS).filter(|k| is_used[*k]);
    let mut normal = [[0.0; TERMS]; TERMS];
    let mut right = [0.0; TERMS];
    for Equation { coefficients, value } in equations {
        for i in used() {
            right[i] += coefficients[i] * value;
            used().for_each(|j| normal[i][j] += coefficients[i] * coefficients[j]);
        }
    }
    (0..TERMS).filter(|k| !is_used[*k]).for_each(|k| normal[k][k] = 1.0);
    let inverse = inverse(normal)?;
    let solution: [f64; TERMS] = std::array::from_fn(|i| (0..TERMS).map(|j| inverse[i][j] * right[j]).sum());
    let residual = |e: &Equation| e.value - e.coefficients.iter().zip(&solution).map(|(c, s)| c * s).sum::<f64>();
    let squares = equations.iter().map(|e| residual(e).powi(2)).sum::<f64>();
    let variance = squares / (equations.len() - TERMS).max(1) as f64;
    Some(Fit { solution, variance, slope_cofactor: inverse[SLOPE][SLOPE] })
}

/// The equation of a sample: constant, air mass and tilt; the light divided by what elevation and distance of the sun give.
fn equation(s: &Sample) -> Option<Equation> {
    let air_mass = sun::relative_air_mass(s.elevation_deg)?;
    let sine = s.elevation_deg.to_radians().sin();
    let value = (s.ppfd / (sun::inverse_distance_squared(s.time) * sine)).ln();
    let tilt = s.azimuth_deg.to_radians().sin() / s.elevation_deg.to_radians().tan();
    value.is_finite().then_some(Equation { coefficients: [1.0, air_mass - AT_AIR_MASS, tilt], value })
}

/// Usual interval between readings [min].
fn interval_min(samples: &[Sample]) -> Option<f64> {
    let mut steps: Vec<f64> = samples.windows(2).map(|w| w[1].time.seconds_since(w[0].time) / 60.0).collect();
    let step = upper_median(&mut steps)?.round();
    (1.0..=30.0).contains(&step).then_some(step)
}

/// The samples under a clear sky with the sun high enough.
fn clear_samples(samples: &[Sample], interval_min: f64, expected_scale: f64) -> Option<Vec<Sample>> {
    let first = samples.first()?.time;
    let index = |s: &Sample| (s.time.seconds_since(first) / (60.0 * interval_min)).round() as usize;
    let length = index(samples.last()?) + 1;
    if length > MAX_SAMPLES {
        return None;
    }
    // The detection needs equal intervals; missing samples make their windows unclear.
    let (mut measured, mut expected) = (vec![f64::NAN; length], vec![0.0; length]);
    let mut sample_at = vec![None; length];
    for sample in samples {
        let k = index(sample);
        measured[k] = sample.ppfd;
        let distance = sun::inverse_distance_squared(sample.time);
        expected[k] = expected_global(sample.elevation_deg) * PPFD_PER_WATT * distance * expected_scale;
        sample_at[k] = Some(*sample);
    }
    let thresholds = if interval_min <= 1.0 { Thresholds::MINUTES } else { Thresholds::for_interval(interval_min)? };
    let detected = detect(&measured, &expected, interval_min, &thresholds.in_unit(PPFD_PER_WATT));
    let clear = detected.clear.iter().zip(sample_at).filter(|(clear, _)| **clear).filter_map(|(_, sample)| sample);
    Some(clear.filter(|s| s.elevation_deg >= SUN_FROM_DEG).collect())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::sun::Place;

    const PLACE: Place = Place { latitude_deg: 48.0, longitude_deg: 11.0, altitude_m: 300.0 };

    /// The samples of a clear day with a given response, slope (turbidity) and tilt.
    fn day(step_min: f64, response: f64, slope: f64, tilt_east_deg: f64) -> Vec<Sample> {
        let start = UtcMicros::parse("2026-06-21T02:00:00Z").unwrap();
        let steps = (18.0 * 60.0 / step_min) as u32;
        (0..steps)
            .filter_map(|i| {
                let time = start.plus_seconds(f64::from(i) * 60.0 * step_min);
                let sun = sun::position(PLACE, time)?;
                let air_mass = sun::relative_air_mass(sun.elevation_deg)?;
                let sine = sun.elevation_deg.to_radians().sin();
                let tilt = tilt_east_deg.to_radians() * BEAM_SHARE * sun.azimuth_deg.to_radians().sin()
                    / sun.elevation_deg.to_radians().tan();
                let ppfd =
                    2250.0 * response * sine * (slope * air_mass + tilt).exp() * sun::inverse_distance_squared(time);
                Some(Sample { time, ppfd, elevation_deg: sun.elevation_deg, azimuth_deg: sun.azimuth_deg })
            })
            .collect()
    }

    /// Identity: for intervals of 1, 5 and 15 minutes.
    #[test]
    fn level_slope_and_tilt_of_a_synthetic_clear_day_are_recovered() {
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

    /// Clouds, no samples, NaN.
    #[test]
    fn a_day_without_clear_sky_has_no_level() {
        let mut cloudy = day(1.0, 1.0, -0.1, 0.0);
        cloudy.iter_mut().enumerate().for_each(|(i, s)| s.ppfd *= if (i / 4) % 2 == 0 { 0.4 } else { 1.0 });
        assert_eq!(day_level(&cloudy, 1.0), None);
        assert_eq!(day_level(&[], 1.0), None);
        cloudy.iter_mut().for_each(|s| s.ppfd = f64::NAN);
        assert_eq!(day_level(&cloudy, 1.0), None);
    }
}
