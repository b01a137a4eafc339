//! The checked configuration, in SI units: the form that the program uses.
//!
//! Plain data; built by [`super`]. Invariant: holds no text that still has to be parsed.

use crate::clock::UtcMicros;
use crate::dialect::Dialect;
use crate::quantities::SourceRule;
use crate::record::DarkSource;
use crate::sun::{self, Place, Sun};
use jiff::tz::TimeZone;
use std::path::PathBuf;
use std::sync::Arc;

/// The configuration of one daemon.
#[derive(Clone, Debug)]
pub struct Config {
    /// `[station]`.
    pub station: Station,
    /// `[store]`.
    pub store: StoreConfig,
    /// `[[instrument]]`, at least one.
    pub instruments: Vec<InstrumentConfig>,
    /// The text of the file, to be stored in the database.
    pub text: String,
}

/// Light source of the station; decides the source rule of quantities and some limits.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum StationKind {
    /// Sun and sky.
    Roof,
    /// Sun and sky under glazing, with or without lamps.
    Glasshouse,
    /// Lamps only.
    Lamp,
}

impl StationKind {
    /// The name in the configuration.
    pub fn name(self) -> &'static str {
        match self {
            Self::Roof => "roof",
            Self::Glasshouse => "glasshouse",
            Self::Lamp => "lamp",
        }
    }
    /// Whether the sun contributes light.
    pub fn sunlit(self) -> bool {
        self != Self::Lamp
    }
}

/// `[station]`.
#[derive(Clone, Debug)]
pub struct Station {
    /// Name of the station.
    pub name: String,
    /// Its light source.
    pub kind: StationKind,
    /// Coordinates.
    pub place: Place,
    /// IANA time zone.
    pub time_zone: TimeZone,
    /// Start of the day, in local standard time [s after midnight].
    pub day_starts_at_s: u32,
    /// Mains frequency [Hz]; 0 where no mains-driven light is seen.
    pub mains_hz: f64,
    /// Whether lamps under the glazing emit ultraviolet; false under any other kind.
    pub ultraviolet_lamps: bool,
    /// Local times at which lamps are on [s after local midnight], start inclusive, end exclusive; a window may cross midnight.
    /// Empty where unknown.
    pub lamps_s: Vec<(u32, u32)>,
    /// Angle between the light of the lamps and the vertical [degrees]; `None`: their light comes from everywhere.
    pub lamp_incidence_deg: Option<f64>,
    /// The glazing; `None` under any other kind than `glasshouse`.
    pub glazing: Option<GlazingConfig>,
    /// Rules of daily figures.
    pub days: DailyConfig,
}

impl Station {
    /// Position of the sun at an instant; `None` at a station without sunlight.
    pub fn sun_at(&self, t: UtcMicros) -> Option<Sun> {
        self.kind.sunlit().then(|| sun::position(self.place, t)).flatten()
    }

    /// The source rule of its quantities.
    ///
    /// Ultraviolet lamps under glazing call for the rule of lamps, which differs from the sun's in ultraviolet rows alone: the
    /// sun's rule leaves out everything below 290 nm and would understate them.
    pub fn source_rule(&self) -> SourceRule {
        if self.kind.sunlit() && !self.ultraviolet_lamps { SourceRule::Sun } else { SourceRule::Lamp }
    }
}

/// Whether the local time `local_s` [s after local midnight] is within a window, start inclusive, end exclusive; equal ends mean
/// the whole day.
pub fn in_window((start, end): (u32, u32), local_s: u32) -> bool {
    match start.cmp(&end) {
        std::cmp::Ordering::Less => (start..end).contains(&local_s),
        std::cmp::Ordering::Equal => true,
        std::cmp::Ordering::Greater => local_s >= start || local_s < end,
    }
}

/// Optical properties of glazing in the visible, with standard uncertainties [1].
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct GlazingConfig {
    /// Transmitted share of the light of sun and sky.
    pub transmission: f64,
    /// See `transmission`.
    pub transmission_uncertainty: f64,
    /// Scattered share of the transmitted beam of the sun.
    pub haze: f64,
    /// See `haze`.
    pub haze_uncertainty: f64,
}

/// `[daily]`.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct DailyConfig {
    /// Longest interval between two readings over which light is interpolated linearly [s]; a longer one is a gap.
    pub interpolate_up_to_s: f64,
    /// The photoperiod is the time above this photon flux density [µmol m⁻² s⁻¹].
    pub photoperiod_ppfd: f64,
    /// Threshold of the figure `hours_above` [µmol m⁻² s⁻¹].
    pub hours_above_ppfd: f64,
}

impl Default for DailyConfig {
    fn default() -> Self {
        Self { interpolate_up_to_s: 900.0, photoperiod_ppfd: 1.0, hours_above_ppfd: 200.0 }
    }
}

/// `[store]`.
#[derive(Clone, Debug)]
pub struct StoreConfig {
    /// The database file.
    pub path: PathBuf,
    /// Free space below which a warning is logged and stored [MB].
    pub free_space_floor_mb: u64,
    /// Retention of raw frames [months]; `None` keeps them without limit.
    pub keep_raw_months: Option<u32>,
}

/// One `[[instrument]]`.
#[derive(Clone, Debug)]
pub struct InstrumentConfig {
    /// Its name in the database.
    pub name: String,
    /// Path of the serial port, or `tcp://host:port`.
    pub link: PathBuf,
    /// Line rate [baud].
    pub baud: u32,
    /// The wire dialect.
    pub dialect: Arc<Dialect>,
    /// Calibration files; their validity periods do not overlap.
    pub calibrations: Vec<PathBuf>,
    /// Warm-up after power-on or connection [s].
    pub warm_up_s: f64,
    /// Times of readings.
    pub schedule: ScheduleConfig,
    /// Exposure control.
    pub exposure: ExposureConfig,
    /// Darks.
    pub darks: DarksConfig,
    /// Limits of plausibility, drift and uncertainty.
    pub limits: LimitsConfig,
}

/// `[instrument.schedule]`.
#[derive(Clone, Debug)]
pub struct ScheduleConfig {
    /// Cron expression with seconds, in UTC.
    pub cron: cron::Schedule,
    /// Readings only while the sun's elevation is above this [degrees].
    pub sun_above_deg: Option<f64>,
    /// Readings only while the sun's elevation is below this [degrees].
    pub sun_below_deg: Option<f64>,
    /// Readings only within this local-time window [s after local midnight], start inclusive, end exclusive; may cross midnight.
    pub local_window_s: Option<(u32, u32)>,
    /// Length of the window that a reading fills with exposures [s]; `None`: single shots.
    pub window_s: Option<f64>,
    /// Cron expression with seconds, in UTC: times of readings of the check source instead of the station's light.
    pub check_source: Option<cron::Schedule>,
}

/// `[instrument.exposure]`.
#[derive(Clone, Debug, PartialEq)]
pub struct ExposureConfig {
    /// Level to aim at for the brightest pixel in use, as a share of full scale [1].
    pub target_level: f64,
    /// Shortest integration time [s]; the instrument's own limit applies as well.
    pub integration_min_s: f64,
    /// Longest integration time [s]; the instrument's own limit applies as well.
    pub integration_max_s: f64,
    /// Longest duration of one reading, integration and transfer, without its darks [s].
    pub budget_s: f64,
    /// Exposures of the short bracket in a single shot, 1 to 4.
    pub exposures: u32,
    /// Ratio of the integration times of the long (ultraviolet) and the short bracket [1]; `None`: no bracketing.
    pub bracket_ratio: Option<f64>,
    /// Exposures of the ultraviolet bracket in a single shot, 1 to 4.
    pub bracket_exposures: u32,
    /// Frames to discard after a change of integration time or shutter (free-running detectors).
    pub discard_frames: u32,
    /// Relative change of the light between the exposures of a single shot that flags it `unsteady` [1].
    pub unsteady_share: f64,
}

/// `[instrument.darks]`.
#[derive(Clone, Debug, PartialEq)]
pub struct DarksConfig {
    /// Permitted sources of darks.
    pub sources: Vec<DarkSource>,
    /// Exposures averaged in one dark.
    pub exposures: u32,
    /// Age at which a matched dark is replaced [s].
    pub refresh_s: f64,
    /// Age beyond which a matched dark raises a flag [s].
    pub max_age_s: f64,
    /// Largest difference of detector temperature between a matched dark and the light it corrects [K].
    pub max_temperature_difference_k: f64,
    /// Sun elevation below which night darks may be taken [degrees].
    pub night_below_deg: f64,
    /// The most illuminance by night sky and distant lamps that may be in a night dark, beside moon and twilight [lx].
    pub night_sky_lx: f64,
    /// Interval at which the set of darks is renewed at night [s].
    pub night_every_s: f64,
    /// Age beyond which the dark model raises a flag [s].
    pub model_max_age_s: f64,
    /// Longest integration time in the set of darks [s].
    pub dark_set_max_s: f64,
}

/// `[instrument.limits]`.
#[derive(Clone, Debug, PartialEq)]
pub struct LimitsConfig {
    /// Sun elevation above which `low_sun` is not raised [degrees]; 90: wherever the effect is large enough.
    pub low_sun_deg: f64,
    /// Limits of `good` by quantity identifier: (relative, absolute in the quantity's unit), expanded (k = 2); defaults are the registry's.
    pub uncertainty: Vec<(String, f64, f64)>,
    /// Highest plausible photon flux density 400–700 nm of a lamp [µmol m⁻² s⁻¹].
    pub lamp_rating_ppfd: Option<f64>,
    /// Change of the dark offset since the baseline that raises `dark_drift` [counts].
    pub dark_offset_counts: f64,
    /// Relative change of the dark rate since the baseline that raises `dark_drift` [1].
    pub dark_rate_relative: f64,
    /// Shift of the wavelength scale that raises `wavelength_drift` [nm].
    pub wavelength_drift_nm: f64,
    /// Whether an estimated shift corrects the scale; otherwise it is only flagged.
    pub wavelength_apply: bool,
    /// Growth of the standard uncertainty of the scale in a year without a check [nm].
    pub wavelength_growth_nm_per_year: f64,
    /// Relative change of the response that raises `response_drift` [1].
    pub response_drift_relative: f64,
    /// Growth of the relative standard uncertainty of the response in a year without a check [1].
    pub response_growth_per_year: f64,
}
