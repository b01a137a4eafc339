//! The spectrum that stands for the light of the sky, per lux. Pure.

use crate::numeric::interpolate;
use crate::spectrum::g173::{G173, g173};
use std::sync::LazyLock;

/// Illuminance of the global spectrum of ASTM G173-03 [lx]: colour-science 0.4.7 (`SDS_LEFS`, CIE 1924 photopic observer, 683.002 lm/W).
pub const G173_LX: f64 = 109_495.0;

static DAYLIGHT: LazyLock<G173> = LazyLock::new(g173);

/// Spectral irradiance of one lux of daylight at a wavelength [W m⁻² nm⁻¹]; 0 outside 280 to 1100 nm.
pub fn per_lux(nm: f64) -> f64 {
    interpolate(&DAYLIGHT.wavelength_nm, &DAYLIGHT.global_tilt, nm).unwrap_or(0.0) / G173_LX
}
