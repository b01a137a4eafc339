//! The bench as a whole: scene, head, climate and detector, put together for one exposure at a time.
//!
//! What the truth says of an exposure is the very light the detector was given.

use super::certificate;
use super::detector::{AcquisitionContext, Detector};
use super::disturbances::{Disturbance, Disturbances, Toll};
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

/// Why a bench cannot be built.
#[derive(Debug, thiserror::Error)]
pub enum BenchError {
    /// Settings out of range.
    #[error(transparent)]
    Settings(#[from] SettingsError),
    /// A played-back file.
    #[error(transparent)]
    Playback(#[from] PlaybackError),
}

/// The virtual world.
pub struct Bench {
    settings: Settings,
    /// What goes wrong.
    pub(super) faults: Faults,
    disturbances: Disturbances,
    /// Where truths go.
    pub truth: TruthLog,
    detector: Detector,
    scene: Box<dyn Scene>,
    grid: Grid,
    began: UtcMicros,
    light: Light,
    seen: Vec<f64>,
}

impl Bench {
    /// A bench switched on at `began`, with the scene its settings name.
    pub fn new(settings: &Settings, began: UtcMicros) -> Result<Self, BenchError> {
        settings.check()?;
        let scene = settings.scene.build(Self::grid_of(settings), settings.seed, began)?;
        Self::with_scene(settings, began, scene)
    }

    /// The same with a scene of the caller's.
    pub fn with_scene(settings: &Settings, began: UtcMicros, scene: Box<dyn Scene>) -> Result<Self, BenchError> {
        settings.check()?;
        let grid = Self::grid_of(settings);
        let sun = g173();
        let daylight = grid.sample(&sun.wavelength_nm, &sun.global_tilt);
        let mut detector = Detector::new(&settings.detector, settings.seed, grid, &daylight);
        detector.pixel_faults.clone_from(&settings.pixel_fault);
        if let Some(ratio) = certificate::floor_outside_band(&settings.certificate) {
            detector.set_floor_outside(settings.certificate.floor_band_nm, ratio);
        }
        Ok(Self {
            faults: Faults::new(settings.fault.clone(), settings.seed),
            disturbances: Disturbances::new(settings.disturbance.clone(), settings.seed),
            truth: TruthLog::none(),
            detector,
            scene,
            grid,
            began,
            light: Light::dark(grid),
            seen: vec![0.0; grid.nodes],
            settings: settings.clone(),
        })
    }

    /// The grid of light and truth for these settings: 10 nm beyond what the pixels look at.
    pub fn grid_of(settings: &Settings) -> Grid {
        let c = &settings.detector.wavelength_coefficients;
        let at = |p: f64| c.iter().rev().fold(0.0, |sum, c| sum * p + c);
        let last = settings.detector.pixels.saturating_sub(1) as f64;
        Grid::around(at(0.0), at(last), 2.5 * settings.detector.fwhm_nm + 5.0)
    }

    /// What it was built from, with the changes since.
    pub fn settings(&self) -> &Settings {
        &self.settings
    }

    /// When it was switched on.
    pub fn began(&self) -> UtcMicros {
        self.began
    }

    /// The grid of light and truth.
    pub fn grid(&self) -> Grid {
        self.grid
    }

    /// The detector.
    pub fn detector(&self) -> &Detector {
        &self.detector
    }

    /// The detector, to look at or change.
    pub fn detector_mut(&mut self) -> &mut Detector {
        &mut self.detector
    }

    /// Other air from now on: daily mean [°C] and amplitude [K].
    pub fn set_ambient(&mut self, mean_c: f64, amplitude_k: f64) {
        self.settings.ambient.mean_c = mean_c;
        self.settings.ambient.amplitude_k = amplitude_k;
    }

    /// Another head from now on.
    pub fn set_optic(&mut self, optic: OpticSettings) {
        self.settings.optic = optic;
    }

    /// Other faults from now on.
    pub fn set_faults(&mut self, rules: Vec<FaultRule>) {
        self.faults.replace(rules);
    }

    /// Other disturbances from now on.
    pub fn set_mishaps(&mut self, disturbances: Vec<Disturbance>) {
        self.settings.disturbance.clone_from(&disturbances);
        self.disturbances = Disturbances::new(disturbances, self.settings.seed);
    }

    /// What disturbances make of light and detector at an instant.
    fn toll(&self, t: UtcMicros) -> Toll {
        if self.disturbances.is_empty() {
            return self.disturbances.at(t, None);
        }
        let s = &self.settings.scene;
        let (latitude_deg, longitude_deg, altitude_m) = (s.latitude_deg, s.longitude_deg, s.altitude_m);
        self.disturbances.at(t, sun::position(Place { latitude_deg, longitude_deg, altitude_m }, t))
    }

    /// Other bad pixels from now on.
    pub fn set_pixel_faults(&mut self, faults: Vec<PixelFault>) {
        self.detector.pixel_faults = faults;
    }

    /// All dark currents times `factor` from now on.
    pub fn set_dark_factor(&mut self, factor: f64) {
        self.detector.settings.dark_factor = factor;
    }

    /// Another scene from now on.
    pub fn set_scene(&mut self, scene: Box<dyn Scene>) {
        self.scene = scene;
    }

    /// Noise on or off from now on.
    pub fn set_noise(&mut self, on: bool) {
        self.detector.noise = on;
    }

    /// The detector's state at an instant.
    pub fn condition(&self, t: UtcMicros) -> Condition {
        let air = self.settings.ambient.at(self.settings.scene.longitude_deg, t);
        self.settings.warm_up.condition(air, self.began, t)
    }

    /// Mean light over a span, before the head.
    pub fn light(&mut self, start: UtcMicros, length_s: f64) -> &Light {
        self.scene.mean_light(start, length_s, &mut self.light);
        &self.light
    }

    /// Exposes once with the shutter commanded open or closed; the truth (without its CRC) only if somebody wants it.
    pub fn expose(&mut self, start: UtcMicros, length_s: f64, open: bool) -> (Vec<u32>, Option<TruthRecord>) {
        let open = if self.faults.lasts(FaultKind::ShutterStuckOpen, start) {
            true
        } else {
            open && !self.faults.lasts(FaultKind::ShutterStuckClosed, start)
        };
        let wanted = self.truth.wanted();
        if open || wanted {
            self.scene.mean_light(start, length_s, &mut self.light);
        }
        let (beam, sky) = (self.settings.optic.beam(self.light.beam_zenith_deg), self.settings.optic.sky());
        let middle = start.plus_seconds(0.5 * length_s);
        let toll = self.toll(middle);
        let (beam, sky) = (beam * toll.beam + sky * toll.beam_to_sky, sky * toll.sky);
        for (seen, (b, s)) in self.seen.iter_mut().zip(self.light.beam.iter().zip(&self.light.sky)) {
            *seen = beam * b + sky * s;
        }
        let mut condition = self.condition(middle);
        condition.extra_shift_nm += toll.shift_nm;
        let now = AcquisitionContext {
            start,
            length_s,
            open,
            condition,
            age_s: start.seconds_since(self.began),
            response: toll.response,
            dark: toll.dark,
        };
        let counts = self.detector.expose(&self.seen, now);
        let truth = wanted.then(|| TruthRecord {
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
