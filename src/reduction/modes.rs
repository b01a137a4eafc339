//! The error modes of a reading, each as a mixture of columns ([`super::columns`]).

use super::columns::{Known, Places, RATE, SHIFT, SLIT};
use super::reduced::mode_names as names;
use crate::calibration::Calibration;
use crate::spectrum::errors::{Correlation, ErrorMode, IRRADIANCE, RESPONSE};

/// Standard uncertainty of a detector's temperature by its own sensor [K]: sensor and silicon are not the same place.
const SENSOR_UNCERTAINTY_K: f64 = 0.3;

/// A mode by its parts: each a column with its factor.
type Parts = (&'static str, Vec<(usize, f64)>);

/// The modes of a reading.
pub fn modes(known: &Known<'_>, places: Places) -> Vec<ErrorMode> {
    let (calibration, scale) = (known.calibration, known.scale);
    let shared = calibration.response.correlated_fraction.clamp(0.0, 1.0);
    let mut parts: Vec<Parts> = vec![(names::RESPONSE_SCALE, vec![(RESPONSE, shared.sqrt())])];
    parts.extend(known.floor.map(|f| (names::STRAY_FLOOR, vec![(RATE, f.uncertainty)])));
    parts.extend(dark_parts(known, places));
    parts.extend(axis_parts(known, places));
    if known.aged.response > 0.0 {
        parts.push((names::RESPONSE_AGE, vec![(IRRADIANCE, known.aged.response)]));
    }
    let of_light = |(column, _): &(usize, f64)| {
        matches!(*column, IRRADIANCE | RESPONSE | SHIFT | SLIT) || Some(*column) == places.temperature
    };
    let common = |(name, parts): Parts| ErrorMode {
        name,
        of_light: parts.iter().all(of_light),
        mixture: Correlation::Common(parts),
    };
    let mut modes: Vec<ErrorMode> = parts.into_iter().map(common).collect();
    if shared < 1.0 {
        let mixture = Correlation::Shape((1.0 - shared).sqrt());
        modes.push(ErrorMode { name: names::RESPONSE_SHAPE, of_light: true, mixture });
    }
    if let Some(c) = known.cosine.filter(|c| c.uncertainty > 0.0) {
        let bin = scale.bins.starting_at(scale.ultraviolet_end).unwrap_or(scale.bins.count());
        let (before, from) = (c.uncertainty / c.ultraviolet, c.uncertainty / c.factor);
        let mixture = Correlation::Split { bin, before, from };
        modes.push(ErrorMode { name: names::COSINE, of_light: true, mixture });
    }
    modes
}

/// The level of each bracket's dark, and the dark model's temperature law. An error that is common to all pixels of a bracket is
/// partly subtracted again with the floor.
fn dark_parts(known: &Known<'_>, places: Places) -> Vec<Parts> {
    let in_floor = |per_pixel: &dyn Fn(usize) -> f64| match known.scale.floor.len() {
        0 => 0.0,
        n if known.floor.is_some() => known.scale.floor.iter().map(|i| per_pixel(*i)).sum::<f64>() / n as f64,
        _ => 0.0,
    };
    let brackets = || known.signals.iter().zip(&known.merged.served);
    let last = known.signals.len().saturating_sub(1);
    let mut parts = Vec::new();
    for (r, (signal, served)) in brackets().enumerate() {
        let u = signal.level_uncertainty;
        let back = in_floor(&|i| served[i]);
        parts.push((
            names::DARK_LEVEL,
            match r {
                _ if r < last => vec![(places.served + r, u), (RATE, -u * back)],
                // The last bracket's share is what the others leave.
                _ => (0..last).map(|j| (places.served + j, -u)).chain([(RATE, u * (1.0 - back))]).collect(),
            },
        ));
    }
    if let Some(c) = places.dark_model {
        let effect = |i: usize| brackets().map(|(s, w)| s.dark_rate[i] * s.exponent_effect * w[i]).sum::<f64>();
        parts.push((names::DARK_MODEL, vec![(c, 1.0), (RATE, -in_floor(&effect))]));
    }
    parts
}

/// Wavelength scale, slit and detector temperature.
fn axis_parts(known: &Known<'_>, places: Places) -> Vec<Parts> {
    let wavelength = &known.calibration.wavelength;
    let scale_uncertainty = wavelength.uncertainty_nm.hypot(known.aged.wavelength_nm);
    let mut parts = vec![(names::WAVELENGTH, vec![(SHIFT, scale_uncertainty)]), (names::BANDWIDTH, vec![(SLIT, 1.0)])];
    let per_k_nm = wavelength.shift_nm_per_k;
    if places.temperature.is_some() || per_k_nm != 0.0 {
        let u = temperature_uncertainty(known.calibration, known.temperature_c);
        let response = places.temperature.map(|c| (c, u));
        parts.push((names::TEMPERATURE, response.into_iter().chain([(SHIFT, u * per_k_nm)]).collect()));
    }
    parts
}

/// Standard uncertainty of the detector's temperature [K]: its sensor's, or without one that of any temperature which the
/// calibration covers.
fn temperature_uncertainty(calibration: &Calibration, temperature_c: Option<f64>) -> f64 {
    let (low, high) = calibration.temperature_range_c;
    match temperature_c {
        Some(_) => SENSOR_UNCERTAINTY_K,
        // Any of them alike: the deviation of a rectangle, about the temperature that was assumed instead.
        None => {
            let middle = 0.5 * (low + high) - calibration.temperature_c;
            ((high - low) / 12f64.sqrt()).hypot(middle)
        }
    }
}
