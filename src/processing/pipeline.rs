//! The pipeline from frames with their darks to a reading.
//!
//! Live readings, recomputation and tests all call [`Pipeline::process`]. Pure: no input or output, no clock. Axes and weights are
//! computed once for each calibration, detector temperature and wavelength shift, and the most recent ones are kept.

use super::window;
use crate::calibration::Calibration;
use crate::clock::UtcMicros;
use crate::config::{LimitsConfig, Station, StationKind};
use crate::darks::FrameWithDark;
use crate::quality::limits::PlausibilityLimit;
use crate::quality::verdict::judge_without_values;
use crate::quality::{BracketConditions, Judged, ReadingConditions, judge};
use crate::quantities::{self, Matrix, Quantity};
pub use crate::record::AcquisitionContext;
use crate::record::mains_ripple::{has_ripple, mean_uncertainty};
use crate::record::{
    Bracket, Detector, DriftEstimates, Flag, Flags, Frame, LampLevel, QuantityValue, Reading, WindowStatistics,
};
use crate::reduction::lamps::{Daylight, Glazing, LampContext, LampShape};
use crate::reduction::{Aged, BracketInput, Reduced, ReductionContext, Scale, reduce, scale};
use crate::sun::{self, Sun};
use std::collections::BTreeMap;
use std::sync::Arc;

/// Number of axes with their weights that are kept unless set otherwise: the active one and one neighbour. Each takes about 0.3 MB, and
/// computing it about a millisecond.
const KEPT_AXES: usize = 2;
/// Seconds in a mean year.
const YEAR_S: f64 = 365.25 * 86_400.0;

/// A reading with its spectrum.
#[derive(Clone, Debug)]
pub struct ProcessedReading {
    /// The reading, not yet stored.
    pub reading: Reading,
    /// Its spectrum; `None` without a dark or a calibration.
    pub reduced: Option<Reduced>,
}

/// Processes frames of one instrument with one calibration.
#[derive(Debug)]
pub struct Pipeline {
    instrument: String,
    station: Station,
    limits: LimitsConfig,
    calibration: Arc<Calibration>,
    detector: Detector,
    axes: BTreeMap<i32, (Arc<Scale>, Arc<Matrix>)>,
    /// The spectra of the lamps.
    lamp_shapes: Arc<Vec<LampShape>>,
    /// The reference sun, where lamps have to be separated from daylight.
    daylight: Option<Arc<Daylight>>,
    kept_axes: usize,
    /// Whether quantities whose uncertainty is drawn are evaluated.
    drawn: bool,
}

impl Pipeline {
    /// For an instrument at a station with a calibration.
    pub fn new(
        instrument: &str,
        station: Station,
        limits: LimitsConfig,
        calibration: Arc<Calibration>,
        detector: Detector,
    ) -> Self {
        let lamps_among_daylight = station.kind == StationKind::Glasshouse;
        let daylight = lamps_among_daylight.then(|| Arc::new(Daylight::new(calibration.wavelength.fwhm_nm)));
        Self {
            instrument: instrument.to_owned(),
            station,
            limits,
            calibration,
            detector,
            axes: BTreeMap::new(),
            lamp_shapes: Arc::default(),
            daylight,
            kept_axes: KEPT_AXES,
            drawn: true,
        }
    }

    /// Keeps up to `number` axes with their weights: for processing whole days, in which detector temperatures recur.
    pub fn keeping_axes(self, number: usize) -> Self {
        Self { kept_axes: number.max(1), ..self }
    }

    /// Without colour rendering and the peak wavelength: their uncertainty is drawn, which takes longer than all else. They are null as not
    /// requested.
    pub fn without_drawn(self) -> Self {
        Self { drawn: false, ..self }
    }

    /// Its calibration.
    pub fn calibration(&self) -> &Arc<Calibration> {
        &self.calibration
    }

    /// Uses these spectra of lamps from now on. They are part of the input of [`Self::process`].
    pub fn set_lamp_shapes(&mut self, shapes: Arc<Vec<LampShape>>) {
        self.lamp_shapes = shapes;
    }

    /// The spectra of lamps that are used.
    pub fn lamp_shapes(&self) -> &Arc<Vec<LampShape>> {
        &self.lamp_shapes
    }

    /// The reference sun through the instrument's slit; `None` where no lamps have to be separated from daylight.
    pub fn daylight(&self) -> Option<&Arc<Daylight>> {
        self.daylight.as_ref()
    }

    /// The axis and the weights for a detector temperature [°C] and a further wavelength shift [nm].
    pub fn axis(&mut self, temperature_c: Option<f64>, shift_nm: f64) -> (Arc<Scale>, Arc<Matrix>) {
        let step = scale::step_for(&self.calibration, temperature_c, shift_nm);
        if self.axes.len() >= self.kept_axes && !self.axes.contains_key(&step) {
            // Temperatures change slowly: the farthest axis is the least likely to be needed next.
            if let Some(farthest) = self.axes.keys().copied().max_by_key(|s| s.abs_diff(step)) {
                self.axes.remove(&farthest);
            }
        }
        let drawn = self.drawn;
        let (scale, matrix) = self.axes.entry(step).or_insert_with(|| {
            let scale = Scale::new(&self.calibration, &self.detector, step);
            let wanted = |q: &Quantity| drawn || !q.recipe.is_drawn();
            let source = self.station.source_rule();
            let matrix = Matrix::build_of(&scale.wavelength_nm, scale.valid_nm, source, wanted)
                .with_bandwidth(self.calibration.wavelength.fwhm_nm);
            (Arc::new(scale), Arc::new(matrix))
        });
        (Arc::clone(scale), Arc::clone(matrix))
    }

    /// Processes the frames of a reading.
    ///
    /// frames: one per bracket, shortest first, at least one; singles: the exposures of each bracket of a window as frames of one, empty
    /// for a single shot; sun: its position at the [`mean_time`] of the frames ([`Station::sun_at`]).
    pub fn process(
        &mut self,
        frames: &[FrameWithDark<'_>],
        singles: &[Vec<Frame>],
        sun: Option<Sun>,
        context: &AcquisitionContext,
    ) -> ProcessedReading {
        let mut reading = reading_without_values(&self.instrument, frames, sun, context);
        let inputs: Vec<BracketInput<'_>> = frames
            .iter()
            .filter_map(|f| Some(BracketInput { frame: f.frame, dark: f.dark?, dark_light_lx: f.dark_light_lx }))
            .collect();
        if inputs.is_empty() {
            let judged = judge_without_values(Flag::DarkMissing, "no dark is available", context);
            return complete(reading, None, judged, Vec::new());
        }
        let (scale, matrix) = self.axis(reading.detector_temperature, context.drift.shift_nm);
        let calibration = Arc::clone(&self.calibration);
        let reduction = ReductionContext {
            calibration: &calibration,
            scale: &scale,
            temperature_c: reading.detector_temperature,
            sun_elevation_deg: reading.sun_elevation.filter(|_| self.station.kind.sunlit()),
            mains_hz: self.station.mains_hz,
            pressure: sun::standard_pressure_hpa(self.station.place.altitude_m) / sun::standard_pressure_hpa(0.0),
            beam_share: None,
            lamps: self.lamp_context(),
            aged: self.uncertainty_by_age(&context.drift, reading.time_mid),
        };
        let reduced = reduce(&inputs, &reduction);
        let judged = self.evaluate_and_judge(&reduced, &matrix, &reading, frames, context);
        reading.signal_to_noise = reduced.signal_to_noise;
        reading.stray_floor = reduced.floor_rate;
        reading.lamps = lamp_level(&reduced, &judged.values);
        let window = match singles {
            [] => Vec::new(),
            _ => window::statistics(&inputs, singles, &reduced, &matrix, &reduction),
        };
        complete(reading, Some(reduced), judged, window)
    }

    /// Lamps and glazing; `None` where there are none to consider.
    fn lamp_context(&self) -> Option<LampContext<'_>> {
        let glazing = self.station.glazing.map_or(Glazing::NONE, |g| Glazing {
            transmission: g.transmission,
            transmission_uncertainty: g.transmission_uncertainty,
            haze: g.haze,
            haze_uncertainty: g.haze_uncertainty,
        });
        let incidence_deg = self.station.lamp_incidence_deg;
        let daylight = self.daylight.as_deref();
        (daylight.is_some() || incidence_deg.is_some()).then_some(LampContext {
            shapes: &self.lamp_shapes,
            daylight,
            glazing,
            incidence_deg,
            part: None,
        })
    }

    /// Uncertainty by possible drift since scale and response were last found within their limits, and by change of the response between
    /// the calibration and that time: monitors find changes above their limits, and none from before their baseline.
    fn uncertainty_by_age(&self, drift: &DriftEstimates, time: UtcMicros) -> Aged {
        let terms = &self.calibration.budget;
        let before_check_s = (time.seconds_since(terms.calibrated_on).abs() - drift.response_age_s).max(0.0);
        Aged {
            wavelength_nm: self.limits.wavelength_growth_nm_per_year * drift.wavelength_age_s / YEAR_S,
            response: self.limits.response_growth_per_year * drift.response_age_s / YEAR_S,
            calibration: terms.annual_change * before_check_s / YEAR_S,
        }
    }

    /// Computes all quantities with their uncertainty and verdicts.
    fn evaluate_and_judge(
        &self,
        reduced: &Reduced,
        matrix: &Matrix,
        reading: &Reading,
        frames: &[FrameWithDark<'_>],
        context: &AcquisitionContext,
    ) -> Judged {
        let outcomes = quantities::evaluate(matrix, &reduced.irradiance, &reduced.variance, &reduced.errors);
        let brackets: Vec<BracketConditions> =
            frames.iter().filter(|f| f.dark.is_some()).map(|f| self.bracket_conditions(f)).collect();
        let conditions = ReadingConditions {
            calibration: &self.calibration,
            limits: &self.limits,
            plausibility_limit: PlausibilityLimit {
                kind: self.station.kind,
                sun_elevation_deg: reading.sun_elevation,
                inverse_distance_squared: sun::inverse_distance_squared(reading.time_mid),
                lamp_rating_ppfd: self.limits.lamp_rating_ppfd,
            },
            context,
            temperature_c: reading.detector_temperature,
            calibration_expired: reading.time_mid > self.calibration.valid_until,
            incomplete: context.interrupted || brackets.len() < frames.len(),
            brackets: &brackets,
        };
        judge(reduced, matrix, &outcomes, &conditions)
    }

    fn bracket_conditions(&self, bracket: &FrameWithDark<'_>) -> BracketConditions {
        let (frame, mains_hz) = (bracket.frame, self.station.mains_hz);
        BracketConditions {
            light_variation: f64::from(frame.light_variation),
            unknown_ripple: has_ripple(frame, mains_hz) && mean_uncertainty(frame, mains_hz).is_none(),
            dark: bracket.provenance,
            integration_s: frame.integration_s,
        }
    }
}

/// A reading without values, since no calibration is active: its frames are stored, and values can be computed later.
pub fn without_calibration(
    instrument: &str,
    frames: &[FrameWithDark<'_>],
    sun: Option<Sun>,
    context: &AcquisitionContext,
) -> ProcessedReading {
    let judged = judge_without_values(Flag::CalibrationMissing, "no calibration is active", context);
    complete(reading_without_values(instrument, frames, sun, context), None, judged, Vec::new())
}

/// Times, position of the sun and settings of a reading.
fn reading_without_values(
    instrument: &str,
    frames_with_darks: &[FrameWithDark<'_>],
    sun: Option<Sun>,
    context: &AcquisitionContext,
) -> Reading {
    let frames = || frames_with_darks.iter().map(|f| f.frame);
    let time_mid = mean_time(frames());
    let temperatures: Vec<f64> = frames().filter_map(|f| f.temperature_c).collect();
    let detector_temperature =
        (!temperatures.is_empty()).then(|| temperatures.iter().sum::<f64>() / temperatures.len() as f64);
    let dark_ages = frames_with_darks.iter().filter_map(|f| f.dark_time).map(|t| time_mid.seconds_since(t).abs());
    let bracket = |f: &Frame| Bracket { integration_s: f.integration_s, exposures: f.exposures() as u32 };
    Reading {
        id: 0,
        time_start: start_of(frames()),
        time_mid,
        time_end: frames().map(Frame::end).max().unwrap_or_default(),
        instrument: instrument.to_owned(),
        sun_elevation: sun.map(|s| s.elevation_deg),
        sun_azimuth: sun.map(|s| s.azimuth_deg),
        relative_air_mass: sun.and_then(|s| sun::relative_air_mass(s.elevation_deg)),
        detector_temperature,
        exposures: frames().map(bracket).collect(),
        peak_level: context.peak_level,
        signal_to_noise: None,
        stray_floor: None,
        lamps: None,
        dark_age: dark_ages.max_by(f64::total_cmp),
        flags: Flags::NONE,
        values: Vec::new(),
        quantity_flags: Vec::new(),
        uv_index_stray_share: None,
        window: Vec::new(),
    }
}

/// Adds values, flags and statistics to a reading.
fn complete(
    mut reading: Reading,
    reduced: Option<Reduced>,
    judged: Judged,
    window: Vec<Option<WindowStatistics>>,
) -> ProcessedReading {
    reading.flags = judged.flags;
    reading.values = judged.values;
    reading.quantity_flags = judged.quantity_flags;
    reading.uv_index_stray_share = judged.uv_index_stray_share;
    reading.window = window;
    ProcessedReading { reading, reduced }
}

/// PPFD of the lamps, where it is known how much of the light is theirs.
fn lamp_level(reduced: &Reduced, values: &[QuantityValue]) -> Option<LampLevel> {
    let (share, share_uncertainty) = reduced.lamps.as_ref()?.share?;
    let ppfd = quantities::index_of("ppfd").and_then(|q| values.get(q))?;
    let QuantityValue::Value { value, uncertainty, .. } = ppfd else { return None };
    let uncertainty = (share * uncertainty).hypot(share_uncertainty * value);
    Some(LampLevel { ppfd: share * value, uncertainty })
}

fn start_of<'a>(frames: impl Iterator<Item = &'a Frame>) -> UtcMicros {
    frames.map(Frame::start).min().unwrap_or_default()
}

/// Mean time of the collected light: the mean over all exposures, weighted with their integration times.
pub fn mean_time<'a>(frames: impl Iterator<Item = &'a Frame> + Clone) -> UtcMicros {
    let origin = start_of(frames.clone());
    let (mut weighted_sum, mut weight) = (0.0, 0.0);
    for frame in frames {
        for stamp in &frame.stamps {
            weighted_sum += (stamp.start.seconds_since(origin) + 0.5 * frame.integration_s) * frame.integration_s;
            weight += frame.integration_s;
        }
    }
    if weight > 0.0 { origin.plus_seconds(weighted_sum / weight) } else { origin }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::record::{PixelRanges, Shutter, Stamp};

    fn frame(integration_s: f64, starts_s: &[f64]) -> Frame {
        Frame {
            integration_s,
            shutter: Shutter::Open,
            temperature_c: None,
            stamps: starts_s.iter().map(|s| Stamp { start: UtcMicros(0).plus_seconds(*s), crc32: 0 }).collect(),
            sums: vec![],
            clipped: PixelRanges::default(),
            light_variation: 0.0,
            ripple: Vec::new(),
            rejected: Vec::new(),
        }
    }

    /// Identity: two exposures of 1 s centred at 0.5 s and 2.5 s, and one of 6 s centred at 7 s: (0.5 + 2.5 + 6 · 7) / 8 = 5.625 s.
    #[test]
    fn the_mean_time_is_weighted_with_the_integration_times() {
        let frames = [frame(1.0, &[0.0, 2.0]), frame(6.0, &[4.0])];
        assert_eq!(mean_time(frames.iter()), UtcMicros(5_625_000));
        assert_eq!(mean_time([].iter()), UtcMicros::default());
    }
}
