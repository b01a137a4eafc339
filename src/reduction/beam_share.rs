//! The share of the sun's beam in daylight, by wavelength, and its uncertainty.
//!
//! An instrument that looks at a half-space does not see where its light comes from. The share is estimated from the elevation of the
//! sun and the brightness of the light: a set of possible skies is computed ([`super::two_stream`]), clear ones with little to much
//! aerosol and the same behind clouds, and each counts as much as its brightness agrees with the reading's. The mean of their shares
//! is the estimate, their standard deviation its uncertainty; both depend on wavelength, because the beam is red and the sky blue.
//!
//! Depends on the sun's elevation, the pressure and the light of the *sun*: light of lamps has to be separated before. Does not know
//! the optic ([`super::cosine`]). Pure.
//!
//! Invariants:
//! - A share lies between 0 and that of a clear sky with little aerosol.
//! - Without a sun above the horizon the share and its uncertainty are 0.

use super::two_stream::{Layer, transmitted};
use crate::sun;

/// Number of [`NODES_NM`].
pub const NODES: usize = 19;
/// Wavelengths at which shares are computed; linear between them and constant beyond [nm].
pub const NODES_NM: [f64; NODES] = [
    280.0, 300.0, 320.0, 340.0, 360.0, 380.0, 400.0, 425.0, 450.0, 475.0, 500.0, 550.0, 600.0, 650.0, 700.0, 750.0,
    800.0, 900.0, 1050.0,
];

/// Nodes of [`NODES_NM`] by which brightness is computed (400, 450, … 700 nm), extraterrestrial photons of the band around each
/// [µmol m⁻² s⁻¹] and the mean absorption coefficient of ozone there [1/(atm cm)], both from pvlib 0.16.1: the extraterrestrial column
/// of ASTM G173-03 in triangles of 100 nm (in all 2413 µmol m⁻² s⁻¹), and the coefficients of `spectrl2`.
const PHOTONS: [(usize, f64, f64); 7] = [
    (6, 149.0, 0.0),
    (8, 356.4, 0.0053),
    (10, 401.7, 0.0327),
    (11, 425.3, 0.0877),
    (12, 439.8, 0.1127),
    (13, 429.6, 0.0709),
    (14, 211.3, 0.0360),
];
/// Ozone column [atm cm], and the highest air mass that a path through its layer reaches [1].
const OZONE: f64 = 0.33;
const OZONE_MASS: f64 = 12.0;

/// Ångström exponent of the aerosol [1]: that of the rural aerosol of Bird & Riordan 1986.
const ANGSTROM: f64 = 1.14;
/// Single-scattering albedo and asymmetry factor of the aerosol, and albedo of the ground [1]: those with which the shares are nearest
/// to those of `spectrl2` of pvlib 0.16.1 (within 0.04 from 320 to 900 nm, 3° to 60°, aerosol optical depth 0.05 to 0.4).
const AEROSOL_ALBEDO: f64 = 0.85;
const AEROSOL_ASYMMETRY: f64 = 0.6;
const GROUND_ALBEDO: f64 = 0.1;

/// Aerosol optical depths at 500 nm of the possible skies, and how common each is: a lognormal distribution with the median 0.10 and
/// the standard deviation 0.7 of its logarithm, as measured at most stations in temperate climates (from memory; the estimate of
/// the share changes by less than half of its uncertainty with a median of 0.05 or 0.2).
const AEROSOLS: [(f64, f64); 5] = [(0.03, 0.106), (0.06, 0.357), (0.12, 0.448), (0.24, 0.211), (0.48, 0.037)];
/// How common a free sun, a sun behind thin or broken cloud, and a hidden sun are [1]; hours of sunshine are about half of the hours of
/// day in temperate climates.
const FREE: f64 = 0.5;
const VEILED: f64 = 0.25;
const HIDDEN: f64 = 0.25;
/// Shares of the beam that veils leave, and shares of what they take that arrives as light of the sky: little from thick and much from
/// thin cloud.
const LEFT: [f64; 3] = [0.75, 0.5, 0.25];
const RETURNED: [f64; 2] = [0.3, 0.8];
/// With the sun hidden, the logarithm of the brightness is evenly distributed from that of the clear sky down to this share of it [1].
const DARKEST: f64 = 0.05;
/// Relative standard deviation between computed and measured brightness of the same sky: of the calibration, the model and the distance
/// of the sun, and of the model for each unit of air mass.
const BRIGHTNESS: f64 = 0.08;
const BRIGHTNESS_PER_AIR_MASS: f64 = 0.015;
/// Relative standard uncertainty of the model's share for a known sky.
const MODEL: f64 = 0.06;

/// The share of the beam in the horizontal irradiance of sun and sky at [`NODES_NM`].
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct BeamShare {
    /// The share [1].
    pub share: [f64; NODES],
    /// Its standard uncertainty, one amplitude for all wavelengths [1].
    pub uncertainty: [f64; NODES],
}

impl BeamShare {
    /// No beam, known exactly.
    pub const NONE: Self = Self { share: [0.0; NODES], uncertainty: [0.0; NODES] };

    /// Share and standard uncertainty at a wavelength [nm].
    pub fn at(&self, nm: f64) -> (f64, f64) {
        let (node, way) = place(nm, 0);
        (between(&self.share, node, way), between(&self.uncertainty, node, way))
    }
}

/// The node at or below a wavelength, searched from `from` on, and the part of the way to the next.
pub fn place(nm: f64, from: usize) -> (usize, f64) {
    let mut node = from;
    while node + 2 < NODES && nm > NODES_NM[node + 1] {
        node += 1;
    }
    (node, ((nm - NODES_NM[node]) / (NODES_NM[node + 1] - NODES_NM[node])).clamp(0.0, 1.0))
}

/// A number at a place between two nodes.
pub fn between(at_nodes: &[f64; NODES], node: usize, way: f64) -> f64 {
    at_nodes[node] + way * (at_nodes[node + 1] - at_nodes[node])
}

/// A clear sky.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ClearSky {
    /// Share of the beam at [`NODES_NM`] [1].
    pub share: [f64; NODES],
    /// Photon flux density of 400–700 nm [µmol m⁻² s⁻¹].
    pub ppfd: f64,
    /// Share of the beam in it [1].
    pub ppfd_share: f64,
}

/// The clear sky for an apparent elevation of the sun [degrees], a pressure over 1013.25 hPa and an aerosol optical depth at 500 nm.
pub fn clear_sky(elevation_deg: f64, pressure: f64, aerosol: f64) -> ClearSky {
    let air_mass = sun::relative_air_mass(elevation_deg).unwrap_or(1.0);
    let mut light = [(0.0, 0.0); NODES];
    for (nm, light) in NODES_NM.iter().zip(&mut light) {
        // The optical path of a curved atmosphere, in plane layers.
        let sky = transmitted(layer(*nm, pressure, aerosol), 1.0 / air_mass, GROUND_ALBEDO);
        *light = (sky.beam / sky.total, sky.total);
    }
    let (mut ppfd, mut beam) = (0.0, 0.0);
    for (node, photons, ozone) in PHOTONS {
        let here = photons * light[node].1 * (-ozone * OZONE * air_mass.min(OZONE_MASS)).exp();
        ppfd += here;
        beam += here * light[node].0;
    }
    let height = elevation_deg.to_radians().sin();
    ClearSky { share: light.map(|(share, _)| share), ppfd: ppfd * height, ppfd_share: beam / ppfd }
}

/// Molecules and aerosol as one layer. Rayleigh: Hansen & Travis 1974, Space Sci. Rev. 16:527, equation 2.30 (from memory, within 1.5 %
/// of pvlib 0.16.1, `spectrl2`, from 300 to 1100 nm).
fn layer(nm: f64, pressure: f64, aerosol: f64) -> Layer {
    let um2 = nm * nm * 1e-6;
    let rayleigh = pressure * 0.008569 / (um2 * um2) * (1.0 + 0.0113 / um2 + 0.00013 / (um2 * um2));
    let aerosol = aerosol * (nm / 500.0).powf(-ANGSTROM);
    let (depth, scattered) = (rayleigh + aerosol, rayleigh + AEROSOL_ALBEDO * aerosol);
    Layer {
        depth,
        scattering_albedo: scattered / depth,
        asymmetry: AEROSOL_ALBEDO * aerosol * AEROSOL_ASYMMETRY / scattered,
    }
}

/// Estimates the share of the beam from brightness.
///
/// elevation_deg: apparent elevation of the sun [degrees]. pressure: at the station over 1013.25 hPa. ppfd: photon flux density
/// 400–700 nm of sun and sky, without lamps [µmol m⁻² s⁻¹]. Light that is brighter than the clearest of the skies counts as that one.
pub fn estimate(elevation_deg: f64, pressure: f64, ppfd: f64) -> BeamShare {
    let Some(air_mass) = sun::relative_air_mass(elevation_deg).filter(|_| elevation_deg > 0.0 && ppfd > 0.0) else {
        return BeamShare::NONE;
    };
    let spread = BRIGHTNESS.hypot(BRIGHTNESS_PER_AIR_MASS * air_mass);
    let skies = AEROSOLS.map(|(aerosol, common)| (clear_sky(elevation_deg, pressure, aerosol), common));
    let brightest = skies.iter().map(|(sky, _)| sky.ppfd).fold(0.0, f64::max);
    let log_ppfd = ppfd.min(brightest).ln();
    let mut mean = WeightedMean::default();
    for (clear, common) in &skies {
        // Deviations of the brightness from that of the clear sky, in standard deviations.
        let brighter = (log_ppfd - clear.ppfd.ln()) / spread;
        let agrees = |level: f64| (-0.5 * (brighter - level.ln() / spread).powi(2)).exp();
        mean.add(common * FREE * agrees(1.0), &clear.share);
        for left in LEFT {
            for returned in RETURNED {
                let taken = (1.0 - returned) * (1.0 - left);
                let share = clear.share.map(|b| left * b / (1.0 - taken * b));
                let weight = common * VEILED / (LEFT.len() * RETURNED.len()) as f64;
                mean.add(weight * agrees(1.0 - taken * clear.ppfd_share), &share);
            }
        }
        // The density of an even distribution, smoothed at the upper end (logistic approximation of the normal integral).
        let density = spread * std::f64::consts::TAU.sqrt() / (1.0 / DARKEST).ln() / (1.0 + (1.7 * brighter).exp());
        mean.add(common * HIDDEN * density, &[0.0; NODES]);
    }
    mean.share()
}

/// Weighted mean and standard deviation of shares.
#[derive(Default)]
struct WeightedMean {
    weight: f64,
    sum: [f64; NODES],
    square: [f64; NODES],
}

impl WeightedMean {
    fn add(&mut self, weight: f64, share: &[f64; NODES]) {
        self.weight += weight;
        for ((sum, square), x) in self.sum.iter_mut().zip(&mut self.square).zip(share) {
            *sum += weight * x;
            *square += weight * x * x;
        }
    }

    fn share(&self) -> BeamShare {
        if !(self.weight > 0.0) {
            return BeamShare::NONE;
        }
        let share = self.sum.map(|s| s / self.weight);
        let uncertainty = std::array::from_fn(|i| {
            let variance = (self.square[i] / self.weight - share[i] * share[i]).max(0.0);
            variance.sqrt().hypot(MODEL * share[i])
        });
        BeamShare { share, uncertainty }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Identity: between the limits that it promises, for every elevation and brightness, and nothing panics.
    #[test]
    fn a_share_lies_between_none_and_that_of_the_clearest_sky() {
        for elevation in [-5.0, 0.0, 1e-6, 0.3, 2.0, 5.0, 15.0, 45.0, 90.0, 100.0, f64::NAN] {
            for ppfd in [f64::NAN, -1.0, 0.0, 1e-300, 1e-3, 1.0, 30.0, 250.0, 900.0, 2500.0, 1e9, f64::INFINITY] {
                let got = estimate(elevation, 1.0, ppfd);
                if !(elevation > 0.0 && elevation <= 90.0 && ppfd > 0.0) {
                    assert_eq!(got, BeamShare::NONE, "{elevation}° {ppfd}");
                    continue;
                }
                let most = clear_sky(elevation, 1.0, AEROSOLS[0].0).share;
                for (i, most) in most.iter().enumerate() {
                    let (share, u) = (got.share[i], got.uncertainty[i]);
                    assert!(share >= 0.0 && share <= most * (1.0 + 1e-12), "{elevation}° {ppfd}: {share} of {most}");
                    assert!((0.0..=0.6).contains(&u), "{elevation}° {ppfd}: {u}");
                }
            }
        }
    }

    /// Identity: the brighter the light, the larger the share; a closed deck has none, and the red beam is the larger share.
    #[test]
    fn the_share_follows_brightness_and_wavelength() {
        for elevation in [5.0, 10.0, 30.0] {
            let clear = clear_sky(elevation, 1.0, 0.1).ppfd;
            let shares = [0.1, 0.3, 0.5, 0.7, 0.9, 1.0].map(|k| estimate(elevation, 1.0, k * clear).at(600.0).0);
            assert!(shares.windows(2).all(|w| w[0] <= w[1]), "{elevation}°: {shares:?}");
            assert!(shares[0] < 0.01 && shares[5] > 0.5 * clear_sky(elevation, 1.0, 0.1).share[12], "{shares:?}");
            let bright = estimate(elevation, 1.0, clear);
            assert!(bright.share.windows(2).all(|w| w[0] < w[1]), "{:?}", bright.share);
        }
    }

    /// Identity: linear between the nodes, constant beyond them, and continued from any node below.
    #[test]
    fn a_share_is_linear_between_its_nodes() {
        let share = estimate(20.0, 1.0, 500.0);
        for (i, nm) in NODES_NM.iter().enumerate() {
            assert!((share.at(*nm).0 - share.share[i]).abs() < 1e-12);
        }
        assert_eq!((share.at(100.0), share.at(2000.0)), (share.at(280.0), share.at(1050.0)));
        assert!((share.at(525.0).0 - 0.5 * (share.share[10] + share.share[11])).abs() < 1e-12);
        assert_eq!(place(525.0, 3), place(525.0, 0));
    }
}
