//! The bench file: every parameter of the virtual spectrometer and its world, with a default for each.
//!
//! Only data and checks. Unknown keys are refused; all faults are reported at once, each with key, rule and value found.
//! A bench file is TOML; an empty one is a roof on a clear day with a detector as it left the workshop.

use super::disturbances::Disturbance;
use super::faults::{FaultRule, PixelFault};
use super::optic::OpticSettings;
use super::scenes::SceneSettings;
use super::thermal::{Ambient, WarmUp};
use serde::Deserialize;
use std::path::{Path, PathBuf};

/// What a bench file can be wrong about.
#[derive(Debug, thiserror::Error)]
pub enum SettingsError {
    /// The file cannot be read.
    #[error("{path}: expected a readable bench file, but found: {why}")]
    Unreadable {
        /// Which file.
        path: PathBuf,
        /// What the system said.
        why: std::io::Error,
    },
    /// Not TOML, or a key nobody knows.
    #[error("bench file: {0}")]
    Syntax(#[from] Box<toml::de::Error>),
    /// Values out of range, one a line.
    #[error("bench settings:\n  {}", .0.join("\n  "))]
    Invalid(Vec<String>),
}

/// Everything a bench is made of.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Settings {
    /// Seed of every random number; the same seed and the same commands at the same times give the same bits.
    pub seed: u64,
    /// Line rate [baud]; ten bits carry a byte.
    pub baud: u32,
    /// Who it says it is.
    pub identity: Identity,
    /// Electronics of the device.
    pub device: FrontSettings,
    /// The detector behind its grating.
    pub detector: DetectorSettings,
    /// The head.
    pub optic: OpticSettings,
    /// Air temperature around the instrument.
    pub ambient: Ambient,
    /// What settles after it is switched on.
    pub warm_up: WarmUp,
    /// What it looks at.
    pub scene: SceneSettings,
    /// The laboratory.
    pub certificate: CertificateSettings,
    /// What goes wrong on the line and in the box; nothing by default.
    pub fault: Vec<FaultRule>,
    /// Pixels that change for the worse; none by default.
    pub pixel_fault: Vec<PixelFault>,
    /// What befalls the head and the box in the field; nothing by default.
    pub disturbance: Vec<Disturbance>,
}

impl Default for Settings {
    fn default() -> Self {
        Self {
            seed: 1,
            baud: 115_200,
            identity: Identity::default(),
            device: FrontSettings::default(),
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
    /// Serial number; the certificate is for this one.
    pub serial: String,
    /// Firmware.
    pub firmware: String,
}

impl Default for Identity {
    fn default() -> Self {
        Self { maker: "Vigilux".into(), model: "Virtual-2048".into(), serial: "VB-0001".into(), firmware: "1.0".into() }
    }
}

/// What the device can do and how fast.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct FrontSettings {
    /// Shortest integration time [s].
    pub aperture_min_s: f64,
    /// Longest integration time [s].
    pub aperture_max_s: f64,
    /// Integration times are whole multiples of this [s].
    pub aperture_step_s: f64,
    /// Whether there is a shutter; without one its commands fail with −241.
    pub shutter: bool,
    /// Time the shutter takes [s].
    pub shutter_settling_s: f64,
    /// Whether there is a temperature sensor; without one the answer is 9.91E37.
    pub temperature_sensor: bool,
    /// Standard deviation of the sensor [K].
    pub temperature_noise_k: f64,
    /// From the line feed to the beginning of work [s]; a reading begins within 5 ms.
    pub latency_s: f64,
    /// From switch-on after a restart to the first command heard [s].
    pub boot_s: f64,
    /// What `*TST?` answers; 0 is healthy.
    pub self_test: u32,
}

impl Default for FrontSettings {
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
    /// Electrons that make one count.
    pub electrons_per_count: f64,
    /// Read noise of one exposure [counts].
    pub read_noise_counts: f64,
    /// Mean offset at the reference temperature [counts].
    pub offset_counts: f64,
    /// Fixed pattern of the offset, standard deviation [counts].
    pub offset_pattern_counts: f64,
    /// Change of the offset [counts/K], common to all pixels.
    pub offset_counts_per_k: f64,
    /// Dark current of a typical pixel at 20 °C [counts/s].
    pub dark_counts_per_s: f64,
    /// Scatter of the dark current between pixels (standard deviation of its logarithm).
    pub dark_scatter: f64,
    /// Temperature rise that doubles the dark current [K].
    pub dark_doubling_k: f64,
    /// Share of pixels that are hot [1].
    pub hot_share: f64,
    /// The hottest pixel's dark current over the typical one [1]; the others lie between 5 and this.
    pub hot_factor: f64,
    /// Factor on all dark currents (ageing, radiation) [1].
    pub dark_factor: f64,
    /// Counts per second for 1 W m⁻² nm⁻¹ at the best wavelength.
    ///
    /// Full sun at noon (some 100 klx) fills three quarters of 65535 in about 7 ms.
    pub response_peak: f64,
    /// Wavelength of the best response [nm]; it falls as a normal curve of ln λ on both sides.
    pub response_peak_nm: f64,
    /// Width of that curve (standard deviation of ln λ times √2): 0.42 gives 0.08 of the peak at 300 nm.
    pub response_width: f64,
    /// Relative change of the response per kelvin up to 900 nm [1/K].
    pub response_per_k: f64,
    /// The same at 1050 nm [1/K], reached linearly from 900 nm: silicon sees farther when warm.
    pub response_per_k_infrared: f64,
    /// Relative loss of response in a month at all wavelengths [1/month].
    pub response_loss_per_month: f64,
    /// Further loss at 300 nm, falling by e every 50 nm above [1/month].
    pub response_loss_uv_per_month: f64,
    /// Σ cₖ·countsᵏ: offset-free counts divided by this are proportional to charge.
    pub linearity_coefficients: Vec<f64>,
    /// Uniform stray light, as a share of the brightest pixel's rate under full daylight [1]; it goes with the total light.
    pub stray_floor: f64,
    /// Light that the near wing takes to other pixels [1], falling as exp(−|Δpixel|/length) to both sides.
    pub stray_wing: f64,
    /// Length of the near wing [pixels].
    pub stray_wing_pixels: f64,
    /// Pixels on either side of a clipped one that its charge spills into.
    pub blooming_pixels: u16,
    /// Share of the excess charge that the nearest neighbour gets, halved with every pixel farther [1].
    pub spill_share: f64,
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
            spill_share: 0.02,
        }
    }
}

/// What the certificate says beyond the truth.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct CertificateSettings {
    /// Its name.
    pub id: String,
    /// In force from (RFC 3339).
    pub valid_from: String,
    /// In force until (RFC 3339).
    pub valid_until: String,
    /// Detector temperatures it covers [°C].
    pub temperature_range_c: [f64; 2],
    /// Standard uncertainty of the response it states above 350 nm [1]; twice that below.
    pub relative_uncertainty: f64,
    /// Standard uncertainty of the wavelength scale it states [nm].
    pub wavelength_uncertainty_nm: f64,
    /// Relative standard uncertainty of the stray-light correction it states [1].
    pub stray_light_relative_uncertainty: f64,
    /// Band in which the floor shows [nm].
    pub floor_band_nm: [f64; 2],
    /// Errors drawn from the uncertainty it states, by this seed: the response's common part and its shape, the wavelength
    /// scale, and how far the stray floor outside the floor band is from the one in it. They come on top of the errors below.
    pub drawn_errors: Option<u64>,
    /// Error: all responses too high by this share [1].
    pub error_scale: f64,
    /// Error: amplitude of a smooth wave in the response, period 300 nm, phase from the seed [1].
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

impl Settings {
    /// Reads and checks a bench file.
    pub fn read(path: &Path) -> Result<Self, SettingsError> {
        let text =
            std::fs::read_to_string(path).map_err(|why| SettingsError::Unreadable { path: path.to_path_buf(), why })?;
        Self::parse(&text)
    }

    /// Reads and checks the text of a bench file.
    pub fn parse(text: &str) -> Result<Self, SettingsError> {
        let settings: Self = toml::from_str(text).map_err(Box::new)?;
        settings.check()?;
        Ok(settings)
    }

    /// Checks every range; all faults at once.
    pub fn check(&self) -> Result<(), SettingsError> {
        let mut faults = Vec::new();
        let mut range = |key: &str, value: f64, low: f64, high: f64| {
            if !(low..=high).contains(&value) {
                faults.push(format!("{key}: expected {low} to {high}, but found {value}"));
            }
        };
        let d = &self.detector;
        range("baud", f64::from(self.baud), 300.0, 1e8);
        range("device.aperture_min_s", self.device.aperture_min_s, 1e-6, 10.0);
        range("device.aperture_max_s", self.device.aperture_max_s, self.device.aperture_min_s, 3600.0);
        range("device.aperture_step_s", self.device.aperture_step_s, 1e-6, 1.0);
        range("device.shutter_settling_s", self.device.shutter_settling_s, 0.0, 60.0);
        range("device.temperature_noise_k", self.device.temperature_noise_k, 0.0, 10.0);
        range("device.latency_s", self.device.latency_s, 0.0, 5e-3);
        range("device.boot_s", self.device.boot_s, 0.0, 600.0);
        range("detector.pixels", d.pixels as f64, 16.0, 65_536.0);
        range("detector.wavelength_shift_nm_per_k", d.wavelength_shift_nm_per_k, -1.0, 1.0);
        range("detector.reference_temperature_c", d.reference_temperature_c, -60.0, 80.0);
        range("detector.fwhm_nm", d.fwhm_nm, 0.5, 20.0);
        range("detector.full_scale", f64::from(d.full_scale), 255.0, 65_535.0);
        range("detector.electrons_per_count", d.electrons_per_count, 0.1, 1e4);
        range("detector.read_noise_counts", d.read_noise_counts, 0.0, 1e4);
        range("detector.offset_counts", d.offset_counts, 0.0, f64::from(d.full_scale) / 2.0);
        range("detector.offset_pattern_counts", d.offset_pattern_counts, 0.0, 1e4);
        range("detector.offset_counts_per_k", d.offset_counts_per_k, -100.0, 100.0);
        range("detector.dark_counts_per_s", d.dark_counts_per_s, 0.0, 1e5);
        range("detector.dark_scatter", d.dark_scatter, 0.0, 2.0);
        range("detector.dark_doubling_k", d.dark_doubling_k, 1.0, 100.0);
        range("detector.hot_share", d.hot_share, 0.0, 1.0);
        range("detector.hot_factor", d.hot_factor, 5.0, 1e4);
        range("detector.dark_factor", d.dark_factor, 0.0, 1e4);
        range("detector.response_peak", d.response_peak, 1.0, 1e12);
        range("detector.response_peak_nm", d.response_peak_nm, 100.0, 5000.0);
        range("detector.response_width", d.response_width, 0.05, 5.0);
        range("detector.response_per_k", d.response_per_k, -0.01, 0.01);
        range("detector.response_per_k_infrared", d.response_per_k_infrared, -0.01, 0.01);
        range("detector.response_loss_per_month", d.response_loss_per_month, -1.0, 1.0);
        range("detector.response_loss_uv_per_month", d.response_loss_uv_per_month, -1.0, 1.0);
        range("detector.stray_floor", d.stray_floor, 0.0, 0.1);
        range("detector.stray_wing", d.stray_wing, 0.0, 0.5);
        range("detector.stray_wing_pixels", d.stray_wing_pixels, 1.0, 1e5);
        range("detector.spill_share", d.spill_share, 0.0, 1.0);
        range("ambient.mean_c", self.ambient.mean_c, -60.0, 60.0);
        range("ambient.amplitude_k", self.ambient.amplitude_k, 0.0, 40.0);
        range("warm_up.minutes", self.warm_up.minutes, 0.0, 1440.0);
        range("warm_up.self_heating_k", self.warm_up.self_heating_k, 0.0, 40.0);
        range("warm_up.extra_offset_counts", self.warm_up.extra_offset_counts, -1e4, 1e4);
        range("warm_up.extra_shift_nm", self.warm_up.extra_shift_nm, -5.0, 5.0);
        range("warm_up.on_since_min", self.warm_up.on_since_min, 0.0, 1e9);
        range("optic.diffuse_ratio", self.optic.diffuse_ratio, 0.1, 2.0);
        let c = &self.certificate;
        range("certificate.relative_uncertainty", c.relative_uncertainty, 0.0, 1.0);
        range("certificate.error_scale", c.error_scale, -0.9, 10.0);
        range("certificate.error_shape", c.error_shape, -0.5, 0.5);
        range("certificate.error_wavelength_nm", c.error_wavelength_nm, -20.0, 20.0);
        range("certificate.error_shift_nm_per_k", c.error_shift_nm_per_k, -1.0, 1.0);
        self.scene.check(&mut range);
        for (i, rule) in self.fault.iter().enumerate() {
            range(&format!("fault[{i}].probability"), rule.probability, 0.0, 1.0);
            range(&format!("fault[{i}].seconds"), rule.seconds, 0.0, 1e6);
        }
        self.disturbance.iter().enumerate().for_each(|(i, disturbance)| disturbance.check(i, &mut range));
        if !(d.linearity_coefficients.first() == Some(&1.0) && d.linearity_coefficients.iter().all(|c| c.is_finite())) {
            faults.push(format!(
                "detector.linearity_coefficients: expected finite numbers beginning with 1, but found {:?}",
                d.linearity_coefficients
            ));
        }
        for range in &d.shielded {
            if !(range[0] <= range[1] && range[1] < d.pixels) {
                faults.push(format!(
                    "detector.shielded: expected first ≤ last < {} pixels, but found {range:?}",
                    d.pixels
                ));
            }
        }
        let scale = |p: usize| d.wavelength_coefficients.iter().rev().fold(0.0, |sum, c| sum * p as f64 + c);
        if !(1..d.pixels).all(|p| scale(p) > scale(p - 1)) || !(150.0..=2500.0).contains(&scale(0)) {
            faults.push(format!(
                "detector.wavelength_coefficients: expected wavelengths that rise from 150 nm or more, but found {:?}",
                d.wavelength_coefficients
            ));
        }
        self.optic.check(&mut faults);
        for (key, text) in [("certificate.valid_from", &c.valid_from), ("certificate.valid_until", &c.valid_until)] {
            if let Err(why) = crate::clock::UtcMicros::parse(text) {
                faults.push(format!("{key}: expected an RFC 3339 time, but found `{text}`: {why}"));
            }
        }
        for fault in &self.pixel_fault {
            if !(fault.noise_counts >= 0.0 && fault.noise_counts <= 1e5) {
                let found = fault.noise_counts;
                faults.push(format!("pixel_fault.noise_counts: expected 0 to 1e5, but found {found}"));
            }
            if fault.pixel >= d.pixels {
                faults.push(format!("pixel_fault.pixel: expected below {}, but found {}", d.pixels, fault.pixel));
            }
        }
        if faults.is_empty() { Ok(()) } else { Err(SettingsError::Invalid(faults)) }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Identity: an empty file is the default bench, and the default bench passes its own checks.
    #[test]
    fn an_empty_file_is_the_default_bench() {
        assert_eq!(Settings::parse("").unwrap(), Settings::default());
    }

    /// Identity: the scale spans 280 to 1050 nm over the pixels that see light.
    #[test]
    fn the_default_scale_spans_280_to_1050_nm() {
        let d = DetectorSettings::default();
        let at = |p: f64| d.wavelength_coefficients.iter().rev().fold(0.0, |s, c| s * p + c);
        assert!((at(8.0) - 280.0).abs() < 1e-9 && (at(2039.0) - 1050.0).abs() < 0.05, "{} {}", at(8.0), at(2039.0));
    }

    /// Identity: unknown keys and values out of range are refused, all in one go, NaN included.
    #[test]
    fn what_cannot_be_meant_is_refused_with_key_rule_and_value() {
        let text = Settings::parse("[detector]\nwobble = 3").unwrap_err().to_string();
        assert!(text.contains("wobble"), "{text}");
        let text = Settings::parse("baud = 3\n[detector]\nfwhm_nm = nan\nshielded = [[9, 2]]").unwrap_err().to_string();
        for part in ["baud: expected 300 to", "found 3", "detector.fwhm_nm", "NaN", "detector.shielded"] {
            assert!(text.contains(part), "{part} is missing in {text}");
        }
    }
}
