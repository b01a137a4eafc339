//! Reads the sections of a calibration file that have tables beside wavelength and response.
//!
//! Each returns `None` if it recorded a diagnostic.

use super::{WAVELENGTH, check_axis, check_length, defaults};
use crate::calibration::{Cosine, TemperatureCoefficient};
use crate::document::{Range, Section};

/// Range of relative standard uncertainties.
const RELATIVE: Range = Range::between(0.0, 1.0, "k = 1");

/// `[stray_light]`, with the file name of the matrix.
#[derive(Default)]
pub(super) struct StrayFile {
    pub floor_band_nm: Option<(f64, f64)>,
    pub relative_uncertainty: f64,
    pub matrix_relative_uncertainty: f64,
    pub matrix: Option<String>,
}

impl StrayFile {
    pub fn read(s: &Section) -> Option<Self> {
        let range = Range::between(0.0, 10.0, "k = 1");
        let floor_band_nm = s.interval("floor_band_nm", false, WAVELENGTH);
        let relative_uncertainty = s.number("relative_uncertainty", None, range);
        let matrix = s.has("matrix").then(|| s.text("matrix", None, "the name of a CSV file"));
        if matrix.is_none() {
            s.ignore("matrix");
        }
        let matrix_uncertainty =
            s.number("matrix_relative_uncertainty", Some(defaults::MATRIX_RELATIVE_UNCERTAINTY), range);
        s.close();
        Some(Self {
            floor_band_nm,
            relative_uncertainty: relative_uncertainty?,
            matrix_relative_uncertainty: matrix_uncertainty?,
            matrix: matrix.flatten(),
        })
    }
}

pub(super) fn read_linearity(s: &Section) -> Option<(Vec<f64>, f64)> {
    let coefficients = s.numbers("coefficients", true, 1, Range::finite(""));
    if let Some(c) = &coefficients
        && !(c[0] > 0.0)
    {
        s.refuse_with(
            "coefficients[0]",
            "a number above 0, the divisor of the counts of weak light",
            format!("`{}`", c[0]),
        );
    }
    let uncertainty = s.number("relative_uncertainty", Some(defaults::LINEARITY), RELATIVE);
    s.close();
    Some((coefficients?, uncertainty?))
}

pub(super) fn read_cosine(s: &Section) -> Option<Cosine> {
    let zenith_deg = s.numbers("zenith_deg", true, 2, Range::between(0.0, 90.0, "degrees"));
    let ratio = s.numbers("ratio", true, 2, Range::at_least(0.0, "").up_to(10.0));
    let diffuse_ratio = s.number("diffuse_ratio", None, Range::above(0.0, "").up_to(10.0));
    check_axis(s, "zenith_deg", zenith_deg.as_deref());
    if zenith_deg.as_ref().is_some_and(|z| z[0] != 0.0) {
        s.refuse("zenith_deg", "angles that begin at 0, the reference direction of the cosine response");
    }
    check_length(s, "ratio", ratio.as_deref(), "zenith_deg", zenith_deg.as_deref());
    let by_angle = |key| entries(s, key, RELATIVE, "zenith_deg", zenith_deg.as_deref(), defaults::by_angle);
    let (ratio_uncertainty, azimuth_deviation) = (by_angle("ratio_uncertainty"), by_angle("azimuth_deviation"));
    let diffuse_uncertainty = s.number("diffuse_uncertainty", Some(defaults::DIFFUSE_UNCERTAINTY), RELATIVE);
    s.close();
    Some(Cosine {
        zenith_deg: zenith_deg?,
        ratio: ratio?,
        ratio_uncertainty: ratio_uncertainty?,
        azimuth_deviation: azimuth_deviation?,
        diffuse_ratio: diffuse_ratio?,
        diffuse_uncertainty: diffuse_uncertainty?,
    })
}

pub(super) fn read_temperature(s: &Section) -> Option<TemperatureCoefficient> {
    let wavelength_nm = s.numbers("wavelength_nm", true, 1, WAVELENGTH);
    let relative_per_k = s.numbers("relative_per_k", true, 1, Range::between(-0.1, 0.1, "1/K"));
    check_axis(s, "wavelength_nm", wavelength_nm.as_deref());
    check_length(s, "relative_per_k", relative_per_k.as_deref(), "wavelength_nm", wavelength_nm.as_deref());
    let range = Range::between(0.0, 0.1, "1/K, k = 1");
    let coefficients = relative_per_k.as_deref();
    let axis = wavelength_nm.as_deref().filter(|axis| coefficients.is_some_and(|c| c.len() == axis.len()));
    let uncertainty = if s.has("uncertainty_per_k") {
        entries(s, "uncertainty_per_k", range, "wavelength_nm", axis, |_| 0.0)
    } else {
        s.ignore("uncertainty_per_k");
        coefficients.map(|all| all.iter().map(|c| defaults::of_coefficient(*c)).collect())
    };
    s.close();
    Some(TemperatureCoefficient {
        wavelength_nm: wavelength_nm?,
        relative_per_k: relative_per_k?,
        uncertainty_per_k: uncertainty?,
    })
}

/// One number for all entries of an axis, or a list as long as it; without the key, the default of each entry.
pub(super) fn entries(
    s: &Section,
    key: &'static str,
    range: Range,
    axis_key: &str,
    axis: Option<&[f64]>,
    default: impl Fn(f64) -> f64,
) -> Option<Vec<f64>> {
    if !s.has(key) {
        s.ignore(key);
        return axis.map(|axis| axis.iter().map(|x| default(*x)).collect());
    }
    if s.is_list(key) {
        let list = s.numbers(key, true, 1, range);
        check_length(s, key, list.as_deref(), axis_key, axis);
        return list;
    }
    let one = s.number(key, None, range);
    one.zip(axis).map(|(u, axis)| vec![u; axis.len()])
}
