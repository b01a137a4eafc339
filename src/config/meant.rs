//! The configuration as meant: checked, in real units, the only form that travels through the program.
//!
//! Written by [`super`] from the file as written; holds no text that still has to be understood.

use crate::clock::UtcMicros;
use crate::quantities::SourceRule;
use crate::record::DarkSource;
use crate::sun::{self, Place, Sun};
use std::path::PathBuf;

/// Everything one daemon needs to know.
#[derive(Clone, Debug)]
pub struct Config {
    /// The site.
    pub station: Station,
    /// The database.
    pub store: StoreConfig,
    /// At least one.
    pub instruments: Vec<InstrumentConfig>,
    /// The file as written, for the record.
    pub text: String,
}

/// What lights the station; decides the source rules of quantities and some limits.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum StationKind {
    /// Sun and sky.
    Roof,
    /// Sun and sky under glazing, perhaps with lamps.
    Glasshouse,
    /// A lamp.
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
    /// Whether the sun is (part of) the source.
    pub fn sunlit(self) -> bool {
        self != Self::Lamp
    }
}

/// `[station]`.
#[derive(Clone, Debug)]
pub struct Station {
    /// Its name.
    pub name: String,
    /// What lights it.
    pub kind: StationKind,
    /// Where it is.
    pub place: Place,
    /// IANA time zone.
    pub time_zone: crate::zone::Zone,
    /// Start of the day, in local standard time [s after midnight].
    pub day_starts_at_s: u32,
    /// Mains frequency [Hz]; 0 where no mains-driven light is seen.
    pub mains_hz: f64,
    /// Whether lamps under the glazing emit ultraviolet; false under any other kind.
    pub ultraviolet_lamps: bool,
    /// When lamps shine, by the clock on the wall [s after local midnight], start inclusive, end exclusive; may wrap
    /// midnight. Empty where it is not known.
    pub lamps_s: Vec<(u32, u32)>,
    /// How figures of days are made.
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

/// Whether a clock on the wall that shows `local_s` [s after local midnight] is within a window, start inclusive, end
/// exclusive; equal ends are all day.
pub fn in_window((start, end): (u32, u32), local_s: u32) -> bool {
    match start.cmp(&end) {
        std::cmp::Ordering::Less => (start..end).contains(&local_s),
        std::cmp::Ordering::Equal => true,
        std::cmp::Ordering::Greater => local_s >= start || local_s < end,
    }
}

/// `[daily]`.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct DailyConfig {
    /// Longest time between two readings over which the light is taken as straight [s]; a longer one is a gap.
    pub interpolate_up_to_s: f64,
    /// Photon flux density above which it counts as light in the photoperiod [µmol m⁻² s⁻¹].
    pub photoperiod_ppfd: f64,
    /// Photon flux density of the hours above one [µmol m⁻² s⁻¹].
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
    /// Free space below which the owner is told [MB].
    pub free_space_floor_mb: u64,
    /// How long raw frames are kept [months]; `None` keeps them for ever.
    pub keep_raw_months: Option<u32>,
}

/// One `[[instrument]]`.
#[derive(Clone, Debug)]
pub struct InstrumentConfig {
    /// Its name in the database.
    pub name: String,
    /// Path of the serial port.
    pub link: PathBuf,
    /// Line rate [baud].
    pub baud: u32,
    /// Name of the wire dialect; only `scpi` so far.
    pub dialect: String,
    /// Calibration files, validity ranges apart.
    pub calibrations: Vec<PathBuf>,
    /// Warm-up after power-on or connection [s].
    pub warm_up_s: f64,
    /// When to read.
    pub schedule: ScheduleConfig,
    /// How to expose.
    pub exposure: ExposureConfig,
    /// How to have darks.
    pub darks: DarksConfig,
    /// What to believe.
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
    /// Readings only within this local-time window [s after local midnight], start inclusive, end exclusive; may wrap midnight.
    pub local_window_s: Option<(u32, u32)>,
    /// Length of the window a reading fills [s]; `None` is a single shot.
    pub window_s: Option<f64>,
    /// Cron expression with seconds, in UTC: when the check source is looked at instead of the station's light.
    pub check_source: Option<cron::Schedule>,
}

/// `[instrument.exposure]`.
#[derive(Clone, Debug, PartialEq)]
pub struct ExposureConfig {
    /// Fill of the brightest pixel in use to aim at [1], of full scale.
    pub target_level: f64,
    /// Shortest integration time to use [s]; the instrument's own limit holds as well.
    pub integration_min_s: f64,
    /// Longest integration time to use [s].
    pub integration_max_s: f64,
    /// Time one reading may take in all, light and transfer, darks apart [s].
    pub budget_s: f64,
    /// Exposures of the short bracket in a single shot, 1 to 4.
    pub exposures: u32,
    /// How many times longer the ultraviolet bracket is; `None` takes no bracketing.
    pub bracket_ratio: Option<f64>,
    /// Exposures of the ultraviolet bracket in a single shot, 1 to 4.
    pub bracket_exposures: u32,
    /// Frames to throw away after a change of integration time (free-running detectors).
    pub discard_frames: u32,
    /// Change of the light between the exposures of a single shot that makes it `unsteady` [1].
    pub unsteady_share: f64,
}

/// `[instrument.darks]`.
#[derive(Clone, Debug, PartialEq)]
pub struct DarksConfig {
    /// Where darks may come from.
    pub sources: Vec<DarkSource>,
    /// Exposures averaged in one dark.
    pub exposures: u32,
    /// Age at which a matched dark is taken anew [s].
    pub refresh_s: f64,
    /// Age beyond which a matched dark no longer serves without a doubt [s].
    pub max_age_s: f64,
    /// Difference of detector temperature a matched dark may have [K].
    pub max_temperature_difference_k: f64,
    /// Sun elevation below which night frames may serve [degrees].
    pub night_below_deg: f64,
    /// How often the library is renewed at night [s].
    pub night_every_s: f64,
    /// Age beyond which the dark model no longer serves without a doubt [s].
    pub model_max_age_s: f64,
    /// Longest integration time of the library's grid [s].
    pub dark_set_max_s: f64,
}

/// `[instrument.limits]`.
#[derive(Clone, Debug, PartialEq)]
pub struct LimitsConfig {
    /// Sun elevation below which the optic's cosine response is not trusted [degrees].
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
    /// Whether a shift that was found is applied to the scale rather than only flagged.
    pub wavelength_apply: bool,
    /// What the scale may move by in a year without a check, one standard uncertainty [nm].
    pub wavelength_growth_nm_per_year: f64,
    /// Relative change of the response that raises `response_drift` [1].
    pub response_drift_relative: f64,
    /// What the response may change by in a year without a check, one standard uncertainty [1].
    pub response_growth_per_year: f64,
}
