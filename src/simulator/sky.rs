//! The cloudless sky: horizontal spectral irradiance of sun and sky at any elevation of the sun.
//!
//! The transmittances of Bird & Riordan 1986 ([`transmittance`]) on the extraterrestrial column of ASTM G173-03. Their sky is too dark
//! while the sun is very low (0.56 of the measured illuminance at 1°): from 4° down to 2° its level is blended into that of Janiczek &
//! DeYoung 1987 ([`twilight`]). A model to test against, not a radiative transfer code. It shares no code with the correction of the
//! cosine response ([`crate::reduction`]), whose model of the sky is another.
//!
//! In a variable atmosphere ([`super::air`]), aerosol, ozone, water vapour and albedo change from day to day, and the solar spectrum
//! differs slightly from the table.

mod absorption;
mod depths;
pub mod transmittance;
mod twilight;

use super::air::{Air, AirSettings};
use super::hash_noise;
use super::integrals;
use super::light::{Grid, Light};
use crate::clock::UtcMicros;
use crate::spectrum::g173::g173;
use crate::sun::{self, Place};
pub use absorption::G173_WATER_CM;
use transmittance::{Atmosphere, Path, Transmittances};

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
    grid: Grid,
    /// Extraterrestrial irradiance at the nodes [W m⁻² nm⁻¹].
    top: Vec<f64>,
    transmittances: Transmittances,
    at: Option<i64>,
    light: Light,
    elevation_deg: f64,
}

impl ClearSky {
    /// The sky over a place with a column of ozone [DU], in the atmosphere of the reference spectra.
    pub fn new(place: Place, ozone_du: f64, grid: Grid) -> Self {
        Self::variable(place, ozone_du, &AirSettings::default(), 0, grid)
    }

    /// The sky in an atmosphere that may vary from day to day; `ozone_du` is the column of one that does not.
    pub fn variable(place: Place, ozone_du: f64, settings: &AirSettings, seed: u64, grid: Grid) -> Self {
        let table = g173();
        let mut top = grid.sample(&table.wavelength_nm, &table.extraterrestrial);
        if settings.variable {
            for (i, top) in top.iter_mut().enumerate() {
                *top *= 1.0 + settings.table_scatter * hash_noise::normal(seed, i as i64, 0x50_1a2);
            }
        }
        let wavelength_nm: Vec<f64> = (0..grid.nodes).map(|i| grid.nm(i)).collect();
        Self {
            place,
            ozone_du,
            seed,
            settings: settings.clone(),
            air: AirSettings::default().at(seed, place.latitude_deg, place.longitude_deg, ozone_du, UtcMicros(0)),
            grid,
            top,
            transmittances: Transmittances::new(&wavelength_nm),
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
        if elevation_deg.is_nan() || elevation_deg <= twilight::DARK_BELOW_DEG {
            return;
        }
        let atmosphere = Atmosphere {
            pressure_hpa: sun::standard_pressure_hpa(self.place.altitude_m),
            aerosol: self.air.aerosol,
            ozone_du: self.air.ozone_du,
            water_cm: self.air.water * G173_WATER_CM,
            albedo: self.air.albedo,
        };
        let Light { beam, sky, .. } = light;
        if elevation_deg >= twilight::BLENDED_TO_DEG {
            self.transmittances.fill(&atmosphere, Path::at(elevation_deg), beam, sky);
        } else {
            let mut unused = vec![0.0; self.grid.nodes];
            self.transmittances.fill(&atmosphere, Path::at(elevation_deg.max(0.0)), beam, &mut unused);
            self.transmittances.fill(&atmosphere, twilight::path(elevation_deg), &mut unused, sky);
        }
        // The solar disc sets over half a degree, while its centre is near the horizon.
        let disc = ((elevation_deg + 0.25) / 0.5).clamp(0.0, 1.0);
        let cos_zenith = elevation_deg.max(0.0).to_radians().sin().max(0.002);
        for ((beam, sky), top) in beam.iter_mut().zip(sky.iter_mut()).zip(&self.top) {
            *beam *= disc * distance * cos_zenith * top;
            *sky *= distance * top;
        }
        let share = twilight::share(elevation_deg);
        if share > 0.0 {
            let wanted = distance * twilight::illuminance(elevation_deg) - integrals::lux(beam, self.grid);
            let level = 1.0 - share + share * wanted.max(0.0) / integrals::lux(sky, self.grid).max(f64::MIN_POSITIVE);
            sky.iter_mut().for_each(|s| *s *= level);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::simulator::integrals::{lux, uv_index};

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

    /// Published: Janiczek & DeYoung 1987, below 2°; and civil twilight ends at 3.4 lx (bevy_light 0.20.1, `light_consts::lux::CIVIL_TWILIGHT`).
    #[test]
    fn twilight_has_the_published_illuminances() {
        let sky = sky(300.0);
        for (elevation, want) in [(2.0, 1921.0), (0.0, 759.0), (-6.0, 3.41), (-12.0, 0.00806), (-18.0, 0.000_645)] {
            let got = lux(&at(&sky, elevation).total(), GRID);
            assert!((got / want - 1.0).abs() < 0.005, "{elevation}°: want {want} lx, got {got} lx");
        }
        assert_eq!(lux(&at(&sky, -20.0).total(), GRID), 0.0);
    }

    /// Identity: twilight is bluer than the sky at 4°, and orange light is missing by the Chappuis band.
    #[test]
    fn ozone_makes_twilight_blue() {
        let orange_to_blue = |ozone_du: f64, elevation: f64| {
            let light = at(&sky(ozone_du), elevation).total();
            light[600 - 270] / light[450 - 270]
        };
        let twilight = orange_to_blue(300.0, -6.0);
        assert!(twilight < 0.6 * orange_to_blue(300.0, 4.0), "{twilight}");
        assert!(orange_to_blue(400.0, -6.0) < 0.9 * twilight);
    }

    /// Identity: light has no jump between elevations of −19° and 90° but those of the published series, which falls by up to 1.3 %
    /// where two of its segments meet.
    #[test]
    fn light_increases_smoothly_with_elevation() {
        let sky = sky(300.0);
        let mut before = 0.0;
        for i in 0..10_880 {
            let now = lux(&at(&sky, -18.9 + f64::from(i) * 0.01).total(), GRID);
            assert!(now >= 0.987 * before && (before == 0.0 || now / before < 1.1), "{i}: {before} to {now} lx");
            before = now;
        }
    }
}
