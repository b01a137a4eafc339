//! The simulated station: combines scene, optic, temperature, disturbances and detector into exposures.
//!
//! Invariant: the truth of an exposure is the light that the detector received, before optic and slit.

use super::calibration_errors::{self, DrawnTerms};
use super::detector::{Detector, ExposureConditions};
use super::disturbances::{Disturbance, Disturbances, Effect};
use super::faults::{FaultKind, FaultRule, Faults, PixelFault};
use super::light::{Grid, Light};
use super::optic::OpticSettings;
use super::scenes::{Scene, playback::PlaybackError};
use super::settings::{Settings, SettingsError};
use super::thermal::Condition;
use super::truth::{TruthLog, TruthRecord};
use crate::clock::UtcMicros;
use crate::spectrum::g173::g173;
use crate::sun::{self, Place};

/// Why a simulated station cannot be built.
#[derive(Debug, thiserror::Error)]
pub enum SimulatorError {
    /// Settings out of range.
    #[error(transparent)]
    Settings(#[from] SettingsError),
    /// A file of light that cannot be used.
    #[error(transparent)]
    Playback(#[from] PlaybackError),
}

/// The simulated station.
pub struct SimulatedStation {
    settings: Settings,
    /// Faults of line and electronics.
    pub(super) faults: Faults,
    disturbances: Disturbances,
    /// Log of the truth.
    pub truth: TruthLog,
    detector: Detector,
    scene: Box<dyn Scene>,
    grid: Grid,
    switched_on: UtcMicros,
    light: Light,
    received: Vec<f64>,
}

impl SimulatedStation {
    /// A station whose instrument is switched on at `switched_on`, with the scene of its settings.
    pub fn new(settings: &Settings, switched_on: UtcMicros) -> Result<Self, SimulatorError> {
        settings.check()?;
        let scene = settings.scene.build(Self::grid_of(settings), settings.seed, switched_on)?;
        Self::with_scene(settings, switched_on, scene)
    }

    /// A station with another scene than that of its settings.
    pub fn with_scene(
        settings: &Settings,
        switched_on: UtcMicros,
        scene: Box<dyn Scene>,
    ) -> Result<Self, SimulatorError> {
        settings.check()?;
        let grid = Self::grid_of(settings);
        let sun = g173();
        let daylight = grid.sample(&sun.wavelength_nm, &sun.global_tilt);
        let mut detector = Detector::new(&settings.detector, settings.seed, grid, &daylight);
        detector.pixel_faults.clone_from(&settings.pixel_fault);
        if let Some(ratio) = calibration_errors::floor_outside_band(&settings.certificate) {
            detector.set_floor_outside(settings.certificate.floor_band_nm, ratio);
        }
        if settings.certificate.drawn_errors.is_some() {
            let (drawn, u) = (DrawnTerms::new(&settings.certificate), settings.certificate.wavelength_variation_nm);
            detector.deviate_scale(|nm| u * drawn.along_scale(nm));
        }
        Ok(Self {
            faults: Faults::new(settings.fault.clone(), settings.seed),
            disturbances: Disturbances::new(settings.disturbance.clone(), settings.seed),
            truth: TruthLog::none(),
            detector,
            scene,
            grid,
            switched_on,
            light: Light::dark(grid),
            received: vec![0.0; grid.nodes],
            settings: settings.clone(),
        })
    }

    /// The grid of light and truth for these settings: 10 nm beyond the wavelengths of the pixels.
    pub fn grid_of(settings: &Settings) -> Grid {
        let c = &settings.detector.wavelength_coefficients;
        let at = |p: f64| c.iter().rev().fold(0.0, |sum, c| sum * p + c);
        let last = settings.detector.pixels.saturating_sub(1) as f64;
        Grid::around(at(0.0), at(last), 2.5 * settings.detector.fwhm_nm + 5.0)
    }

    /// The settings, with all changes since the start.
    pub fn settings(&self) -> &Settings {
        &self.settings
    }

    /// When the instrument was switched on.
    pub fn switched_on(&self) -> UtcMicros {
        self.switched_on
    }

    /// The grid of light and truth.
    pub fn grid(&self) -> Grid {
        self.grid
    }

    /// The detector.
    pub fn detector(&self) -> &Detector {
        &self.detector
    }

    /// The detector, to be changed.
    pub fn detector_mut(&mut self) -> &mut Detector {
        &mut self.detector
    }

    /// Changes the ambient temperature: daily mean [°C] and amplitude [K].
    pub fn set_ambient(&mut self, mean_c: f64, amplitude_k: f64) {
        self.settings.ambient.mean_c = mean_c;
        self.settings.ambient.amplitude_k = amplitude_k;
    }

    /// Replaces the entrance optic.
    pub fn set_optic(&mut self, optic: OpticSettings) {
        self.settings.optic = optic;
    }

    /// Replaces the fault rules.
    pub fn set_faults(&mut self, rules: Vec<FaultRule>) {
        self.faults.replace(rules);
    }

    /// Replaces the disturbances.
    pub fn set_disturbances(&mut self, disturbances: Vec<Disturbance>) {
        self.settings.disturbance.clone_from(&disturbances);
        self.disturbances = Disturbances::new(disturbances, self.settings.seed);
    }

    /// Effect of all disturbances at an instant.
    fn disturbance_effect(&self, t: UtcMicros) -> Effect {
        if self.disturbances.is_empty() {
            return self.disturbances.at(t, None);
        }
        let s = &self.settings.scene;
        let (latitude_deg, longitude_deg, altitude_m) = (s.latitude_deg, s.longitude_deg, s.altitude_m);
        self.disturbances.at(t, sun::position(Place { latitude_deg, longitude_deg, altitude_m }, t))
    }

    /// Replaces the pixel faults.
    pub fn set_pixel_faults(&mut self, faults: Vec<PixelFault>) {
        self.detector.pixel_faults = faults;
    }

    /// Sets the factor on all dark currents.
    pub fn set_dark_factor(&mut self, factor: f64) {
        self.detector.settings.dark_factor = factor;
    }

    /// Replaces the scene.
    pub fn set_scene(&mut self, scene: Box<dyn Scene>) {
        self.scene = scene;
    }

    /// Switches noise on or off.
    pub fn set_noise(&mut self, on: bool) {
        self.detector.noise = on;
    }

    /// State of the detector at an instant.
    pub fn condition(&self, t: UtcMicros) -> Condition {
        let air = self.settings.ambient.at(self.settings.scene.longitude_deg, t);
        self.settings.warm_up.condition(air, self.switched_on, t)
    }

    /// Mean light over an interval, before the optic.
    pub fn light(&mut self, start: UtcMicros, length_s: f64) -> &Light {
        self.scene.mean_light(start, length_s, &mut self.light);
        &self.light
    }

    /// Takes one exposure with the shutter commanded open or closed. Returns the truth, without its CRC, only if the log is enabled.
    pub fn expose(&mut self, start: UtcMicros, length_s: f64, open: bool) -> (Vec<u32>, Option<TruthRecord>) {
        let open = if self.faults.is_active(FaultKind::ShutterStuckOpen, start) {
            true
        } else {
            open && !self.faults.is_active(FaultKind::ShutterStuckClosed, start)
        };
        let with_truth = self.truth.is_enabled();
        if open || with_truth {
            self.scene.mean_light(start, length_s, &mut self.light);
        }
        let (beam, sky) = (self.settings.optic.beam(self.light.beam_zenith_deg), self.settings.optic.sky());
        let middle = start.plus_seconds(0.5 * length_s);
        let effect = self.disturbance_effect(middle);
        let (beam, sky) = (beam * effect.beam + sky * effect.beam_to_sky, sky * effect.sky);
        for (received, (b, s)) in self.received.iter_mut().zip(self.light.beam.iter().zip(&self.light.sky)) {
            *received = beam * b + sky * s;
        }
        let mut condition = self.condition(middle);
        condition.extra_shift_nm += effect.shift_nm;
        let conditions = ExposureConditions {
            start,
            length_s,
            open,
            condition,
            age_s: start.seconds_since(self.switched_on),
            response: effect.response,
            dark: effect.dark,
        };
        let counts = self.detector.expose(&self.received, conditions);
        let truth = with_truth.then(|| TruthRecord {
            start,
            length_s,
            crc32: 0,
            shutter_open: open,
            first_nm: self.grid.first_nm,
            irradiance_w_m2_nm: self.light.total(),
        });
        (counts, truth)
    }
}
