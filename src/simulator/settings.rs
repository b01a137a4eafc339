//! The simulator file: every parameter of the virtual spectrometer and its surroundings, each with a default.
//!
//! Plain data; the ranges are in [`checks`]. Unknown keys are refused, and all faults are reported together, each with key, rule and
//! value found. The file is TOML; an empty one describes a new detector on a roof on a clear day.

mod checks;

use super::disturbances::Disturbance;
use super::faults::{FaultRule, PixelFault};
use super::optic::OpticSettings;
use super::scenes::SceneSettings;
use super::thermal::{Ambient, WarmUp};
use serde::Deserialize;
use std::io::Read as _;
use std::path::{Path, PathBuf};

/// Why a simulator file cannot be used.
#[derive(Debug, thiserror::Error)]
pub enum SettingsError {
    /// The file cannot be read.
    #[error("{path}: expected a readable simulator file, but found: {why}")]
    Unreadable {
        /// Its path.
        path: PathBuf,
        /// The error of the operating system.
        why: std::io::Error,
    },
    /// Not TOML, or an unknown key.
    #[error("simulator file: {0}")]
    Syntax(#[from] Box<toml::de::Error>),
    /// Values out of range, one a line.
    #[error("simulator settings:\n  {}", .0.join("\n  "))]
    Invalid(Vec<String>),
}

/// All parameters.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Settings {
    /// Seed of every random number. The same seed and the same commands at the same times give the same bits.
    pub seed: u64,
    /// Line rate [baud]; each byte takes ten bits.
    pub baud: u32,
    /// Answer to `*IDN?`.
    pub identity: Identity,
    /// Electronics of the device.
    pub device: DeviceSettings,
    /// The detector with its grating.
    pub detector: DetectorSettings,
    /// The entrance optic.
    pub optic: OpticSettings,
    /// Ambient air temperature.
    pub ambient: Ambient,
    /// Transients after switch-on.
    pub warm_up: WarmUp,
    /// The light in front of the entrance optic.
    pub scene: SceneSettings,
    /// The calibration laboratory.
    pub certificate: CertificateSettings,
    /// Faults of the line and the electronics; none by default.
    pub fault: Vec<FaultRule>,
    /// Pixels that degrade; none by default.
    pub pixel_fault: Vec<PixelFault>,
    /// Disturbances of optic and detector in the field; none by default.
    pub disturbance: Vec<Disturbance>,
}

impl Default for Settings {
    fn default() -> Self {
        Self {
            seed: 1,
            baud: 115_200,
            identity: Identity::default(),
            device: DeviceSettings::default(),
            detector: DetectorSettings::default(),
            optic: OpticSettings::default(),
            ambient: Ambient::default(),
            warm_up: WarmUp::default(),
            scene: SceneSettings::default(),
            certificate: CertificateSettings::default(),
            fault: Vec::new(),
            pixel_fault: Vec::new(),
            disturbance: Vec::new(),
        }
    }
}

/// The fields of `*IDN?`.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Identity {
    /// Maker.
    pub maker: String,
    /// Model.
    pub model: String,
    /// Serial number, which the certificate names.
    pub serial: String,
    /// Firmware.
    pub firmware: String,
}

impl Default for Identity {
    fn default() -> Self {
        Self { maker: "Vigilux".into(), model: "Virtual-2048".into(), serial: "VB-0001".into(), firmware: "1.0".into() }
    }
}

/// Properties and timing of the device.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct DeviceSettings {
    /// Shortest integration time [s].
    pub aperture_min_s: f64,
    /// Longest integration time [s].
    pub aperture_max_s: f64,
    /// Integration times are whole multiples of this [s].
    pub aperture_step_s: f64,
    /// Whether there is a shutter; without one its commands fail with error −241.
    pub shutter: bool,
    /// Settling time of the shutter [s].
    pub shutter_settling_s: f64,
    /// Whether there is a temperature sensor; without one the answer is 9.91E37 (not a number).
    pub temperature_sensor: bool,
    /// Standard deviation of its readings [K].
    pub temperature_noise_k: f64,
    /// From the line feed to the start of a command [s]; a reading starts within 5 ms.
    pub latency_s: f64,
    /// From a restart to the first accepted command [s].
    pub boot_s: f64,
    /// Answer to `*TST?`; 0 means no fault.
    pub self_test: u32,
}

impl Default for DeviceSettings {
    fn default() -> Self {
        Self {
            aperture_min_s: 1e-3,
            aperture_max_s: 60.0,
            aperture_step_s: 1e-5,
            shutter: true,
            shutter_settling_s: 0.05,
            temperature_sensor: true,
            temperature_noise_k: 0.02,
            latency_s: 1e-3,
            boot_s: 1.0,
            self_test: 0,
        }
    }
}

/// The detector. Rates are in counts (after the analogue-digital converter) per second.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct DetectorSettings {
    /// Number of pixels.
    pub pixels: usize,
    /// Light-shielded pixels as inclusive ranges.
    pub shielded: Vec<[usize; 2]>,
    /// Wavelength of a pixel [nm] = Σ cₖ·pixelᵏ at the reference temperature: 280 nm at pixel 8, 1050 nm at pixel 2039.
    pub wavelength_coefficients: Vec<f64>,
    /// Shift of that scale per kelvin above the reference temperature [nm/K].
    pub wavelength_shift_nm_per_k: f64,
    /// Temperature of the detector at which wavelength, offset and response are stated [°C].
    pub reference_temperature_c: f64,
    /// Full width at half maximum of the Gaussian slit function [nm].
    pub fwhm_nm: f64,
    /// Highest reading [counts].
    pub full_scale: u32,
    /// Electrons per count.
    pub electrons_per_count: f64,
    /// Read noise of one exposure [counts].
    pub read_noise_counts: f64,
    /// Mean offset at the reference temperature [counts].
    pub offset_counts: f64,
    /// Standard deviation of the fixed pattern of the offset [counts].
    pub offset_pattern_counts: f64,
    /// Temperature coefficient of the offset, common to all pixels [counts/K].
    pub offset_counts_per_k: f64,
    /// Dark current of a typical pixel at 20 °C [counts/s].
    pub dark_counts_per_s: f64,
    /// Standard deviation of the logarithm of the dark current over the pixels [1].
    pub dark_scatter: f64,
    /// Temperature rise that doubles the dark current [K].
    pub dark_doubling_k: f64,
    /// Share of pixels that are hot [1].
    pub hot_share: f64,
    /// Dark current of the hottest pixel relative to a typical one [1]; other hot pixels lie between 5 and this.
    pub hot_factor: f64,
    /// Factor on all dark currents (ageing, radiation) [1].
    pub dark_factor: f64,
    /// Peak response [counts s⁻¹ / (W m⁻² nm⁻¹)].
    ///
    /// With the default, full sun at noon (about 100 klx) reaches three quarters of 65535 in about 7 ms.
    pub response_peak: f64,
    /// Wavelength of the peak response [nm]; the response is a normal curve of ln λ.
    pub response_peak_nm: f64,
    /// Width of that curve (standard deviation of ln λ times √2): 0.42 gives 0.08 of the peak at 300 nm.
    pub response_width: f64,
    /// Relative change of the response per kelvin up to 900 nm [1/K].
    pub response_per_k: f64,
    /// Relative change at 1050 nm, reached linearly from 900 nm [1/K]: the absorption edge of silicon moves with temperature.
    pub response_per_k_infrared: f64,
    /// Relative loss of response per month at all wavelengths [1/month].
    pub response_loss_per_month: f64,
    /// Additional loss at 300 nm, which falls by a factor e per 50 nm towards longer wavelengths [1/month].
    pub response_loss_uv_per_month: f64,
    /// Offset-free counts divided by Σ cₖ·countsᵏ are proportional to charge.
    pub linearity_coefficients: Vec<f64>,
    /// Uniform stray light, proportional to the total light: its share of the brightest pixel's rate under full daylight [1].
    pub stray_floor: f64,
    /// Share of the light in the near wing, which falls as exp(−|Δpixel|/length) to both sides [1].
    pub stray_wing: f64,
    /// Length of the near wing [pixels].
    pub stray_wing_pixels: f64,
    /// Pixels on either side of a clipped pixel that its charge blooms into.
    pub blooming_pixels: u16,
    /// Share of the excess charge in the nearest neighbour, halved with each further pixel [1].
    pub blooming_share: f64,
}

impl Default for DetectorSettings {
    fn default() -> Self {
        // 280 + 0.4 u − 8.248e-6 u² − 1e-9 u³ with u = pixel − 8, multiplied out.
        let (a, b, c, d, s) = (280.0, 0.4, -8.248e-6, -1.0e-9, 8.0);
        Self {
            pixels: 2048,
            shielded: vec![[0, 7], [2040, 2047]],
            wavelength_coefficients: vec![
                a - b * s + c * s * s - d * s * s * s,
                b - 2.0 * c * s + 3.0 * d * s * s,
                c - 3.0 * d * s,
                d,
            ],
            wavelength_shift_nm_per_k: 0.007,
            reference_temperature_c: 25.0,
            fwhm_nm: 2.0,
            full_scale: 65_535,
            electrons_per_count: 3.0,
            read_noise_counts: 7.0,
            offset_counts: 1200.0,
            offset_pattern_counts: 12.0,
            offset_counts_per_k: 1.5,
            dark_counts_per_s: 20.0,
            dark_scatter: 0.15,
            dark_doubling_k: 7.0,
            hot_share: 0.01,
            hot_factor: 50.0,
            dark_factor: 1.0,
            response_peak: 4.6e6,
            response_peak_nm: 580.0,
            response_width: 0.42,
            response_per_k: 1e-4,
            response_per_k_infrared: 4e-3,
            response_loss_per_month: 0.0,
            response_loss_uv_per_month: 0.0,
            linearity_coefficients: vec![1.0, -6.0e-7],
            stray_floor: 1e-4,
            stray_wing: 2e-4,
            stray_wing_pixels: 60.0,
            blooming_pixels: 4,
            blooming_share: 0.02,
        }
    }
}

/// Statements and errors of the calibration certificate.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct CertificateSettings {
    /// Identifier of the calibration.
    pub id: String,
    /// Start of its validity (RFC 3339).
    pub valid_from: String,
    /// End of its validity (RFC 3339).
    pub valid_until: String,
    /// Range of detector temperatures [°C].
    pub temperature_range_c: [f64; 2],
    /// Stated relative standard uncertainty of the response above 350 nm [1]; twice that below.
    pub relative_uncertainty: f64,
    /// Stated standard uncertainty of the wavelength scale [nm].
    pub wavelength_uncertainty_nm: f64,
    /// Date of the calibration (RFC 3339).
    pub calibrated_on: String,
    /// Stated relative standard uncertainty of the response by a year since then [1].
    pub annual_change: f64,
    /// Stated standard uncertainty of the scale's error beside a common shift [nm].
    pub wavelength_variation_nm: f64,
    /// Stated standard uncertainty of the width of the slit function [nm].
    pub fwhm_uncertainty_nm: f64,
    /// Stated standard uncertainty of the shift of the scale with temperature [nm/K].
    pub shift_uncertainty_nm_per_k: f64,
    /// Stated standard uncertainty of the temperature coefficients of the response [1/K].
    pub coefficient_uncertainty_per_k: f64,
    /// Stated relative standard uncertainty of counts at full scale [1].
    pub linearity_uncertainty: f64,
    /// Stated relative standard uncertainty of the cosine response at 45°, in proportion to the tangent of the angle, and the same for its
    /// differences between azimuths [1]. An optic without cosine error is known exactly.
    pub cosine_uncertainty: f64,
    /// Stated relative standard uncertainty of the response to the sky [1].
    pub diffuse_uncertainty: f64,
    /// Stated standard uncertainty of the level of the head [degrees].
    pub levelling_deg: f64,
    /// Stated relative standard uncertainty of the stray-light correction [1].
    pub stray_light_relative_uncertainty: f64,
    /// Band in which the stray-light floor is measured [nm].
    pub floor_band_nm: [f64; 2],
    /// Seed of errors drawn from the stated uncertainties: of the response (common part and shape), wavelength scale and slit, temperature
    /// coefficients, linearity, cosine response, and the ratio of the stray floor outside the floor band to that inside; not of
    /// the level of the head and the age of the calibration. They add to the errors below. `None`: no drawn errors.
    pub drawn_errors: Option<u64>,
    /// Error: all responses are too high by this share [1].
    pub error_scale: f64,
    /// Error: relative amplitude of a sine in the response with a period of 300 nm and a phase from the seed [1].
    pub error_shape: f64,
    /// Error: the stated wavelengths are too high by this [nm].
    pub error_wavelength_nm: f64,
    /// Error: the stated shift of the scale per kelvin is too high by this [nm/K].
    pub error_shift_nm_per_k: f64,
}

impl Default for CertificateSettings {
    fn default() -> Self {
        Self {
            id: "VB-0001-first".into(),
            valid_from: "2000-01-01T00:00:00Z".into(),
            valid_until: "2100-01-01T00:00:00Z".into(),
            temperature_range_c: [-15.0, 60.0],
            relative_uncertainty: 0.01,
            wavelength_uncertainty_nm: 0.03,
            calibrated_on: "2026-01-01T00:00:00Z".into(),
            annual_change: 0.005,
            wavelength_variation_nm: 0.01,
            fwhm_uncertainty_nm: 0.05,
            shift_uncertainty_nm_per_k: 5e-4,
            coefficient_uncertainty_per_k: 5e-5,
            linearity_uncertainty: 0.002,
            cosine_uncertainty: 0.004,
            diffuse_uncertainty: 0.005,
            levelling_deg: 0.2,
            stray_light_relative_uncertainty: 0.15,
            floor_band_nm: [281.0, 289.0],
            drawn_errors: None,
            error_scale: 0.0,
            error_shape: 0.0,
            error_wavelength_nm: 0.0,
            error_shift_nm_per_k: 0.0,
        }
    }
}

/// Largest simulator file [bytes].
const LARGEST_FILE: u64 = 1 << 20;

impl Settings {
    /// Reads and checks a simulator file.
    pub fn read(path: &Path) -> Result<Self, SettingsError> {
        let unreadable = |why| SettingsError::Unreadable { path: path.to_path_buf(), why };
        let mut text = String::new();
        let file = std::fs::File::open(path).map_err(unreadable)?;
        file.take(LARGEST_FILE + 1).read_to_string(&mut text).map_err(unreadable)?;
        if text.len() as u64 > LARGEST_FILE {
            return Err(unreadable(std::io::Error::other(format!("more than {LARGEST_FILE} bytes"))));
        }
        Self::parse(&text)
    }

    /// Parses and checks the text of a simulator file.
    pub fn parse(text: &str) -> Result<Self, SettingsError> {
        let settings: Self = toml::from_str(text).map_err(Box::new)?;
        settings.check()?;
        Ok(settings)
    }

    /// Checks every value and reports all faults together.
    pub fn check(&self) -> Result<(), SettingsError> {
        let faults = self.faults();
        if faults.is_empty() { Ok(()) } else { Err(SettingsError::Invalid(faults)) }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_empty_file_gives_the_default_settings() {
        assert_eq!(Settings::parse("").unwrap(), Settings::default());
    }

    /// Every kind of fault, in the form in which it is documented there.
    #[test]
    fn the_sample_of_faults_is_valid_and_has_every_kind() {
        let text = include_str!("../../config/simulator/faults.toml");
        let kinds: std::collections::BTreeSet<String> =
            Settings::parse(text).unwrap().fault.iter().map(|rule| format!("{:?}", rule.kind)).collect();
        assert_eq!(kinds.len(), 24, "{kinds:?}");
        let refused = Settings::parse("[[fault]]\nkind = \"frame_lag\"\ncount = 11").unwrap_err().to_string();
        assert!(refused.contains("fault[0].count: expected 1 to 10, but found 11"), "{refused}");
    }

    /// Identity: the scale spans 280 to 1050 nm over the pixels that see light.
    #[test]
    fn the_default_scale_spans_280_to_1050_nm() {
        let d = DetectorSettings::default();
        let at = |p: f64| d.wavelength_coefficients.iter().rev().fold(0.0, |s, c| s * p + c);
        assert!((at(8.0) - 280.0).abs() < 1e-9 && (at(2039.0) - 1050.0).abs() < 0.05, "{} {}", at(8.0), at(2039.0));
    }

    #[test]
    fn unknown_keys_and_values_out_of_range_are_refused_together() {
        let text = Settings::parse("[detector]\nwobble = 3").unwrap_err().to_string();
        assert!(text.contains("wobble"), "{text}");
        let text = Settings::parse("baud = 3\n[detector]\nfwhm_nm = nan\nshielded = [[9, 2]]").unwrap_err().to_string();
        for part in ["baud: expected 300 to", "found 3", "detector.fwhm_nm", "NaN", "detector.shielded"] {
            assert!(text.contains(part), "{part} is missing in {text}");
        }
    }
}
