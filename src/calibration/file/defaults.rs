//! Defaults of a calibration file, each with its reason.
//!
//! They stand for what a certificate leaves out. All uncertainties are standard uncertainties (k = 1). Where no source is named, the
//! number is from memory of array spectrometers with silicon detectors.

/// Share of full scale above which counts are clipped.
pub const SATURATION_FRACTION: f64 = 0.95;
/// Share of the response's variance that is common to all wavelengths: certificates rarely state one, and both extremes are wrong.
pub const CORRELATED_FRACTION: f64 = 0.5;
/// Correlation length of the remaining variance [nm].
pub const CORRELATION_LENGTH_NM: f64 = 50.0;

/// Of the wavelength scale beyond a common shift [nm]: residuals of a cubic through the lines of a low-pressure lamp.
pub const VARIATION_NM: f64 = 0.03;
/// Of the width of the slit function, relative to it [1]: widths of single lines differ by about as much over the range.
pub const FWHM_RELATIVE: f64 = 0.05;
/// Of the shift with temperature [nm/K], where it is stated: 0.02 nm over 20 K, what a line's position repeats by.
pub const SHIFT_NM_PER_K: f64 = 0.001;
/// Of the same where no shift is stated [nm/K]: gratings and mounts of common materials move the scale by 0.002 to 0.01 nm/K.
pub const UNSTATED_SHIFT_NM_PER_K: f64 = 0.005;
/// Of the counts at full scale after the correction [1]: CIE 233:2019 asks for residuals below 1 %, and 0.3 % is common; as limits of an
/// even distribution the latter are 0.2 %.
pub const LINEARITY: f64 = 0.002;
/// Of what a stray-light matrix subtracts [1]: Zong et al. 2006 reduce stray light by one to two orders of magnitude.
pub const MATRIX_RELATIVE_UNCERTAINTY: f64 = 0.1;
/// Of the ratio for the light of the sky [1]: skies that are brighter at the horizon or around the sun than an isotropic one.
pub const DIFFUSE_UNCERTAINTY: f64 = 0.01;
/// Of temperature coefficients of the response [1/K]: 0.2 % over 20 K, what a lamp repeats by …
const COEFFICIENT_PER_K: f64 = 1e-4;
/// … and beside it a share of the coefficient [1], since it is steep near the edge of the detector's range.
const COEFFICIENT_RELATIVE: f64 = 0.1;
/// Of the coefficient where none is stated [1/K]: silicon changes by up to 0.1 % per kelvin below 950 nm.
pub const UNSTATED_PER_K: f64 = 5e-4;
/// Of the response by a year since the calibration [1]: spectrometers and the lamps they are compared with change by 1 to 2 % a year.
pub const ANNUAL_CHANGE: f64 = 0.01;
/// Of the level of the head in each direction [degrees]: a bubble level is read to about half a degree.
pub const LEVELLING_DEG: f64 = 0.3;

/// Error of the angle in a measurement of the cosine response [rad], 0.3 degrees; the ratio errs by its product with the tangent of
/// the angle. Azimuths differ by as much again, as if the diffuser were mounted askew.
const ANGLE_RAD: f64 = 0.0052;
/// Highest default for a ratio [1]: near 90 degrees the tangent means nothing.
const RATIO_MOST: f64 = 0.05;

/// Default of `ratio_uncertainty` and `azimuth_deviation` at an angle [degrees].
pub fn by_angle(zenith_deg: f64) -> f64 {
    (ANGLE_RAD * zenith_deg.min(89.0).to_radians().tan()).min(RATIO_MOST)
}

/// Default of the uncertainty of a temperature coefficient of the response [1/K].
pub fn of_coefficient(per_k: f64) -> f64 {
    COEFFICIENT_PER_K.hypot(COEFFICIENT_RELATIVE * per_k)
}
