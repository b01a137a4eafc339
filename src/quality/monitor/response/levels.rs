//! The sources of response levels: the clear sky of a day, the lamps of a night, or a check source.
//!
//! Collects samples until a day or a night is over, and then computes its level. Pure. Invariant: a level uses samples of one mean solar day,
//! or of one night, only.

use super::super::sample::Sample;
use super::day::{self, Level};
use crate::clock::UtcMicros;
use crate::config::{InstrumentConfig, Station, StationKind};
use crate::numeric::{median, ranked};
use crate::record::Reading;

/// Elevation of the sun below which lamps are the only light [degrees]: the end of civil twilight.
const NIGHT_BELOW_DEG: f64 = -6.0;
/// Number of readings of the level of a night, at least.
const NIGHT_READINGS: usize = 5;
/// Photon flux density above which lamps are on [µmol m⁻² s⁻¹].
const LAMPS_ON_PPFD: f64 = 5.0;
/// Largest interquartile range of the light of a night over its median [1]: above, lamps were dimmed or partly off.
const NIGHT_RANGE: f64 = 0.03;

/// The light that is compared over weeks.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum LevelSource {
    /// The clear sky.
    ClearSky,
    /// Lamps at night.
    NightLamps,
    /// A check source.
    CheckSource,
}

impl LevelSource {
    /// That of a station; `None` for a lamp without a check source.
    pub fn of(station: &Station, instrument: &InstrumentConfig) -> Option<Self> {
        match (station.kind, &instrument.schedule.check_source) {
            (_, Some(_)) => Some(Self::CheckSource),
            (StationKind::Roof, None) => Some(Self::ClearSky),
            (StationKind::Glasshouse, None) => Some(Self::NightLamps),
            (StationKind::Lamp, None) => None,
        }
    }

    /// Whether a level is computed from the samples of many readings.
    pub fn collects_samples(self) -> bool {
        matches!(self, Self::ClearSky | Self::NightLamps)
    }
}

/// Collects the samples of a day or a night.
#[derive(Clone, Debug)]
pub struct LevelCollector {
    source: Option<LevelSource>,
    longitude_deg: f64,
    samples: Vec<Sample>,
}

/// Conditions of a sample.
#[derive(Clone, Copy, Debug)]
pub struct SampleContext {
    /// The optic is obstructed.
    pub obstructed: bool,
    /// Mains ripple has an unknown effect.
    pub flicker: bool,
    /// Known ratio of the station's light to the expected clear sky [1].
    pub expected_scale: f64,
}

impl LevelCollector {
    /// Without samples. longitude_deg: of the station, east positive [degrees].
    pub fn new(source: Option<LevelSource>, longitude_deg: f64) -> Self {
        Self { source, longitude_deg, samples: Vec::new() }
    }

    /// The light that is compared.
    pub fn source(&self) -> Option<LevelSource> {
        self.source
    }

    /// After a restart: takes the samples of the solar day of `now` from those of the last 24 hours.
    pub fn resume(&mut self, recent: &[Sample], now: UtcMicros) {
        if self.source.is_some_and(LevelSource::collects_samples) {
            self.samples = recent.iter().copied().filter(|s| self.day_of(s.time) == self.day_of(now)).collect();
        }
    }

    /// Number of samples of the current day or night.
    #[cfg(test)]
    pub fn sample_count(&self) -> usize {
        self.samples.len()
    }

    /// Discards the samples of the current day or night.
    pub fn clear(&mut self) {
        self.samples.clear();
    }

    /// Observes a sample of the station's light; returns the level of the day or night that it ends.
    pub fn observe_sample(&mut self, sample: Sample, context: SampleContext) -> Option<Level> {
        match self.source? {
            LevelSource::ClearSky => {
                let first = self.samples.first();
                let another_day = first.is_some_and(|s| self.day_of(s.time) != self.day_of(sample.time));
                let sun_up = sample.elevation_deg > 0.0;
                let ended = another_day || sample.elevation_deg < 0.0;
                let level = ended.then(|| self.close_day(context.expected_scale)).flatten();
                if sun_up && !context.obstructed {
                    self.samples.push(sample);
                }
                level
            }
            LevelSource::NightLamps if sample.elevation_deg >= NIGHT_BELOW_DEG => self.close_night(),
            LevelSource::NightLamps => {
                if sample.ppfd > LAMPS_ON_PPFD && !context.flicker {
                    self.samples.push(sample);
                }
                None
            }
            LevelSource::CheckSource => None,
        }
    }

    /// Observes a reading of the check source, with the photon flux density at index `ppfd` of its values.
    pub fn observe_check_source(&self, reading: &Reading, ppfd: usize) -> Option<Level> {
        if self.source != Some(LevelSource::CheckSource) {
            return None;
        }
        let value = reading.values.get(ppfd).and_then(|v| v.value()).filter(|v| *v > 0.0)?;
        Some(Level::of_lamp(reading.time_mid, value))
    }

    fn close_day(&mut self, expected_scale: f64) -> Option<Level> {
        day::day_level(&std::mem::take(&mut self.samples), expected_scale)
    }

    fn close_night(&mut self) -> Option<Level> {
        let samples = std::mem::take(&mut self.samples);
        let mut light: Vec<f64> = samples.iter().map(|s| s.ppfd).collect();
        let n = light.len();
        if n < NIGHT_READINGS {
            return None;
        }
        let (low, high) = (ranked(&mut light, n / 4)?, ranked(&mut light, 3 * n / 4)?);
        let level = median(light)?;
        (high - low <= NIGHT_RANGE * level).then(|| Some(Level::of_lamp(samples.last()?.time, level)))?
    }

    /// Number of the mean solar day, from midnight to midnight.
    fn day_of(&self, t: UtcMicros) -> i64 {
        (t.seconds() / 86_400.0 + self.longitude_deg / 360.0).floor() as i64
    }
}
