//! Transmittances of a cloudless atmosphere after Bird & Riordan 1986 (J. Climate Appl. Meteor. 25:87–97), for the beam and for the
//! light of the sky.
//!
//! Formulas as pvlib 0.16.1, `spectrl2`, has them, which follows a later program of the same authors; the numbers of the equations are
//! those of the report NREL/TR-215-2436. The aerosol is the rural one of the paper. Pure.

use super::absorption::{Coefficients, coefficients};
use super::depths::{aerosol_depth, mixed_depth, ozone_air_mass, rayleigh_depth, water_depth};

/// Single-scattering albedo of the rural aerosol at 400 nm [1], and how this falls with the square of ln(λ/400 nm) (equation 3-16).
const SCATTERING_ALBEDO: f64 = 0.945;
const SCATTERING_ALBEDO_FALL: f64 = 0.095;
/// Its asymmetry factor [1].
const ASYMMETRY: f64 = 0.65;
/// Pressure for which the Rayleigh depth is given [hPa].
const PRESSURE_HPA: f64 = 1013.0;
/// Relative air mass at which the albedo of the sky from below is taken [1].
const REFLECTED_AIR_MASS: f64 = 1.8;

/// The state of the atmosphere.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Atmosphere {
    /// Pressure at the ground [hPa].
    pub pressure_hpa: f64,
    /// Aerosol optical depth at 500 nm [1].
    pub aerosol: f64,
    /// Ozone column [DU].
    pub ozone_du: f64,
    /// Precipitable water [cm].
    pub water_cm: f64,
    /// Albedo of the ground [1].
    pub albedo: f64,
}

/// The path of sunlight through the atmosphere.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Path {
    /// Cosine of the sun's zenith angle [1].
    pub cos_zenith: f64,
    /// Relative air mass [1].
    pub air_mass: f64,
    /// Relative air mass of ozone [1].
    pub ozone_mass: f64,
}

impl Path {
    /// For an apparent elevation of the sun from 0 to 90 [degrees].
    pub fn at(elevation_deg: f64) -> Self {
        let zenith_deg = 90.0 - elevation_deg;
        Self {
            cos_zenith: zenith_deg.to_radians().cos(),
            air_mass: air_mass(zenith_deg),
            ozone_mass: ozone_air_mass(zenith_deg),
        }
    }
}

/// Relative air mass [1] at an apparent zenith angle [degrees] (Kasten & Young 1989, Appl. Opt. 28:4735).
fn air_mass(zenith_deg: f64) -> f64 {
    1.0 / (zenith_deg.to_radians().cos() + 0.50572 * (96.07995 - zenith_deg).powf(-1.6364))
}

/// Properties of the atmosphere at one wavelength.
#[derive(Clone, Copy, Debug)]
struct Point {
    rayleigh: f64,
    aerosol: f64,
    scattering_albedo: f64,
    /// Factor on the scattered light below 450 nm (equation 3-17).
    ultraviolet: f64,
    absorbing: Coefficients,
}

/// The atmosphere at some wavelengths.
#[derive(Clone, Debug)]
pub struct Transmittances {
    points: Vec<Point>,
}

impl Transmittances {
    /// At some wavelengths [nm].
    pub fn new(wavelength_nm: &[f64]) -> Self {
        let point = |(nm, absorbing): (&f64, Coefficients)| Point {
            rayleigh: rayleigh_depth(*nm),
            aerosol: aerosol_depth(*nm),
            scattering_albedo: SCATTERING_ALBEDO * (-SCATTERING_ALBEDO_FALL * (nm / 400.0).ln().powi(2)).exp(),
            ultraviolet: if *nm <= 450.0 { ((nm + 550.0) / 1000.0).powf(1.8) } else { 1.0 },
            absorbing,
        };
        Self { points: wavelength_nm.iter().zip(coefficients(wavelength_nm)).map(point).collect() }
    }

    /// Direct normal (`beam`) and diffuse horizontal (`sky`) irradiance relative to the extraterrestrial irradiance [1].
    pub fn fill(&self, atmosphere: &Atmosphere, path: Path, beam: &mut [f64], sky: &mut [f64]) {
        let Path { cos_zenith, air_mass, ozone_mass } = path;
        let pressure = atmosphere.pressure_hpa / PRESSURE_HPA;
        let ozone_path = atmosphere.ozone_du * 1e-3 * ozone_mass;
        let forward = forward_share(cos_zenith);
        // At the air mass of reflected light (equation 3-15).
        let reflected_forward = forward_share(1.0 / REFLECTED_AIR_MASS);
        for (point, (beam, sky)) in self.points.iter().zip(beam.iter_mut().zip(sky)) {
            let rayleigh = point.rayleigh * air_mass * pressure;
            let aerosol = atmosphere.aerosol * point.aerosol * air_mass;
            let scattered = point.scattering_albedo * aerosol;
            let c = &point.absorbing;
            let gases = c.ozone * ozone_path
                + water_depth(c.water * atmosphere.water_cm * air_mass)
                + mixed_depth(c.mixed * air_mass * pressure);
            *beam = (-rayleigh - aerosol - gases).exp();
            // Equations 3-5 and 3-6.
            let arriving = cos_zenith * (scattered - aerosol - gases).exp();
            let by_air = arriving * (1.0 - (-0.95 * rayleigh).exp()) * 0.5;
            let by_aerosol = arriving * (-1.5 * rayleigh).exp() * (1.0 - (-scattered).exp()) * forward;
            let back = atmosphere.albedo * point.reflectivity(atmosphere, pressure, reflected_forward);
            let reflected = (*beam * cos_zenith + by_air + by_aerosol) * back / (1.0 - back);
            *sky = (by_air + by_aerosol + reflected) * point.ultraviolet;
        }
    }
}

impl Point {
    /// Albedo of the sky from below [1] (equation 3-8, with the transmittance of the mixed gases as in the later program).
    fn reflectivity(&self, atmosphere: &Atmosphere, pressure: f64, forward: f64) -> f64 {
        let rayleigh = (-self.rayleigh * REFLECTED_AIR_MASS * pressure).exp();
        let aerosol = atmosphere.aerosol * self.aerosol * REFLECTED_AIR_MASS;
        let scattered = self.scattering_albedo * aerosol;
        let gases = water_depth(self.absorbing.water * atmosphere.water_cm * REFLECTED_AIR_MASS)
            + mixed_depth(self.absorbing.mixed * REFLECTED_AIR_MASS * pressure);
        let scattering = 0.5 * (1.0 - rayleigh) + (1.0 - forward) * rayleigh * (1.0 - (-scattered).exp());
        (scattered - aerosol - gases).exp() * scattering
    }
}

/// Share of the light scattered by aerosol that goes downwards [1] (equations 3-11 to 3-14).
fn forward_share(cos_zenith: f64) -> f64 {
    let l = (1.0 - ASYMMETRY).ln();
    let a = l * (1.459 + l * (0.1595 + l * 0.4129));
    let b = l * (0.0783 + l * (-0.3824 - l * 0.5874));
    1.0 - 0.5 * ((a + b * cos_zenith) * cos_zenith).exp()
}
