//! Errors of the calibration laboratory, drawn from the uncertainties that it states.
//!
//! Pure: the same settings give the same errors. Used to write the certificate and to build the detector whose stray light the
//! certificate describes wrongly.

use super::settings::CertificateSettings;
use rand::SeedableRng;
use rand_distr::{Distribution, StandardNormal};
use rand_pcg::Pcg64Mcg;

/// Share of the variance of the response that is stated as common to all wavelengths [1].
pub const CORRELATED_FRACTION: f64 = 0.5;
/// Stated correlation length of the remaining variance [nm].
pub const CORRELATION_LENGTH_NM: f64 = 50.0;

/// The errors of one laboratory, in units of the standard uncertainty that it states; zero unless errors are drawn.
pub struct CalibrationErrors {
    rng: Option<Pcg64Mcg>,
    /// Error of the wavelength scale [standard uncertainties].
    pub wavelength: f64,
    common: f64,
    shape: Option<f64>,
}

impl CalibrationErrors {
    /// Draws the errors of the wavelength scale and the common part of the response.
    pub fn new(settings: &CertificateSettings) -> Self {
        let rng = settings.drawn_errors.map(Pcg64Mcg::seed_from_u64);
        let mut errors = Self { rng, wavelength: 0.0, common: 0.0, shape: None };
        (errors.wavelength, errors.common) = (errors.normal(), errors.normal());
        errors
    }

    fn normal(&mut self) -> f64 {
        self.rng.as_mut().map_or(0.0, |rng| StandardNormal.sample(rng))
    }

    /// Error of the response at the next wavelength, `step_nm` [nm] further [standard uncertainties]. Its shape has the
    /// correlation exp(−|Δλ|/length).
    pub fn next_response(&mut self, step_nm: f64) -> f64 {
        let rho = (-step_nm / CORRELATION_LENGTH_NM).exp();
        let new = self.normal();
        let shape = self.shape.map_or(new, |before| rho * before + (1.0 - rho * rho).sqrt() * new);
        self.shape = Some(shape);
        CORRELATED_FRACTION.sqrt() * self.common + (1.0 - CORRELATED_FRACTION).sqrt() * shape
    }
}

/// Further errors, each in units of the standard uncertainty that the certificate states.
#[derive(Clone, Copy, Debug, Default)]
pub struct DrawnTerms {
    /// Of the width of the slit function.
    pub fwhm: f64,
    /// Of the shift of the scale with temperature.
    pub shift_per_k: f64,
    /// Of the temperature coefficients of the response.
    pub coefficient: f64,
    /// Of the linearity.
    pub linearity: f64,
    /// Of the response to a beam.
    pub beam: f64,
    /// Of the response to the sky.
    pub sky: f64,
    /// Amplitudes of sine and cosine of four waves along the wavelength scale.
    waves: [[f64; 2]; WAVES],
}

/// Waves of the error along the wavelength scale, and the period of the longest [nm].
const WAVES: usize = 4;
const LONGEST_NM: f64 = 1200.0;

impl DrawnTerms {
    /// The errors of one laboratory; zero unless errors are drawn.
    pub fn new(settings: &CertificateSettings) -> Self {
        let Some(seed) = settings.drawn_errors else { return Self::default() };
        let mut rng = Pcg64Mcg::seed_from_u64(seed ^ 0x0b0d_6e75);
        let mut normal = || -> f64 { StandardNormal.sample(&mut rng) };
        Self {
            fwhm: normal(),
            shift_per_k: normal(),
            coefficient: normal(),
            linearity: normal(),
            beam: normal(),
            sky: normal(),
            waves: std::array::from_fn(|_| [normal(), normal()]),
        }
    }

    /// Error of the scale at a wavelength [standard uncertainties]: a random process with the variance 1 at every wavelength.
    pub fn along_scale(&self, nm: f64) -> f64 {
        let of_wave = |(k, [a, b]): (usize, &[f64; 2])| {
            let (sin, cos) = (std::f64::consts::TAU * (k + 1) as f64 * nm / LONGEST_NM).sin_cos();
            a * sin + b * cos
        };
        self.waves.iter().enumerate().map(of_wave).sum::<f64>() / (WAVES as f64).sqrt()
    }
}

/// Stated standard uncertainty of the cosine response at an angle [degrees], relative to the ratio [1]. By the table, and as much again
/// by the azimuth.
pub fn of_cosine(settings: &CertificateSettings, zenith_deg: f64) -> f64 {
    (settings.cosine_uncertainty * zenith_deg.min(89.0).to_radians().tan()).min(0.05)
}

/// Ratio of the stray floor outside the floor band to that inside [1], drawn from the stated uncertainty of the correction; `None`
/// unless errors are drawn.
///
/// The certificate states no number that could carry this error: the detector is built with it instead.
pub fn floor_outside_band(settings: &CertificateSettings) -> Option<f64> {
    // A separate generator, so that the errors of response and wavelengths do not depend on this draw.
    let mut rng = Pcg64Mcg::seed_from_u64(settings.drawn_errors? ^ 0x57ea_f100);
    let drawn: f64 = StandardNormal.sample(&mut rng);
    // A negative floor is impossible.
    Some((1.0 + settings.stray_light_relative_uncertainty * drawn).max(0.0))
}
