//! Scenes: light as a function of time alone.
//!
//! A scene returns the mean light over an interval, which the detector receives and the truth records.
//!
//! Invariant: weather is a hash of seed and time, not a sequence of random numbers, so that the light does not depend on the order of
//! calls or the process.

pub mod clouds;
pub mod glasshouse;
pub mod lamp;
pub mod playback;
pub mod roof;

use super::air::AirSettings;
use super::light::{Grid, Light};
use crate::clock::UtcMicros;
use glasshouse::Glasshouse;
use lamp::Lamp;
use playback::{Modulated, Playback, PlaybackError};
use roof::Roof;
use serde::Deserialize;
use std::path::PathBuf;

/// Light as a function of time.
pub trait Scene: Send {
    /// Sets `light` to the mean over `length_s` [s] from `start`.
    fn mean_light(&mut self, start: UtcMicros, length_s: f64, light: &mut Light);
}

/// Kind of scene.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Deserialize, clap::ValueEnum)]
#[serde(rename_all = "snake_case")]
pub enum SceneKind {
    /// Sun and sky over a roof.
    #[default]
    Roof,
    /// Sun and sky under glazing, with lamps.
    Glasshouse,
    /// An ageing white lamp.
    Lamp,
    /// The constant spectrum of a file.
    Spectrum,
}

/// Cloud cover.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Deserialize, clap::ValueEnum)]
#[serde(rename_all = "snake_case")]
pub enum SkyKind {
    /// No clouds.
    #[default]
    Clear,
    /// Broken clouds that change within minutes.
    Broken,
    /// Overcast.
    Overcast,
    /// One of the three each day: half of the days clear, 30 % broken, 20 % overcast.
    Changing,
}

/// Parameters of the scene.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct SceneSettings {
    /// Kind of scene.
    pub kind: SceneKind,
    /// `roof`, `glasshouse`: cloud cover.
    pub sky: SkyKind,
    /// Latitude [degrees], north positive.
    pub latitude_deg: f64,
    /// Longitude [degrees], east positive.
    pub longitude_deg: f64,
    /// Height above sea level [m].
    pub altitude_m: f64,
    /// Ozone column of an atmosphere that does not vary [DU].
    pub ozone_du: f64,
    /// Variation of the atmosphere from day to day.
    pub air: AirSettings,
    /// Mean duration of a cloud or a gap under broken clouds [min].
    pub cloud_min: f64,
    /// Illuminance of a street lamp while the sun is below −2° [lx]; 0 for none.
    pub street_lamp_lux: f64,
    /// Illuminance of the full moon in the zenith at mean distance [lx] (about 0.27 outdoors); 0 for no moon.
    pub moon_lux: f64,
    /// Mains frequency [Hz]; lamps ripple at twice this frequency.
    pub mains_hz: u32,
    /// `glasshouse`: wavelength of half the visible transmission [nm].
    pub glazing_edge_nm: f64,
    /// `glasshouse`: transmission of the glazing in the visible [1].
    pub glazing_transmission: f64,
    /// `glasshouse`: photon flux of the lamps, 400–700 nm [µmol m⁻² s⁻¹].
    pub lamps_ppfd: f64,
    /// `glasshouse`: lamps on, mean solar time [h].
    pub lamps_on_hour: f64,
    /// `glasshouse`: lamps off, mean solar time [h], later than on.
    pub lamps_off_hour: f64,
    /// `glasshouse`: ripple of the lamps, (max − min)/(max + min) [1].
    pub lamps_ripple: f64,
    /// `lamp`: illuminance of the new lamp [lx].
    pub lamp_lux: f64,
    /// `lamp`: time on in a cycle [min].
    pub lamp_on_min: f64,
    /// `lamp`: time off in a cycle [min].
    pub lamp_off_min: f64,
    /// `lamp`: burning hours before the start [h].
    pub lamp_burnt_h: f64,
    /// `lamp`: relative loss of all light in 1000 burning hours [1].
    pub lamp_fade_per_1000h: f64,
    /// `lamp`: additional relative loss of the phosphor's light in 1000 burning hours [1].
    pub lamp_phosphor_fade_per_1000h: f64,
    /// `lamp`: shift of the blue peak in 1000 burning hours [nm].
    pub lamp_blue_shift_nm_per_1000h: f64,
    /// `lamp`: ripple, (max − min)/(max + min) [1]; 0 for a driver without ripple.
    pub lamp_ripple: f64,
    /// `spectrum`: the spectrum file.
    pub spectrum: Option<PathBuf>,
    /// A file of `time_utc,factor` rows that multiplies any scene; linear between the rows and constant beyond them.
    pub modulation: Option<PathBuf>,
}

impl Default for SceneSettings {
    fn default() -> Self {
        Self {
            kind: SceneKind::Roof,
            sky: SkyKind::Clear,
            latitude_deg: 48.0,
            longitude_deg: 11.0,
            altitude_m: 300.0,
            ozone_du: 300.0,
            air: AirSettings::default(),
            cloud_min: 3.0,
            street_lamp_lux: 0.0,
            moon_lux: 0.0,
            mains_hz: 50,
            glazing_edge_nm: 370.0,
            glazing_transmission: 0.88,
            lamps_ppfd: 200.0,
            lamps_on_hour: 5.0,
            lamps_off_hour: 21.0,
            lamps_ripple: 0.3,
            lamp_lux: 10_000.0,
            lamp_on_min: 165.0,
            lamp_off_min: 15.0,
            lamp_burnt_h: 0.0,
            lamp_fade_per_1000h: 0.03,
            lamp_phosphor_fade_per_1000h: 0.02,
            lamp_blue_shift_nm_per_1000h: 0.1,
            lamp_ripple: 0.0,
            spectrum: None,
            modulation: None,
        }
    }
}

impl SceneSettings {
    pub(super) fn check(&self, range: &mut impl FnMut(&str, f64, f64, f64)) {
        range("scene.latitude_deg", self.latitude_deg, -90.0, 90.0);
        range("scene.longitude_deg", self.longitude_deg, -180.0, 180.0);
        range("scene.altitude_m", self.altitude_m, -400.0, 9000.0);
        range("scene.ozone_du", self.ozone_du, 50.0, 700.0);
        self.air.check(range);
        range("scene.cloud_min", self.cloud_min, 1.5, 600.0);
        range("scene.street_lamp_lux", self.street_lamp_lux, 0.0, 1e5);
        range("scene.moon_lux", self.moon_lux, 0.0, 1e5);
        range("scene.mains_hz", f64::from(self.mains_hz), 0.0, 1000.0);
        range("scene.glazing_edge_nm", self.glazing_edge_nm, 200.0, 1000.0);
        range("scene.glazing_transmission", self.glazing_transmission, 0.0, 1.0);
        range("scene.lamps_ppfd", self.lamps_ppfd, 0.0, 1e4);
        range("scene.lamps_on_hour", self.lamps_on_hour, 0.0, 24.0);
        range("scene.lamps_off_hour", self.lamps_off_hour, self.lamps_on_hour, 24.0);
        range("scene.lamps_ripple", self.lamps_ripple, 0.0, 1.0);
        range("scene.lamp_lux", self.lamp_lux, 0.0, 1e6);
        range("scene.lamp_on_min", self.lamp_on_min, 1e-3, 1e6);
        range("scene.lamp_off_min", self.lamp_off_min, 0.0, 1e6);
        range("scene.lamp_burnt_h", self.lamp_burnt_h, 0.0, 1e6);
        range("scene.lamp_fade_per_1000h", self.lamp_fade_per_1000h, -1.0, 10.0);
        range("scene.lamp_phosphor_fade_per_1000h", self.lamp_phosphor_fade_per_1000h, -1.0, 10.0);
        range("scene.lamp_blue_shift_nm_per_1000h", self.lamp_blue_shift_nm_per_1000h, -50.0, 50.0);
        range("scene.lamp_ripple", self.lamp_ripple, 0.0, 1.0);
    }

    /// Builds the scene on a grid; `switched_on` is the start of the lamp's first cycle.
    pub fn build(&self, grid: Grid, seed: u64, switched_on: UtcMicros) -> Result<Box<dyn Scene>, PlaybackError> {
        let scene: Box<dyn Scene> = match self.kind {
            SceneKind::Roof => Box::new(Roof::new(self, seed, grid)),
            SceneKind::Glasshouse => Box::new(Glasshouse::new(self, Box::new(Roof::new(self, seed, grid)), grid)),
            SceneKind::Lamp => Box::new(Lamp::new(self, switched_on, grid)),
            SceneKind::Spectrum => Box::new(Playback::from_file(self.spectrum.as_deref(), grid)?),
        };
        Ok(match &self.modulation {
            Some(path) => Box::new(Modulated::from_file(scene, path)?),
            None => scene,
        })
    }
}
