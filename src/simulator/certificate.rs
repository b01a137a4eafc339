//! The laboratory: the calibration a perfect one would have delivered for this very detector, or one with stated errors.
//!
//! Only text comes out; whoever reads it shares no code with this. The same settings give the same bytes.

use super::settings::{CertificateSettings, Settings};
use super::world::{Bench, BenchError};
use crate::clock::UtcMicros;
use rand::SeedableRng;
use rand_distr::{Distribution, StandardNormal};
use rand_pcg::Pcg64Mcg;
use std::fmt::Write as _;

/// Entries of the response are this far apart [nm]; linear interpolation between them errs by less than 0.03 %.
const STEP_NM: f64 = 1.0;

/// Share of the response's variance that it states to be common to all wavelengths [1].
const CORRELATED_FRACTION: f64 = 0.5;
/// Length over which it states the rest to hang together [nm].
const CORRELATION_LENGTH_NM: f64 = 50.0;

/// The errors of one laboratory, in units of the uncertainty it states; zeros where none are to be drawn.
struct Drawn {
    rng: Option<Pcg64Mcg>,
    wavelength: f64,
    common: f64,
    shape: Option<f64>,
}

impl Drawn {
    fn new(settings: &CertificateSettings) -> Self {
        let mut drawn =
            Self { rng: settings.drawn_errors.map(Pcg64Mcg::seed_from_u64), wavelength: 0.0, common: 0.0, shape: None };
        (drawn.wavelength, drawn.common) = (drawn.normal(), drawn.normal());
        drawn
    }

    fn normal(&mut self) -> f64 {
        self.rng.as_mut().map_or(0.0, |rng| StandardNormal.sample(rng))
    }

    /// Relative error of the response at the next wavelength, one step on: its shape is correlated as exp(−|Δλ|/length).
    fn next_shape(&mut self) -> f64 {
        let rho = (-STEP_NM / CORRELATION_LENGTH_NM).exp();
        let new = self.normal();
        let shape = self.shape.map_or(new, |before| rho * before + (1.0 - rho * rho).sqrt() * new);
        self.shape = Some(shape);
        CORRELATED_FRACTION.sqrt() * self.common + (1.0 - CORRELATED_FRACTION).sqrt() * shape
    }
}

/// The floor outside its band over the one in it [1], one drawing of what is stated about the correction; `None` where no
/// errors are drawn.
///
/// The file has no number that could be wrong by it: what a laboratory does not know is the box, which has to be made so.
pub fn floor_outside_band(settings: &CertificateSettings) -> Option<f64> {
    // Numbers of its own: the errors of response and wavelengths stay those of the seed.
    let mut rng = Pcg64Mcg::seed_from_u64(settings.drawn_errors? ^ 0x57ea_f100);
    let drawn: f64 = StandardNormal.sample(&mut rng);
    // No box sends back light that it did not get.
    Some((1.0 + settings.stray_light_relative_uncertainty * drawn).max(0.0))
}

/// The calibration file of the bench these settings make.
pub fn certificate(settings: &Settings) -> Result<String, BenchError> {
    let spectrum = crate::spectrum::Spectrum { wavelength_nm: vec![], irradiance: vec![] };
    let dark = super::scenes::playback::Playback::new(&spectrum, Bench::grid_of(settings));
    Ok(text(&Bench::with_scene(settings, UtcMicros(0), Box::new(dark))?))
}

/// The calibration file of this very bench.
pub fn text(bench: &Bench) -> String {
    let settings = bench.settings();
    let (detector, d, c) = (bench.detector(), &settings.detector, &settings.certificate);
    let seen = || detector.wavelength_nm().iter().zip(detector.lit()).filter(|(_, lit)| **lit).map(|(nm, _)| *nm);
    let (low, high) = (seen().fold(f64::MAX, f64::min), seen().fold(f64::MIN, f64::max));
    // Beyond both ends by what temperature and warm-up may shift the scale.
    let (first, last) = ((low - 3.0).floor(), (high + 3.0).ceil());
    let mut drawn = Drawn::new(c);
    let phase = std::f64::consts::TAU * (settings.seed % 97) as f64 / 97.0;
    let mut nm = Vec::new();
    let mut response = Vec::new();
    let mut uncertainty = Vec::new();
    for i in 0..=((last - first) / STEP_NM).round() as u32 {
        let at = first + f64::from(i) * STEP_NM;
        let wave = c.error_shape * (std::f64::consts::TAU * at / 300.0 + phase).sin();
        let u = if at < 350.0 { 2.0 * c.relative_uncertainty } else { c.relative_uncertainty };
        nm.push(at);
        response.push(detector.response(at) * (1.0 + c.error_scale + wave + u * drawn.next_shape()));
        uncertainty.push(u);
    }
    let mut scale = d.wavelength_coefficients.clone();
    if let Some(first) = scale.first_mut() {
        *first += c.error_wavelength_nm + drawn.wavelength * c.wavelength_uncertainty_nm;
    }
    let (zenith, ratio, diffuse) = if settings.optic.perfect {
        (vec![0.0, 90.0], vec![1.0, 1.0], 1.0)
    } else {
        (settings.optic.zenith_deg.clone(), settings.optic.ratio.clone(), settings.optic.diffuse_ratio)
    };
    let per_k_nm = vec![first, 900.0, 1050.0];
    let per_k: Vec<f64> = per_k_nm.iter().map(|nm| detector.response_per_k(*nm)).collect();

    let mut out = String::new();
    let mut line = |text: String| {
        // Writing into a string cannot fail.
        let _ = writeln!(out, "{text}");
    };
    line("# Calibration of a virtual spectrometer.".into());
    line("[calibration]".into());
    line(format!("id = {}", quoted(&c.id)));
    line(format!("instrument_serial = {}", quoted(&settings.identity.serial)));
    line(format!("valid_from = {}", quoted(&c.valid_from)));
    line(format!("valid_until = {}", quoted(&c.valid_until)));
    line(format!("certificate = {}", quoted(&format!("virtual laboratory, seed {}", settings.seed))));
    line(format!("temperature_c = {:?}", d.reference_temperature_c));
    line(format!("temperature_range_c = {:?}", c.temperature_range_c));
    line("\n[wavelength]".into());
    line(format!("coefficients = {}", array(&scale)));
    line(format!("uncertainty_nm = {:?}", c.wavelength_uncertainty_nm));
    line(format!("fwhm_nm = {:?}", d.fwhm_nm));
    line(format!("shift_nm_per_k = {:?}", d.wavelength_shift_nm_per_k + c.error_shift_nm_per_k));
    line("\n[noise]".into());
    line(format!("electrons_per_count = {:?}", d.electrons_per_count));
    line(format!("read_noise_counts = {:?}", d.read_noise_counts));
    line("saturation_fraction = 0.95".into());
    line(format!("blooming_pixels = {}", d.blooming_pixels));
    line("\n[linearity]".into());
    line(format!("coefficients = {}", array(&d.linearity_coefficients)));
    line("\n[response]".into());
    line(format!("wavelength_nm = {}", array(&nm)));
    line(format!("counts_per_s_per_w_m2_nm = {}", array(&response)));
    line(format!("relative_uncertainty = {}", array(&uncertainty)));
    line(format!("correlated_fraction = {CORRELATED_FRACTION:?}"));
    line(format!("correlation_length_nm = {CORRELATION_LENGTH_NM:?}"));
    line("\n[stray_light]".into());
    line(format!("floor_band_nm = {:?}", c.floor_band_nm));
    line(format!("relative_uncertainty = {:?}", c.stray_light_relative_uncertainty));
    line("\n[cosine]".into());
    line(format!("zenith_deg = {}", array(&zenith)));
    line(format!("ratio = {}", array(&ratio)));
    line(format!("diffuse_ratio = {diffuse:?}"));
    line("\n[temperature]".into());
    line(format!("wavelength_nm = {}", array(&per_k_nm)));
    line(format!("relative_per_k = {}", array(&per_k)));
    out
}

/// A TOML basic string.
fn quoted(text: &str) -> String {
    toml::Value::String(text.to_owned()).to_string()
}

/// Numbers as a TOML array of several lines, each number written so that it is read back exactly.
fn array(values: &[f64]) -> String {
    let words: Vec<String> = values.iter().map(|v| format!("{v:?}")).collect();
    if words.len() <= 12 {
        return format!("[{}]", words.join(", "));
    }
    let rows: Vec<String> = words.chunks(8).map(|row| format!("    {},", row.join(", "))).collect();
    format!("[\n{}\n]", rows.join("\n"))
}

#[cfg(test)]
#[path = "certificate_tests.rs"]
mod tests;
