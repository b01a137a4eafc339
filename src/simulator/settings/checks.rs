//! The ranges of all settings.

use super::{CertificateSettings, DetectorSettings, DeviceSettings, Settings};
use crate::clock::UtcMicros;
use crate::simulator::faults::FaultKind;

/// Reports a value out of range as (key, value, low, high).
type Range<'a> = &'a mut dyn FnMut(&str, f64, f64, f64);

impl Settings {
    /// All faults, one text each.
    pub(super) fn faults(&self) -> Vec<String> {
        let mut faults = Vec::new();
        let mut range = |key: &str, value: f64, low: f64, high: f64| {
            // NaN is in no range.
            if !(low..=high).contains(&value) {
                faults.push(format!("{key}: expected {low} to {high}, but found {value}"));
            }
        };
        range("baud", f64::from(self.baud), 300.0, 1e8);
        device(&self.device, &mut range);
        detector(&self.detector, &mut range);
        self.surroundings(&mut range);
        certificate(&self.certificate, &mut range);
        self.scene.check(&mut range);
        for (i, rule) in self.fault.iter().enumerate() {
            range(&format!("fault[{i}].probability"), rule.probability, 0.0, 1.0);
            range(&format!("fault[{i}].seconds"), rule.seconds, 0.0, 1e6);
            if let Some((low, high)) = counts_of(rule.kind, self.detector.full_scale) {
                range(&format!("fault[{i}].count"), f64::from(rule.count), low, high);
            }
        }
        self.disturbance.iter().enumerate().for_each(|(i, disturbance)| disturbance.check(i, &mut range));
        pixels(&self.detector, &mut faults);
        self.optic.check(&mut faults);
        validity(&self.certificate, &mut faults);
        self.pixel_faults(&mut faults);
        faults
    }

    fn surroundings(&self, range: Range<'_>) {
        range("ambient.mean_c", self.ambient.mean_c, -60.0, 60.0);
        range("ambient.amplitude_k", self.ambient.amplitude_k, 0.0, 40.0);
        range("warm_up.minutes", self.warm_up.minutes, 0.0, 1440.0);
        range("warm_up.self_heating_k", self.warm_up.self_heating_k, 0.0, 40.0);
        range("warm_up.extra_offset_counts", self.warm_up.extra_offset_counts, -1e4, 1e4);
        range("warm_up.extra_shift_nm", self.warm_up.extra_shift_nm, -5.0, 5.0);
        range("warm_up.on_since_min", self.warm_up.on_since_min, 0.0, 1e9);
        range("optic.diffuse_ratio", self.optic.diffuse_ratio, 0.1, 2.0);
    }

    fn pixel_faults(&self, faults: &mut Vec<String>) {
        for fault in &self.pixel_fault {
            if !(fault.noise_counts >= 0.0 && fault.noise_counts <= 1e5) {
                let found = fault.noise_counts;
                faults.push(format!("pixel_fault.noise_counts: expected 0 to 1e5, but found {found}"));
            }
            let pixels = self.detector.pixels;
            if fault.pixel >= pixels {
                faults.push(format!("pixel_fault.pixel: expected below {pixels}, but found {}", fault.pixel));
            }
        }
    }
}

/// Range of `count` of a fault; `None` where any number will do.
fn counts_of(kind: FaultKind, full_scale: u32) -> Option<(f64, f64)> {
    match kind {
        FaultKind::FrameLag => Some((1.0, 10.0)),
        FaultKind::ResentBlock => Some((1.0, 1000.0)),
        FaultKind::ClipsBelowFullScale | FaultKind::Spike => Some((1.0, f64::from(full_scale))),
        _ => None,
    }
}

fn device(d: &DeviceSettings, range: Range<'_>) {
    range("device.aperture_min_s", d.aperture_min_s, 1e-6, 10.0);
    range("device.aperture_max_s", d.aperture_max_s, d.aperture_min_s, 3600.0);
    range("device.aperture_step_s", d.aperture_step_s, 1e-6, 1.0);
    range("device.shutter_settling_s", d.shutter_settling_s, 0.0, 60.0);
    range("device.temperature_noise_k", d.temperature_noise_k, 0.0, 10.0);
    range("device.latency_s", d.latency_s, 0.0, 5e-3);
    range("device.boot_s", d.boot_s, 0.0, 600.0);
}

fn detector(d: &DetectorSettings, range: Range<'_>) {
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
    range("detector.blooming_share", d.blooming_share, 0.0, 1.0);
}

fn certificate(c: &CertificateSettings, range: Range<'_>) {
    range("certificate.relative_uncertainty", c.relative_uncertainty, 0.0, 1.0);
    for (key, value, most) in [
        ("certificate.annual_change", c.annual_change, 1.0),
        ("certificate.wavelength_variation_nm", c.wavelength_variation_nm, 10.0),
        ("certificate.fwhm_uncertainty_nm", c.fwhm_uncertainty_nm, 10.0),
        ("certificate.shift_uncertainty_nm_per_k", c.shift_uncertainty_nm_per_k, 1.0),
        ("certificate.coefficient_uncertainty_per_k", c.coefficient_uncertainty_per_k, 0.1),
        ("certificate.linearity_uncertainty", c.linearity_uncertainty, 1.0),
        ("certificate.cosine_uncertainty", c.cosine_uncertainty, 1.0),
        ("certificate.diffuse_uncertainty", c.diffuse_uncertainty, 1.0),
        ("certificate.levelling_deg", c.levelling_deg, 10.0),
    ] {
        range(key, value, 0.0, most);
    }
    range("certificate.error_scale", c.error_scale, -0.9, 10.0);
    range("certificate.error_shape", c.error_shape, -0.5, 0.5);
    range("certificate.error_wavelength_nm", c.error_wavelength_nm, -20.0, 20.0);
    range("certificate.error_shift_nm_per_k", c.error_shift_nm_per_k, -1.0, 1.0);
}

/// Linearity, shielded pixels and wavelength scale of the detector.
fn pixels(d: &DetectorSettings, faults: &mut Vec<String>) {
    if !(d.linearity_coefficients.first() == Some(&1.0) && d.linearity_coefficients.iter().all(|c| c.is_finite())) {
        faults.push(format!(
            "detector.linearity_coefficients: expected finite numbers beginning with 1, but found {:?}",
            d.linearity_coefficients
        ));
    }
    for range in &d.shielded {
        if !(range[0] <= range[1] && range[1] < d.pixels) {
            faults.push(format!("detector.shielded: expected first ≤ last < {} pixels, but found {range:?}", d.pixels));
        }
    }
    let wavelength = |p: usize| d.wavelength_coefficients.iter().rev().fold(0.0, |sum, c| sum * p as f64 + c);
    let rises = (1..d.pixels).all(|p| wavelength(p) > wavelength(p - 1));
    if !rises || !(150.0..=2500.0).contains(&wavelength(0)) {
        faults.push(format!(
            "detector.wavelength_coefficients: expected wavelengths that rise from 150 nm or more, but found {:?}",
            d.wavelength_coefficients
        ));
    }
}

fn validity(c: &CertificateSettings, faults: &mut Vec<String>) {
    for (key, text) in [
        ("certificate.valid_from", &c.valid_from),
        ("certificate.valid_until", &c.valid_until),
        ("certificate.calibrated_on", &c.calibrated_on),
    ] {
        if let Err(why) = UtcMicros::parse(text) {
            faults.push(format!("{key}: expected an RFC 3339 time, but found `{text}`: {why}"));
        }
    }
}
