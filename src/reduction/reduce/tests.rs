//! The reduction compared with the same formulas evaluated one pixel at a time.

use super::*;
use crate::calibration::Calibration;
use crate::calibration::{Noise, TemperatureCoefficient, file};
use crate::clock::UtcMicros;
use crate::numeric::interpolate_clamped;
use crate::record::{Detector, Frame, PixelRanges, Shutter, Stamp};
use crate::reduction::beam_share;
use crate::reduction::lamps::{Daylight, Glazing, Knowledge, LampContext, LampLight, lamp_response};
use crate::reduction::{DarkFor, DarkModel, mode_names};
use std::path::Path;

const PIXELS: usize = 700;
/// Rounding of some dozen operations, in sums of a few hundred pixels.
const ROUNDING: f64 = 1e-9;

fn calibration() -> Calibration {
    let text = include_str!("../../../tests/bad_input/good_calibration.toml");
    let mut c = file::parse(Path::new("good.toml"), text).unwrap();
    c.wavelength.coefficients = vec![280.0, 1.0, 1e-5];
    c.wavelength.shift_nm_per_k = 0.01;
    c.response.wavelength_nm = vec![285.0, 350.0, 600.0, 970.0];
    c.response.counts_per_s_per_w_m2_nm = vec![2e4, 8e4, 4e5, 1e5];
    c.response.relative_uncertainty = vec![0.04, 0.02, 0.01, 0.02];
    c.response.correlated_fraction = 0.4;
    c.noise = Noise { electrons_per_count: 3.0, read_noise_counts: 6.0, saturation_fraction: 0.95, blooming_pixels: 4 };
    c.linearity = vec![1.0, -4e-7, 1e-12];
    c.stray_light.floor_band_nm = Some((286.0, 294.0));
    c.temperature = TemperatureCoefficient {
        wavelength_nm: vec![280.0, 990.0],
        relative_per_k: vec![0.0, 2e-3],
        uncertainty_per_k: vec![1e-4, 3e-4],
    };
    c.budget.linearity = 0.003;
    c.budget.levelling_deg = 0.4;
    c.wavelength.variation_nm = 0.02;
    c.wavelength.shift_uncertainty_nm_per_k = 2e-3;
    c
}

fn detector() -> Detector {
    Detector {
        pixels: PIXELS,
        full_scale: 65_535,
        shielded: PixelRanges(vec![(0, 3), (696, 699)]),
        integration_min_s: 1e-3,
        integration_max_s: 60.0,
        has_shutter: true,
        transfer_s: 0.3,
    }
}

/// Invented counts: a Gaussian bump, an offset and deterministic jitter.
fn frame(t: f64, light: f64, exposures: usize, salt: u64, clipped: &[(u16, u16)]) -> Frame {
    let sums = (0..PIXELS as u64)
        .map(|i| {
            let x = (i.wrapping_mul(6364136223846793005) ^ salt.wrapping_mul(0x9E3779B97F4A7C15)) >> 33;
            let jitter = (x % 2001) as f64 / 100.0 - 10.0;
            let bump = if (4..696).contains(&i) { light * (-((i as f64 - 300.0) / 150.0).powi(2)).exp() } else { 0.0 };
            let one = 1200.0 + (i % 13) as f64 + t * (20.0 + (i * 7 % 11) as f64 + bump) + jitter;
            (one.clamp(0.0, 65_535.0) * exposures as f64) as u32
        })
        .collect();
    let stamps = (0..exposures).map(|k| Stamp { start: UtcMicros(k as i64), crc32: k as u32 }).collect();
    let shutter = if light > 0.0 { Shutter::Open } else { Shutter::Closed };
    let clipped = PixelRanges(clipped.to_vec());
    Frame {
        integration_s: t,
        shutter,
        temperature_c: Some(24.0),
        stamps,
        sums,
        clipped,
        light_variation: 0.0,
        ripple: Vec::new(),
        rejected: Vec::new(),
    }
}

fn model() -> DarkModel {
    DarkModel {
        offset: (0..PIXELS).map(|i| 1200.0 + (i % 13) as f32).collect(),
        rate: (0..PIXELS).map(|i| 15.0 + (i % 11) as f32).collect(),
        reference_c: 20.0,
        offset_per_k: 0.5,
        rate_exponent_per_k: Some(0.1),
        exponent_uncertainty: 0.01,
        covariance: [2.0, -0.1, 0.5],
        temperature_range_c: (15.0, 25.0),
        integration_range_s: (0.01, 10.0),
        newest: UtcMicros(0),
        darks: 12,
        light_lx: 0.0,
    }
}

/// One pixel of one bracket: rate, dark rate, and variance without the shot noise of the light.
fn one_pixel(bracket: &BracketInput<'_>, c: &Calibration, level: f64, i: usize) -> (f64, f64, f64) {
    let (n, t) = (bracket.frame.exposures() as f64, bracket.frame.integration_s);
    let (read, shot) = (c.noise.read_noise_counts.powi(2), 1.0 / c.noise.electrons_per_count);
    let (offset, dark, own) = baseline(bracket, read, shot, i);
    let x = f64::from(bracket.frame.sums[i]) / n - offset - level;
    let linear = x / c.linearity.iter().rev().fold(0.0, |sum, k| sum * x.max(0.0) + k);
    ((linear - dark) / t, dark / t, ((read + shot * dark.max(0.0)) / n + own) / (t * t))
}

/// Offset, dark counts and the variance of both for one pixel.
fn baseline(bracket: &BracketInput<'_>, read: f64, shot: f64, i: usize) -> (f64, f64, f64) {
    let (t, now) = (bracket.frame.integration_s, bracket.frame.temperature_c.unwrap());
    let at = |m: &DarkModel, c: f64| {
        (f64::from(m.offset[i]) + m.offset_shift(c), f64::from(m.rate[i]) * m.rate_factor(c) * t)
    };
    match bracket.dark {
        DarkFor::Model(m) => {
            let (offset, dark) = at(m, now);
            (offset, dark, m.variance(t, now) * (1.0 + shot * dark.max(0.0) / read))
        }
        DarkFor::Matched { dark: frame, model } => {
            let mean = f64::from(frame.sums[i]) / frame.exposures() as f64;
            let then = frame.temperature_c.unwrap();
            let (offset, change) = model.map_or((mean, 0.0), |m| (at(m, then).0, at(m, now).1 - at(m, then).1));
            let dark = mean - offset + change;
            (offset, dark, (read + shot * dark.max(0.0)) / frame.exposures() as f64)
        }
    }
}

fn level(bracket: &BracketInput<'_>, scale: &Scale) -> f64 {
    let n = bracket.frame.exposures() as f64;
    let mut excess: Vec<f64> = scale
        .shielded
        .iter()
        .map(|i| {
            let (offset, dark, _) = baseline(bracket, 1.0, 1.0, *i);
            f64::from(bracket.frame.sums[*i]) / n - offset - dark
        })
        .collect();
    excess.sort_by(f64::total_cmp);
    let kept = &excess[excess.len() / 8..excess.len() - excess.len() / 8];
    kept.iter().sum::<f64>() / kept.len() as f64
}

fn close(what: &str, want: f64, got: f64, scale: f64) {
    assert!((got - want).abs() <= ROUNDING * scale.abs().max(want.abs()), "{what}: want {want}, got {got}");
}

fn compare(brackets: &[BracketInput<'_>], context: &ReductionContext<'_>) {
    let (c, scale) = (context.calibration, context.scale);
    let shot = 1.0 / c.noise.electrons_per_count;
    let levels: Vec<f64> = brackets.iter().map(|r| level(r, scale)).collect();
    let out = |r: &BracketInput<'_>, i: usize| {
        (0..PIXELS).any(|j| r.frame.clipped.contains(j) && i.abs_diff(j) <= c.noise.blooming_pixels as usize)
    };
    let (mut rate, mut variance, mut merge_weights) =
        (vec![0.0; PIXELS], vec![0.0; PIXELS], vec![vec![0.0; PIXELS]; brackets.len()]);
    let mut saturated = vec![false; PIXELS];
    for i in 0..PIXELS {
        let all: Vec<_> = brackets.iter().zip(&levels).map(|(r, l)| one_pixel(r, c, *l, i)).collect();
        let mut unclipped: Vec<usize> = (0..brackets.len()).filter(|k| !out(&brackets[*k], i)).collect();
        if unclipped.is_empty() {
            saturated[i] = scale.valid[i];
            unclipped.push(0);
        }
        let total = |k: &usize| brackets[*k].frame.total_s();
        let time: f64 = unclipped.iter().map(total).sum();
        let guess = (unclipped.iter().map(|k| total(k) * all[*k].0).sum::<f64>() / time).max(0.0);
        let weight = |k: &usize| 1.0 / (all[*k].2 + shot * guess / total(k));
        let weights: f64 = unclipped.iter().map(weight).sum();
        for k in &unclipped {
            merge_weights[*k][i] = weight(k) / weights;
            rate[i] += merge_weights[*k][i] * all[*k].0;
        }
        variance[i] = 1.0 / weights;
    }
    let mut floor: Vec<f64> = scale.floor.iter().map(|i| rate[*i]).collect();
    floor.sort_by(f64::total_cmp);
    let cut = floor.len() / 10;
    let stray = floor[cut..floor.len() - cut].iter().sum::<f64>() / (floor.len() - 2 * cut) as f64;
    let noise = scale.floor.iter().map(|i| variance[*i]).sum::<f64>().sqrt() / floor.len() as f64;
    let mut ratios: Vec<f64> = Vec::new();
    let peak = (0..PIXELS).filter(|i| scale.valid[*i]).map(|i| rate[i]).fold(0.0, f64::max);
    ratios
        .extend((0..PIXELS).filter(|i| scale.valid[*i] && rate[*i] > 0.1 * peak).map(|i| rate[i] / variance[i].sqrt()));
    ratios.sort_by(f64::total_cmp);

    let reduced = reduce(brackets, context);
    // The baseline compilation gives the same bits.
    let narrow = reduce_in(brackets, context);
    assert_eq!((&narrow.irradiance, &narrow.variance), (&reduced.irradiance, &reduced.variance));
    assert_eq!((&narrow.errors, &narrow.merge_weights), (&reduced.errors, &reduced.merge_weights));
    assert_eq!((narrow.signal_to_noise, narrow.floor_rate), (reduced.signal_to_noise, reduced.floor_rate));
    assert_eq!(reduced.saturated, saturated);
    close("floor", stray, reduced.floor_rate.unwrap(), stray);
    close("signal to noise", ratios[ratios.len() / 2], reduced.signal_to_noise.unwrap(), 1.0);
    let t = context.temperature_c.unwrap();
    let dt = t - c.temperature_c;
    let x = &scale.wavelength_nm;
    let factor = |i: usize| reduced.cosine.map_or(1.0, |c| c.factor(x[i]));
    let inverse = |i: usize| {
        if scale.valid[i] { 1.0 / (scale.response[i] * (1.0 + scale.relative_per_k[i] * dt)) / factor(i) } else { 0.0 }
    };
    let irradiance = |i: usize| (rate[i] - stray) * inverse(i);
    let top = (0..PIXELS).map(|i| irradiance(i).abs()).fold(0.0, f64::max);
    for i in 0..PIXELS {
        close("irradiance", irradiance(i), reduced.irradiance[i], top);
        close("variance", variance[i] * inverse(i).powi(2), reduced.variance[i], 0.0);
        merge_weights
            .iter()
            .zip(&reduced.merge_weights)
            .for_each(|(want, got)| close("merge_weights", want[i], got[i], 1.0));
        let dark: f64 =
            (0..brackets.len()).map(|k| merge_weights[k][i] * one_pixel(&brackets[k], c, levels[k], i).1).sum();
        close("dark", dark * inverse(i), reduced.dark_irradiance[i], 0.0);
    }

    // Every component computed directly, in the same order.
    let calibrated = |i: usize, reach: usize| {
        i >= reach && i + reach < PIXELS && scale.valid[i - reach] && scale.valid[i] && scale.valid[i + reach]
    };
    let slope = |i: usize| {
        if calibrated(i, 1) { (rate[i + 1] - rate[i - 1]) / (x[i + 1] - x[i - 1]) * inverse(i) } else { 0.0 }
    };
    let floor_share = |of: &dyn Fn(usize) -> f64| scale.floor.iter().map(|i| of(*i)).sum::<f64>() / floor.len() as f64;
    let u = |i: usize| scale.relative_uncertainty[i] * irradiance(i);
    let (low, high) = scale.valid_pixels;
    let reach = (c.wavelength.fwhm_nm / ((x[high] - x[low]) / (high - low) as f64)).round().max(1.0) as usize;
    let beta = |k: usize, i: usize| match brackets[k].dark {
        DarkFor::Model(m) => {
            one_pixel(&brackets[k], c, levels[k], i).1 * m.exponent_uncertainty * (24.0 - m.reference_c)
        }
        DarkFor::Matched { .. } => 0.0,
    };
    // What depends on wavelength only is evaluated at the middle of each bin.
    let bin_of = |i: usize| {
        let starts = &scale.bins.starts;
        let bin = starts.iter().filter(|start| **start <= i).count() - 1;
        starts[bin]..starts.get(bin + 1).copied().unwrap_or(PIXELS)
    };
    let middle = |i: usize| 0.5 * (x[bin_of(i).start] + x[bin_of(i).end - 1]);
    let zenith = 90.0 - context.sun_elevation_deg.unwrap_or(90.0);
    let optic = c.cosine.as_ref().unwrap();
    let of_beam = |nm: f64| reduced.cosine.map_or(0.0, |c| c.share.at(nm).0 * c.beam / c.factor(nm));
    let effect = |i: usize| (0..brackets.len()).map(|k| merge_weights[k][i] * beta(k, i)).sum::<f64>();
    let (mut bracket, mut coefficient, mut knot) = (0, 0, 0);
    for mode in &reduced.errors.modes {
        let k = bracket;
        let column: Box<dyn Fn(usize) -> f64> = match mode.name {
            mode_names::RESPONSE_SCALE => Box::new(|i| 0.4f64.sqrt() * u(i)),
            mode_names::RESPONSE_SHAPE => Box::new(|i| 0.6f64.sqrt() * u(i)),
            mode_names::STRAY_FLOOR => {
                let of = noise.hypot(c.stray_light.relative_uncertainty * stray);
                Box::new(move |i| of * inverse(i))
            }
            mode_names::DARK_LEVEL => {
                bracket += 1;
                let own = match brackets[k].dark {
                    DarkFor::Model(m) => m.variance(brackets[k].frame.integration_s, 24.0),
                    DarkFor::Matched { dark, .. } => c.noise.read_noise_counts.powi(2) / dark.exposures() as f64,
                };
                let n = brackets[k].frame.exposures() as f64;
                let of = ((c.noise.read_noise_counts.powi(2) / n + own) / 6.0).sqrt() / brackets[k].frame.integration_s;
                let share = &merge_weights[k];
                let floor_share = floor_share(&|i| share[i]);
                Box::new(move |i| of * (share[i] - floor_share) * inverse(i))
            }
            mode_names::DARK_MODEL => Box::new(|i| (effect(i) - floor_share(&effect)) * inverse(i)),
            mode_names::WAVELENGTH => Box::new(|i| c.wavelength.uncertainty_nm * slope(i)),
            mode_names::TEMPERATURE => Box::new(|i| {
                let per_k = scale.relative_per_k[i];
                0.3 * (0.01 * slope(i) + per_k / (1.0 + per_k * dt) * irradiance(i))
            }),
            mode_names::BANDWIDTH => Box::new(|i| {
                if !calibrated(i, reach) {
                    return 0.0;
                }
                let h = 0.5 * (x[i + reach] - x[i - reach]);
                let second = (irradiance(i + reach) - 2.0 * irradiance(i) + irradiance(i - reach)) / (h * h);
                let w = c.wavelength.fwhm_nm;
                let relative = (0.2f64.powi(2) + (2.0 * c.wavelength.fwhm_uncertainty_nm / w).powi(2)).sqrt();
                w * w / 12.0 * second * relative
            }),
            mode_names::COSINE => {
                Box::new(|i| reduced.cosine.map_or(0.0, |c| c.relative_error(middle(i))) * irradiance(i))
            }
            mode_names::COSINE_TABLE => Box::new(|i| {
                let at = |u: &[f64]| interpolate_clamped(&optic.zenith_deg, u, zenith);
                let both = at(&optic.ratio_uncertainty).powi(2) + at(&optic.azimuth_deviation).powi(2);
                of_beam(middle(i)) * both.sqrt() * irradiance(i)
            }),
            mode_names::COSINE_DIFFUSE => {
                Box::new(|i| (1.0 - of_beam(middle(i))) * optic.diffuse_uncertainty * irradiance(i))
            }
            mode_names::LEVELLING => {
                Box::new(|i| of_beam(middle(i)) * 0.4f64.to_radians() * zenith.to_radians().tan() * irradiance(i))
            }
            mode_names::LINEARITY => Box::new(|i| {
                let (mut levels, mut light) = (0.0, 0.0);
                for j in bin_of(i).filter(|j| rate[*j] > stray) {
                    let one = |k: usize| merge_weights[k][j] * brackets[k].frame.integration_s / 65_535.0;
                    levels += (rate[j] - stray).powi(2) * (0..brackets.len()).map(one).sum::<f64>();
                    light += rate[j] - stray;
                }
                if light > 0.0 { 0.003 * levels / light * irradiance(i) } else { 0.0 }
            }),
            mode_names::TEMPERATURE_COEFFICIENTS => {
                coefficient += 1;
                match coefficient {
                    1 => Box::new(|i| {
                        let along = ((middle(i) - 280.0) / 710.0).clamp(0.0, 1.0);
                        (1e-4 + 2e-4 * along) * dt / (1.0 + 2e-3 * along * dt) * irradiance(i)
                    }),
                    _ => Box::new(|i| 2e-3 * dt * slope(i)),
                }
            }
            mode_names::WAVELENGTH_VARIATION => {
                let (low, high) = scale.valid_nm;
                let at = low + f64::from(knot) / 4.0 * (high - low);
                knot += 1;
                Box::new(move |i| {
                    let distance = (middle(i) - at).abs() / (0.25 * (high - low));
                    0.02 * if distance < 1.0 { (90.0 * distance).to_radians().cos() } else { 0.0 } * slope(i)
                })
            }
            other => panic!("no such component: {other}"),
        };
        let top = (0..PIXELS).map(|i| column(i).abs()).fold(0.0, f64::max);
        for i in 0..PIXELS {
            close(mode.name, column(i), reduced.errors.at(mode, i), top);
        }
    }
    assert_eq!((bracket, coefficient, knot), (brackets.len(), 2, 5));
    let beam = [mode_names::LEVELLING, mode_names::COSINE_TABLE, mode_names::COSINE_DIFFUSE];
    let found = beam.iter().filter(|name| reduced.errors.modes.iter().any(|m| m.name == **name)).count();
    assert_eq!(found, if context.sun_elevation_deg.is_some() { 3 } else { 0 });
}

/// Independent: the formulas of each step, one pixel at a time, for one to three brackets, with and without clipping, for every
/// kind of dark, with and without cosine correction.
#[test]
fn the_reduction_agrees_with_its_formulas() {
    let (c, d, m) = (calibration(), detector(), model());
    let scale = Arc::new(Scale::new(&c, &d, 3));
    let light = [
        frame(0.01, 4e6, 2, 1, &[]),
        frame(0.5, 4e6, 1, 2, &[(150, 480), (520, 520)]),
        frame(2.0, 4e6, 1, 3, &[(100, 560), (600, 601)]),
    ];
    let dark = [frame(0.01, 0.0, 8, 4, &[]), frame(0.5, 0.0, 4, 5, &[]), frame(2.0, 0.0, 2, 6, &[])];
    let clipped = frame(0.01, 4e6, 2, 1, &[(290, 300)]);
    for sun in [None, Some(40.0), Some(8.0)] {
        let context = ReductionContext {
            calibration: &c,
            scale: &scale,
            temperature_c: Some(24.0),
            sun_elevation_deg: sun,
            pressure: 1.0,
            beam_share: None,
            lamps: None,
            aged: Default::default(),
            mains_hz: 0.0,
        };
        for kind in 0..3 {
            let dark_for = |k: usize| match kind {
                0 => DarkFor::Matched { dark: &dark[k], model: None },
                1 => DarkFor::Matched { dark: &dark[k], model: Some(&m) },
                _ => DarkFor::Model(&m),
            };
            for n in 1..=3 {
                let mut brackets: Vec<BracketInput<'_>> =
                    (0..n).map(|k| BracketInput { frame: &light[k], dark: dark_for(k), dark_light_lx: 0.0 }).collect();
                compare(&brackets, &context);
                brackets[0].frame = &clipped;
                compare(&brackets, &context);
            }
        }
    }
}

/// Identity: the reported difference between brackets of different light agrees with it within the stated uncertainty.
#[test]
fn the_difference_between_brackets_is_reported() {
    let (c, d) = (calibration(), detector());
    let scale = Arc::new(Scale::new(&c, &d, 0));
    let (short, long) = (frame(0.1, 3e4, 1, 1, &[]), frame(0.4, 3e4 * 0.9, 1, 2, &[]));
    let (short_dark, long_dark) = (frame(0.1, 0.0, 64, 3, &[]), frame(0.4, 0.0, 64, 4, &[]));
    let brackets = [
        BracketInput { frame: &short, dark: DarkFor::Matched { dark: &short_dark, model: None }, dark_light_lx: 0.0 },
        BracketInput { frame: &long, dark: DarkFor::Matched { dark: &long_dark, model: None }, dark_light_lx: 0.0 },
    ];
    let context = ReductionContext {
        calibration: &c,
        scale: &scale,
        temperature_c: None,
        sun_elevation_deg: None,
        pressure: 1.0,
        beam_share: None,
        lamps: None,
        aged: Default::default(),
        mains_hz: 0.0,
    };
    let (difference, u) = reduce(&brackets, &context).disagreement.unwrap();
    assert!(u < 0.01 && (difference - (1.0 / 0.9 - 1.0)).abs() < 4.0 * u, "{difference} ± {u}");
}

/// Charge from clipped pixels in the neighbouring shielded pixels changes no other pixel.
#[test]
fn blooming_into_shielded_pixels_does_not_change_the_offset() {
    let (c, d) = (calibration(), detector());
    let scale = Arc::new(Scale::new(&c, &d, 0));
    let dark = frame(0.5, 0.0, 4, 5, &[]);
    let light = frame(0.5, 4e4, 4, 2, &[(690, 695)]);
    let mut bloomed = light.clone();
    bloomed.sums[696..].iter_mut().zip([8000, 4000, 2000, 1000]).for_each(|(sum, charge)| *sum += charge);
    let context = ReductionContext {
        calibration: &c,
        scale: &scale,
        temperature_c: Some(24.0),
        sun_elevation_deg: None,
        pressure: 1.0,
        beam_share: None,
        lamps: None,
        aged: Default::default(),
        mains_hz: 0.0,
    };
    let of = |frame| {
        let brackets =
            [BracketInput { frame, dark: DarkFor::Matched { dark: &dark, model: None }, dark_light_lx: 0.0 }];
        reduce(&brackets, &context)
    };
    let (clean, after) = (of(&light), of(&bloomed));
    assert_eq!(clean.irradiance[..690], after.irradiance[..690]);
    assert_eq!(clean.floor_rate, after.floor_rate);
}

/// Independent: E = rate·k/c_sun + L·(1/c_lamp − 1/c_sun), one pixel at a time, with the components of incidence and separation; the share
/// of the beam follows from the light without the lamps. At night all light is divided by the response to lamps.
#[test]
fn lamps_and_sun_are_corrected_each_by_its_own_response() {
    let (c, d) = (calibration(), detector());
    let cosine = c.cosine.clone().expect("the example has a cosine response");
    let scale = Arc::new(Scale::new(&c, &d, 0));
    let (light, dark) = (frame(0.5, 4e4, 4, 2, &[]), frame(0.5, 0.0, 4, 5, &[]));
    let brackets =
        [BracketInput { frame: &light, dark: DarkFor::Matched { dark: &dark, model: None }, dark_light_lx: 0.0 }];
    let daylight = Daylight::new(c.wavelength.fwhm_nm);
    let of = |elevation: f64, part: Option<&LampLight>| {
        let glazing = Glazing { transmission: 0.8, haze: 0.25, ..Glazing::NONE };
        let lamps = LampContext { shapes: &[], daylight: Some(&daylight), glazing, incidence_deg: Some(40.0), part };
        let context = ReductionContext {
            calibration: &c,
            scale: &scale,
            temperature_c: None,
            sun_elevation_deg: Some(elevation),
            pressure: 1.0,
            beam_share: None,
            lamps: Some(lamps),
            aged: Default::default(),
            mains_hz: 0.0,
        };
        reduce(&brackets, &context)
    };
    let bare = of(-10.0, None);
    let alone = bare.lamps.as_ref().expect("all light is that of lamps");
    assert_eq!((alone.knowledge, alone.share), (Knowledge::Alone, Some((1.0, 0.0))));
    let part = LampLight {
        knowledge: Knowledge::Separated,
        rate: bare.rate.iter().enumerate().map(|(i, r)| if i % 5 < 3 { 0.4 * r } else { 0.0 }).collect(),
        rate_uncertainty: bare.rate.iter().map(|r| 0.01 * r).collect(),
        ppfd: 0.4 * alone.all_ppfd,
        ppfd_uncertainty: 0.0,
        ..alone.clone()
    };
    let both = of(5.0, Some(&part));
    let lamp = lamp_response(&cosine, Some(40.0));
    let beam = crate::numeric::interpolate_clamped(&cosine.zenith_deg, &cosine.ratio, 85.0);
    let outside = beam_share::estimate(5.0, 1.0, 0.6 * alone.all_ppfd / cosine.diffuse_ratio / 0.8);
    let mode = |name: &str| both.errors.modes.iter().find(|m| m.name == name).expect("a component");
    let top = both.irradiance.iter().copied().fold(0.0, f64::max);
    for (i, nm) in scale.wavelength_nm.iter().enumerate() {
        let k = scale.inverse_response[i];
        let sun = cosine.diffuse_ratio + 0.75 * outside.at(*nm).0 * (beam - cosine.diffuse_ratio);
        let of_lamps = part.rate[i] * k / lamp.value;
        let want = (bare.rate[i] - part.rate[i]) * k / sun + of_lamps;
        close("irradiance", want, both.irradiance[i], top);
        close("at night", bare.rate[i] * k / lamp.value, bare.irradiance[i], top);
        let incidence = -of_lamps * lamp.uncertainty / lamp.value;
        close(mode_names::LAMP_INCIDENCE, incidence, both.errors.at(mode(mode_names::LAMP_INCIDENCE), i), top);
        let separation = part.rate_uncertainty[i] * k * (1.0 / lamp.value - 1.0 / sun);
        close(mode_names::LAMP_SEPARATION, separation, both.errors.at(mode(mode_names::LAMP_SEPARATION), i), top);
    }
    let (share, _) = both.lamps.expect("a part").share.expect("a share");
    assert!((share - 0.4).abs() < 0.05, "{share}");
}

/// Identity: the component of a stray-light matrix is its stated share of what the matrix subtracts from each pixel, less the mean of
/// that in the floor band, which the floor has taken away.
#[test]
fn a_stray_light_matrix_is_uncertain_by_what_it_subtracts() {
    let (mut c, d) = (calibration(), detector());
    // Diagonal, so that what is subtracted follows from what is left.
    let share = |i: usize| 1e-3 * (1.0 + (i as f64 / 90.0).sin());
    let entry = |k: usize| if k / PIXELS == k % PIXELS { 1.0 - share(k % PIXELS) } else { 0.0 };
    c.stray_light.matrix = Some((0..PIXELS * PIXELS).map(entry).collect());
    c.stray_light.matrix_relative_uncertainty = 0.2;
    let scale = Arc::new(Scale::new(&c, &d, 0));
    let (light, dark) = (frame(0.5, 4e4, 1, 1, &[]), frame(0.5, 0.0, 8, 2, &[]));
    let dark = DarkFor::Matched { dark: &dark, model: None };
    let context = ReductionContext {
        calibration: &c,
        scale: &scale,
        temperature_c: Some(24.0),
        sun_elevation_deg: None,
        pressure: 1.0,
        beam_share: None,
        lamps: None,
        aged: Default::default(),
        mains_hz: 0.0,
    };
    let reduced = reduce(&[BracketInput { frame: &light, dark, dark_light_lx: 0.0 }], &context);
    let floor = reduced.floor_rate.unwrap();
    let removed = |i: usize| {
        let left = reduced.irradiance[i] / reduced.per_rate(i) + floor;
        left * share(i) / (1.0 - share(i))
    };
    let in_floor = scale.floor.iter().map(|i| removed(*i)).sum::<f64>() / scale.floor.len() as f64;
    let mode = reduced.errors.modes.iter().find(|m| m.name == mode_names::STRAY_MATRIX).unwrap();
    let top = (0..PIXELS).map(|i| reduced.errors.at(mode, i).abs()).fold(0.0, f64::max);
    assert!(top > 0.0);
    for i in (0..PIXELS).filter(|i| scale.valid[*i]) {
        let want = 0.2 * (removed(i) - in_floor) * reduced.per_rate(i);
        close("stray matrix", want, reduced.errors.at(mode, i), top);
    }
}
