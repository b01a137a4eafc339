//! The cloudless sky: horizontal spectral irradiance of sun and sky at any elevation of the sun.
//!
//! A model to test against, not a radiative transfer code. From the reference spectra of ASTM G173-03 (air mass 1.5,
//! zenith 48.236°, 343.8 DU ozone, aerosol 0.084 at 500 nm) it takes
//! - the vertical optical depth τ = ln(extraterrestrial/direct)/1.5, split into scattering (Rayleigh by Hansen & Travis
//!   1974, Space Sci. Rev. 16:527, eq. 2.30, from memory, within 1.5 % of pvlib 0.16.1, `spectrl2`, from 300 to 1100 nm; aerosol 0.084·(λ/500 nm)^−1.3), ozone (the rest below 350 nm, the
//!   Hartley–Huggins bands) and other absorption (the rest above),
//! - the diffuse part, global minus direct·cos 11.236° on the 37° tilt, divided by [`TILT_TO_HORIZONTAL`], as a gain g on
//!   E₀·µ·T_ozone·T_other·(1 − exp(−0.95·τ_scattering·m)), the form of Bird & Riordan 1986 (SPECTRL2).
//!
//! In a variable atmosphere ([`super::air`]), aerosol, ozone (with its weak visible band), water vapour and albedo differ from those
//! of the reference, and the solar spectrum differs slightly from the table. Ozone scales with the column and has a separate air mass (layer at 22 km, Robinson's form), scattering scales with
//! pressure. Below [`TWILIGHT_FROM_DEG`] the spectrum of the sky keeps its shape and its level follows a table of clear-sky
//! illuminance. Starlight is omitted: below −19° there is no light.

use super::air::{Air, AirSettings, REFERENCE_AEROSOL, REFERENCE_ALBEDO};
use super::hash_noise;
use super::light::{Grid, Light};
use crate::clock::UtcMicros;
use crate::spectrum::g173::g173;
use crate::sun::{self, Place};

/// Zenith angle of the reference spectra [degrees].
const REFERENCE_ZENITH_DEG: f64 = 48.236;
/// Their relative air mass.
const REFERENCE_AIR_MASS: f64 = 1.5;
/// Their ozone column [DU].
const REFERENCE_OZONE_DU: f64 = 343.8;
/// Ratio of diffuse light on the 37° tilt to that on the horizontal. An isotropic sky would give 0.90; 0.80 allows for the brighter
/// sky around the sun and in the ultraviolet and was chosen so that the UV index follows Madronich 2007.
const TILT_TO_HORIZONTAL: f64 = 0.80;
/// Elevation below which the twilight table applies [degrees].
const TWILIGHT_FROM_DEG: f64 = 2.0;
/// Elevation [degrees] and log₁₀ of the sky's level relative to that at 2°, after the usual illuminances of clear twilight
/// (about 600 lx at 0°, 3.4 lx at −6°, 0.008 lx at −12°, 0.0006 lx at −18°; from memory, but for −6°, where bevy_light 0.20.1 has
/// `light_consts::lux::CIVIL_TWILIGHT`). Only the simulator uses them: how dim its twilight is decides nothing that is measured.
const TWILIGHT: [(f64, f64); 9] = [
    (2.0, 0.0),
    (0.0, -0.48),
    (-3.0, -1.5),
    (-6.0, -2.72),
    (-9.0, -4.08),
    (-12.0, -5.35),
    (-15.0, -6.08),
    (-18.0, -6.48),
    (-19.0, -9.0),
];
/// Optical depth of the reference ozone at the top of its visible (Chappuis) band, 602 nm (5.1e-21 cm²; musica 0.17.2 has
/// 5.21e-21 in cross_sections/O3_1.nc, Brion et al. 1998, and 5.13e-21 in O3_4.nc, JPL 2006).
const CHAPPUIS_PEAK: f64 = 0.047;
/// Absorption bands of water vapour [nm]; their lines are saturated, so the optical depth grows with the square root of the column.
const WATER_BANDS_NM: [(f64, f64); 4] = [(690.0, 741.0), (780.0, 860.0), (885.0, 1000.0), (1000.0, 1100.0)];
/// The sky is computed once per step and constant within it, as is the truth [µs].
const STEP_US: i64 = 2_000_000;

/// The cloudless sky over a place.
#[derive(Clone, Debug)]
pub struct ClearSky {
    place: Place,
    ozone_du: f64,
    seed: u64,
    settings: AirSettings,
    air: Air,
    nodes: Vec<Node>,
    at: Option<i64>,
    light: Light,
    elevation_deg: f64,
}

/// The reference atmosphere at one node of the grid.
#[derive(Clone, Copy, Debug, Default)]
struct Node {
    /// Extraterrestrial irradiance [W m⁻² nm⁻¹].
    top: f64,
    /// Vertical optical depth of scattering, at the station's pressure [1].
    scattering: f64,
    /// Share of aerosol in `scattering`.
    aerosol: f64,
    /// Vertical optical depth of ozone in the ultraviolet [1].
    ozone: f64,
    /// Weak visible band of ozone, part of `other`.
    chappuis: f64,
    /// Vertical optical depth of other absorption [1].
    other: f64,
    /// Share of water vapour in `other`.
    water: f64,
    /// Gain of the diffuse light [1].
    gain: f64,
}

impl Node {
    /// From the reference irradiances at a wavelength [nm]; pressure relative to sea level [1].
    fn new(nm: f64, [top, direct, global]: [f64; 3], pressure: f64) -> Self {
        if !(top > 0.0 && direct > 0.0) {
            return Self { top, ..Self::default() };
        }
        let cos_incidence = (REFERENCE_ZENITH_DEG - 37.0).to_radians().cos();
        let mu = REFERENCE_ZENITH_DEG.to_radians().cos();
        let um = nm * 1e-3;
        let rayleigh = 0.008569 * um.powi(-4) * (1.0 + 0.0113 * um.powi(-2) + 0.00013 * um.powi(-4));
        let aerosol = 0.084 * (um / 0.5).powf(-1.3);
        let total = (top / direct).ln() / REFERENCE_AIR_MASS;
        let scatter = (rayleigh + aerosol).min(total);
        let rest = total - scatter;
        let (ozone, other) = if um < 0.35 { (rest, 0.0) } else { (0.0, rest) };
        let diffuse = (global - direct * cos_incidence).max(0.0) / TILT_TO_HORIZONTAL;
        let absorbed = (-ozone * ozone_air_mass(REFERENCE_ZENITH_DEG) - other * REFERENCE_AIR_MASS).exp();
        let form = top * mu * absorbed * (1.0 - (-0.95 * scatter * REFERENCE_AIR_MASS).exp());
        let (mut chappuis, mut water) = (0.0, 0.0);
        if um >= 0.35 {
            chappuis = other.min(CHAPPUIS_PEAK * (-((nm - 602.0) / 65.0).powi(2)).exp());
            let in_water_band = WATER_BANDS_NM.iter().any(|(from, to)| (*from..*to).contains(&nm));
            water = if in_water_band { other } else { 0.0 };
        }
        Self {
            top,
            scattering: scatter * pressure,
            aerosol: aerosol.min(scatter),
            ozone,
            chappuis,
            other,
            water,
            // Far below 290 nm both are negligible; the gain is kept finite.
            gain: if form > 0.0 { (diffuse / form).min(5.0) } else { 0.0 },
        }
    }
}

/// Air mass of ozone at a zenith angle [degrees]: a thin layer at 22 km (Robinson 1966; pvlib 0.16.1, `spectrl2`,
/// equation 2-10).
fn ozone_air_mass(zenith_deg: f64) -> f64 {
    let (mu, r) = (zenith_deg.to_radians().cos(), 22.0 / 6370.0);
    (1.0 + r) / (mu * mu + 2.0 * r).sqrt()
}

impl ClearSky {
    /// The sky over a place with a column of ozone [DU], in the atmosphere of the reference spectra.
    pub fn new(place: Place, ozone_du: f64, grid: Grid) -> Self {
        Self::variable(place, ozone_du, &AirSettings::default(), 0, grid)
    }

    /// The sky in an atmosphere that may vary from day to day; `ozone_du` is the column of one that does not.
    pub fn variable(place: Place, ozone_du: f64, settings: &AirSettings, seed: u64, grid: Grid) -> Self {
        let table = g173();
        let column = |values: &[f64]| grid.sample(&table.wavelength_nm, values);
        let (top, direct) = (column(&table.extraterrestrial), column(&table.direct_normal));
        let global = column(&table.global_tilt);
        let pressure = sun::standard_pressure_hpa(place.altitude_m) / 1013.25;
        let node = |i: usize| Node::new(grid.nm(i), [top[i], direct[i], global[i]], pressure);
        let mut nodes: Vec<Node> = (0..grid.nodes).map(node).collect();
        if settings.variable {
            for (i, node) in nodes.iter_mut().enumerate() {
                node.top *= 1.0 + settings.table_scatter * hash_noise::normal(seed, i as i64, 0x50_1a2);
            }
        }
        Self {
            place,
            ozone_du,
            seed,
            settings: settings.clone(),
            air: AirSettings::default().at(seed, place.latitude_deg, place.longitude_deg, ozone_du, UtcMicros(0)),
            nodes,
            at: None,
            light: Light::dark(grid),
            elevation_deg: -90.0,
        }
    }

    /// Light of sun and sky at an instant (constant for two seconds), and the sun's apparent elevation [degrees].
    pub fn at(&mut self, t: UtcMicros) -> (&Light, f64) {
        let step = t.0.div_euclid(STEP_US);
        if self.at != Some(step) {
            self.at = Some(step);
            let middle = UtcMicros(step * STEP_US + STEP_US / 2);
            // Outside the years of the solar algorithm: night.
            let elevation = sun::position(self.place, middle).map_or(-90.0, |s| s.elevation_deg);
            let (latitude, longitude) = (self.place.latitude_deg, self.place.longitude_deg);
            self.air = self.settings.at(self.seed, latitude, longitude, self.ozone_du, middle);
            let mut light =
                std::mem::replace(&mut self.light, Light { beam: vec![], beam_zenith_deg: 0.0, sky: vec![] });
            self.compute(elevation, sun::inverse_distance_squared(middle), &mut light);
            self.light = light;
            self.elevation_deg = elevation;
        }
        (&self.light, self.elevation_deg)
    }

    /// Light at an elevation of the sun [degrees] and a squared inverse distance [1].
    pub fn compute(&self, elevation_deg: f64, distance: f64, light: &mut Light) {
        light.clear();
        light.beam_zenith_deg = (90.0 - elevation_deg).clamp(0.0, 90.0);
        if elevation_deg.is_nan() || elevation_deg <= -19.0 {
            return;
        }
        let high = elevation_deg.max(TWILIGHT_FROM_DEG);
        let level = distance * 10f64.powf(twilight(elevation_deg));
        let mu = high.to_radians().sin();
        let mass = sun::relative_air_mass(high).unwrap_or(1.0);
        let air = self.air;
        let ozone_share = air.ozone_du / REFERENCE_OZONE_DU;
        // Difference from the constant column only: the visible band of the reference is part of `other_depth`.
        let visible_ozone = (air.ozone_du - self.ozone_du) / REFERENCE_OZONE_DU;
        let (more_aerosol, more_water) = (air.aerosol / REFERENCE_AEROSOL - 1.0, air.water.sqrt() - 1.0);
        let ozone_mass = ozone_share * ozone_air_mass(90.0 - high);
        // The solar disc sets over half a degree.
        let disc = distance * ((elevation_deg + 0.25) / 0.5).clamp(0.0, 1.0);
        let low = elevation_deg.max(0.0);
        let beam_mu = low.to_radians().sin().max(0.002);
        let beam_mass = sun::relative_air_mass(low).unwrap_or(1.0);
        let beam_ozone = ozone_share * ozone_air_mass(90.0 - low);
        for (node, (sky, direct)) in self.nodes.iter().zip(light.sky.iter_mut().zip(&mut light.beam)) {
            let scatter = node.scattering + more_aerosol * node.aerosol;
            let ozone = node.ozone;
            let other = node.other + visible_ozone * node.chappuis + more_water * node.water;
            let top = node.top;
            let absorbed = (-ozone * ozone_mass - other * mass).exp();
            *sky = level * top * mu * absorbed * (1.0 - (-0.95 * scatter * mass).exp()) * node.gain;
            if disc > 0.0 {
                let depth = ozone * beam_ozone + (scatter + other) * beam_mass;
                *direct = disc * top * beam_mu * (-depth).exp();
            }
            if air.albedo != REFERENCE_ALBEDO {
                // Multiple reflection between ground and sky: 1/(1 − albedo·S), S the albedo of the sky from below.
                let back = 0.8 * scatter / (1.0 + scatter);
                let more = (1.0 - REFERENCE_ALBEDO * back) / (1.0 - air.albedo * back) - 1.0;
                *sky += more * (*sky + *direct);
            }
        }
    }
}

/// log₁₀ of the sky's level relative to that at 2° [1].
fn twilight(elevation_deg: f64) -> f64 {
    if elevation_deg >= TWILIGHT_FROM_DEG {
        return 0.0;
    }
    TWILIGHT
        .windows(2)
        .find(|w| elevation_deg >= w[1].0)
        .map_or(-9.0, |w| w[1].1 + (w[0].1 - w[1].1) * (elevation_deg - w[1].0) / (w[0].0 - w[1].0))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::simulator::integrals::{lux, ppfd, uv_index};

    const GRID: Grid = Grid { first_nm: 270, nodes: 800 };

    fn sky(ozone_du: f64) -> ClearSky {
        ClearSky::new(Place { latitude_deg: 48.0, longitude_deg: 11.0, altitude_m: 0.0 }, ozone_du, GRID)
    }

    fn at(sky: &ClearSky, elevation: f64) -> Light {
        let mut light = Light::dark(GRID);
        sky.compute(elevation, 1.0, &mut light);
        light
    }

    /// Published: Madronich 2007 (Photochem. Photobiol. 83:1537), UVI ≈ 12.5·µ₀^2.42·(Ω/300)^−1.23, within 20 %. musica 0.17.2 (the TUV
    /// model, albedo 0.1) gives the same within 6 % from 25° to 90° of elevation and from 250 to 350 DU, and more below.
    #[test]
    fn the_uv_index_follows_the_published_approximation() {
        for ozone in [300.0, 250.0, 350.0] {
            let sky = sky(ozone);
            for elevation in [15, 20, 25, 30, 40, 50, 60, 65] {
                let mu = f64::from(elevation).to_radians().sin();
                let want = 12.5 * mu.powf(2.42) * (ozone / 300.0f64).powf(-1.23);
                let got = uv_index(&at(&sky, f64::from(elevation)).total(), GRID);
                if ozone != 300.0 && elevation == 15 {
                    // Far from the default column the fit reaches from 20° only.
                    continue;
                }
                assert!((got / want - 1.0).abs() < 0.2, "{ozone} DU, {elevation}°: want {want}, got {got}");
            }
        }
    }

    /// Independent: musica 0.17.2, `tuvx.v54` (the TUV model, 300 DU, albedo 0.1), "UV index (WMO, 1994; Webb et al., 2011)"; within 20 %.
    #[test]
    fn the_uv_index_is_that_of_a_radiative_transfer_model() {
        let sky = sky(300.0);
        for (elevation, want) in
            [(20.0, 0.9667), (30.0, 2.2497), (40.0, 4.1394), (50.0, 6.4524), (60.0, 8.8497), (65.0, 9.9573)]
        {
            let got = uv_index(&at(&sky, elevation).total(), GRID);
            assert!((got / want - 1.0).abs() < 0.2, "{elevation}°: want {want}, got {got}");
        }
    }

    /// Independent: pvlib 0.16.1 SPECTRL2 gives 1414.9 µmol m⁻² s⁻¹ at zenith 48.236°; within 10 %.
    #[test]
    fn the_photon_flux_is_that_of_an_independent_model() {
        let got = ppfd(&at(&sky(343.8), 90.0 - 48.236).total(), GRID);
        assert!((got / 1414.9 - 1.0).abs() < 0.1, "{got} umol m-2 s-1");
    }

    /// Identity: at the reference air mass the beam is the direct reference spectrum.
    #[test]
    fn the_beam_at_the_reference_air_mass_is_the_reference() {
        let table = g173();
        let direct = GRID.sample(&table.wavelength_nm, &table.direct_normal);
        let light = at(&sky(343.8), 90.0 - REFERENCE_ZENITH_DEG);
        let mu = REFERENCE_ZENITH_DEG.to_radians().cos();
        for i in (130..780).step_by(50) {
            assert!((light.beam[i] / (direct[i] * mu) - 1.0).abs() < 2e-3, "{} nm", GRID.nm(i));
        }
    }

    /// Published: illuminances of clear twilight as textbooks give them (from memory; 3.4 lx also in bevy_light 0.20.1), within a factor of
    /// two.
    #[test]
    fn twilight_follows_published_illuminances() {
        let sky = sky(300.0);
        for (elevation, want) in [(0.0, 600.0), (-6.0, 3.4), (-12.0, 0.008), (-18.0, 0.0006)] {
            let got = lux(&at(&sky, elevation).total(), GRID);
            assert!(got / want < 2.0 && want / got < 2.0, "{elevation}°: want {want} lx, got {got} lx");
        }
        assert_eq!(lux(&at(&sky, -20.0).total(), GRID), 0.0);
    }

    /// Identity: light has no jump between elevations of −19° and 90°.
    #[test]
    fn light_increases_smoothly_with_elevation() {
        let sky = sky(300.0);
        let mut before = 0.0;
        for i in 0..10_880 {
            let now = lux(&at(&sky, -18.9 + f64::from(i) * 0.01).total(), GRID);
            assert!(now >= before && (before == 0.0 || now / before < 1.1), "{i}: {before} to {now} lx");
            before = now;
        }
    }
}
