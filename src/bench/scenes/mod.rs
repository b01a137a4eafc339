//! Scenes: what light there is, as a function of time alone.
//!
//! A scene answers with the mean over a span, and that mean is both what the detector collects and what the truth says.
//! It draws no sequential random numbers: weather is hashed from the seed and the time, so that two processes, or two
//! questions in any order, get the same answer.

pub mod playback;

use super::light::{Grid, Light};
use crate::clock::UtcMicros;
use playback::Playback;
use serde::Deserialize;
use std::path::PathBuf;

/// Light as a function of time.
pub trait Scene: Send {
    /// Sets `light` to the mean from `start` over `length_s` [s].
    fn mean_light(&mut self, start: UtcMicros, length_s: f64, light: &mut Light);
}

/// Which scene.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Deserialize, clap::ValueEnum)]
#[serde(rename_all = "snake_case")]
pub enum SceneKind {
    /// Sun and sky over a roof.
    #[default]
    Roof,
    /// The same under glass, with lamps.
    Glasshouse,
    /// A white lamp that ages.
    Lamp,
    /// The spectrum of a file, for ever.
    Spectrum,
}

/// The sky's mood.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Deserialize, clap::ValueEnum)]
#[serde(rename_all = "snake_case")]
pub enum SkyKind {
    /// No clouds.
    #[default]
    Clear,
    /// Clouds that come and go within minutes.
    Broken,
    /// A closed deck.
    Overcast,
}

/// The scene's parameters.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct SceneSettings {
    /// Which scene.
    pub kind: SceneKind,
    /// The sky's mood, for `roof` and `glasshouse`.
    pub sky: SkyKind,
    /// Latitude [degrees], north positive.
    pub latitude_deg: f64,
    /// Longitude [degrees], east positive.
    pub longitude_deg: f64,
    /// Height above sea level [m].
    pub altitude_m: f64,
    /// Column ozone [DU].
    pub ozone_du: f64,
    /// A spectrum file: the light of scene `spectrum`.
    pub spectrum: Option<PathBuf>,
    /// A file of `time_utc,factor` rows by which any scene is multiplied, linear between and held beyond its ends.
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
    }

    /// Builds the scene on a grid.
    pub fn build(&self, grid: Grid, _seed: u64) -> Result<Box<dyn Scene>, playback::PlaybackError> {
        let scene: Box<dyn Scene> = match self.kind {
            _ => Box::new(Playback::from_file(self.spectrum.as_deref(), grid)?),
        };
        Ok(scene)
    }
}
