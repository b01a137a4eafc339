//! Optical depths of a cloudless atmosphere after Bird & Riordan 1986, and the path through its ozone.
//!
//! The numbers of the equations are those of the report NREL/TR-215-2436; the aerosol is the rural one of the paper. Pure.

/// Ångström exponent of the rural aerosol [1].
const ANGSTROM: f64 = 1.14;
/// Height of the ozone layer over the radius of the earth [1].
const OZONE_HEIGHT: f64 = 22.0 / 6370.0;

/// Relative air mass of ozone [1] at a zenith angle [degrees]: a thin layer (equation 2-10).
pub fn ozone_air_mass(zenith_deg: f64) -> f64 {
    (1.0 + OZONE_HEIGHT) / (zenith_deg.to_radians().cos().powi(2) + 2.0 * OZONE_HEIGHT).sqrt()
}

/// Vertical optical depth of molecular scattering at 1013 hPa [1] (equation 2-4).
pub fn rayleigh_depth(nm: f64) -> f64 {
    let um2 = (nm * 1e-3).powi(2);
    1.0 / (um2 * um2 * (115.6406 - 1.3366 / um2))
}

/// Aerosol optical depth relative to that at 500 nm [1] (equation 2-7).
pub fn aerosol_depth(nm: f64) -> f64 {
    (nm / 500.0).powf(-ANGSTROM)
}

/// Optical depth of water vapour for the product of coefficient, precipitable water and air mass (equation 2-8).
pub fn water_depth(a: f64) -> f64 {
    if a > 0.0 { 0.2385 * a / (1.0 + 20.07 * a).powf(0.45) } else { 0.0 }
}

/// Optical depth of the uniformly mixed gases for the product of coefficient and air mass (equation 2-11).
pub fn mixed_depth(a: f64) -> f64 {
    if a > 0.0 { 1.41 * a / (1.0 + 118.3 * a).powf(0.45) } else { 0.0 }
}
