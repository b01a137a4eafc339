//! From what capture brought home to a reading: reduction, quantities and quality in one pure step.
//!
//! Live logging, recomputation and tests all come through [`Pipeline::process`]. It does no I/O and takes no clock; axes
//! and weights are built once for each calibration and wavelength shift and kept.

use crate::calibration::Calibration;
use crate::clock::UtcMicros;
use crate::config::{LimitsConfig, Station};
use crate::darks::FrameWithDark;
use crate::quality::limits::PlausibilityLimit;
use crate::quality::verdict::judge_without_numbers;
use crate::quality::{Assessment, DarkProvenance, Judged, judge};
use crate::quantities::{self, Matrix};
pub use crate::record::AcquisitionContext;
use crate::record::mains_ripple::{has_ripple, mean_uncertainty};
use crate::record::{Bracket, Detector, Flag, Flags, Frame, Reading, WindowStatistics};
use crate::reduction::{Aged, BracketInput, Reduced, ReductionContext, Scale, reduce, scale};
use crate::sun::{self, Sun};
use std::collections::BTreeMap;
use std::sync::Arc;

/// Axes and weights kept at most (some 0.3 MB each) unless told otherwise: the shift in force and one neighbour; building
/// one takes a millisecond.
const KEPT_AXES: usize = 2;
/// Seconds in a mean year.
const YEAR_S: f64 = 365.25 * 86_400.0;

/// A reading and what it was made through.
#[derive(Clone, Debug)]
pub struct ProcessedReading {
    /// The reading, not yet stored.
    pub reading: Reading,
    /// Its spectrum; `None` where no dark could serve.
    pub reduced: Option<Reduced>,
    /// Flags that touch each quantity, in the order of the registry.
    pub touching: Vec<Flags>,
}

/// Everything that turns frames of one instrument into readings, for one calibration.
#[derive(Debug)]
pub struct Pipeline {
    instrument: String,
    station: Station,
    limits: LimitsConfig,
    calibration: Arc<Calibration>,
    detector: Detector,
    axes: BTreeMap<i32, (Arc<Scale>, Arc<Matrix>)>,
    kept_axes: usize,
    evaluating: quantities::Workspace,
}

impl Pipeline {
    /// For an instrument at a station under a calibration.
    pub fn new(
        instrument: &str,
        station: Station,
        limits: LimitsConfig,
        calibration: Arc<Calibration>,
        detector: Detector,
    ) -> Self {
        Self {
            instrument: instrument.to_owned(),
            station,
            limits,
            calibration,
            detector,
            axes: BTreeMap::new(),
            kept_axes: KEPT_AXES,
            evaluating: quantities::Workspace::default(),
        }
    }

    /// Keeps so many axes at most, for whoever goes through whole days, whose temperatures come back.
    pub fn keeping_axes(self, at_most: usize) -> Self {
        Self { kept_axes: at_most.max(1), ..self }
    }

    /// With indices of colour rendering as if nothing were known of their uncertainty, so that they are null: for measuring what
    /// all else takes.
    #[doc(hidden)]
    pub fn without_rendering_uncertainty(self) -> Self {
        Self { evaluating: quantities::Workspace::without_rendering_uncertainty(), ..self }
    }

    /// The calibration it works with.
    pub fn calibration(&self) -> &Arc<Calibration> {
        &self.calibration
    }

    /// The axis and weights for a detector temperature [°C], moved further by a shift [nm].
    pub fn axis(&mut self, temperature_c: Option<f64>, shift_nm: f64) -> (Arc<Scale>, Arc<Matrix>) {
        let step = scale::step_for(&self.calibration, temperature_c, shift_nm);
        if self.axes.len() >= self.kept_axes && !self.axes.contains_key(&step) {
            // Temperatures drift: what is farthest away is needed last.
            if let Some(farthest) = self.axes.keys().copied().max_by_key(|s| s.abs_diff(step)) {
                self.axes.remove(&farthest);
            }
        }
        let (scale, matrix) = self.axes.entry(step).or_insert_with(|| {
            let scale = Scale::new(&self.calibration, &self.detector, step);
            let matrix = Matrix::build(&scale.wavelength_nm, scale.valid_nm, self.station.source_rule());
            (Arc::new(scale), Arc::new(matrix))
        });
        (Arc::clone(scale), Arc::clone(matrix))
    }

    /// Makes the reading. `frames_with_darks` are the brackets, shortest first, at least one. `singles` are the exposures of a window,
    /// bracket by bracket, as frames of one; empty for a single shot. `sun` is its position at the [`mean_time`] of the frames,
    /// [`Station::sun_at`].
    pub fn process(
        &mut self,
        frames_with_darks: &[FrameWithDark<'_>],
        singles: &[Vec<Frame>],
        sun: Option<Sun>,
        about: &AcquisitionContext,
    ) -> ProcessedReading {
        let mut reading = facts(&self.instrument, frames_with_darks, sun, about);
        let served: Vec<&FrameWithDark<'_>> = frames_with_darks.iter().filter(|t| t.dark.is_some()).collect();
        let brackets: Vec<BracketInput<'_>> =
            served.iter().filter_map(|t| t.dark.map(|dark| BracketInput { frame: t.frame, dark })).collect();
        if brackets.is_empty() {
            let judged = judge_without_numbers(Flag::DarkMissing, "no dark can serve", bare_flags(about));
            return finish(reading, None, judged, Vec::new());
        }

        let (scale, matrix) = self.axis(reading.detector_temperature, about.drift.shift_nm);
        let context = ReductionContext {
            calibration: &self.calibration,
            scale: &scale,
            temperature_c: reading.detector_temperature,
            sun_elevation_deg: reading.sun_elevation.filter(|_| self.station.kind.sunlit()),
            mains_hz: self.station.mains_hz,
            aged: Aged {
                wavelength_nm: self.limits.wavelength_growth_nm_per_year * about.drift.wavelength_age_s / YEAR_S,
                response: self.limits.response_growth_per_year * about.drift.response_age_s / YEAR_S,
            },
        };
        let reduced = reduce(&brackets, &context);
        let outcomes = quantities::evaluate_with(
            &mut self.evaluating,
            &matrix,
            &reduced.irradiance,
            &reduced.variance,
            &reduced.errors,
        );
        let spreads: Vec<f64> = served.iter().map(|t| f64::from(t.frame.light_variation)).collect();
        let mains_hz = self.station.mains_hz;
        let unknown_ripple = |f: &Frame| has_ripple(f, mains_hz) && mean_uncertainty(f, mains_hz).is_none();
        let flickers: Vec<bool> = served.iter().map(|t| unknown_ripple(t.frame)).collect();
        let darks: Vec<DarkProvenance> = served.iter().map(|t| t.provenance).collect();
        let judged = judge(
            &reduced,
            &matrix,
            &outcomes,
            self.evaluating.rendering(),
            &Assessment {
                calibration: &self.calibration,
                limits: &self.limits,
                plausibility_limit: PlausibilityLimit {
                    kind: self.station.kind,
                    sun_elevation_deg: reading.sun_elevation,
                    inverse_distance_squared: sun::inverse_distance_squared(reading.time_mid),
                    lamp_rating_ppfd: self.limits.lamp_rating_ppfd,
                },
                temperature_c: reading.detector_temperature,
                warming: about.warming,
                expired: reading.time_mid > self.calibration.valid_until,
                repeated_frame: about.repeated_frame,
                shutter_fault: about.shutter_fault,
                incomplete: about.interrupted || served.len() < frames_with_darks.len(),
                single_shot: about.single_shot,
                unsteady_share: about.unsteady_share,
                spreads: &spreads,
                flickers: &flickers,
                darks: &darks,
                dark_drift: about.dark_drift,
                link_fault: about.link_fault,
                clock_unsynced: about.clock_unsynced,
                check_source: about.check_source,
            },
        );
        self.evaluating.recycle(outcomes);
        reading.signal_to_noise = reduced.signal_to_noise;
        reading.stray_floor = reduced.floor_rate;
        let window = match singles {
            [] => Vec::new(),
            _ => statistics(&brackets, singles, &reduced, &matrix, &context),
        };
        finish(reading, Some(reduced), judged, window)
    }
}

/// A reading without numbers, since no calibration is in force: its frames are kept, all else can be computed later.
pub fn without_calibration(
    instrument: &str,
    frames_with_darks: &[FrameWithDark<'_>],
    sun: Option<Sun>,
    about: &AcquisitionContext,
) -> ProcessedReading {
    let judged = judge_without_numbers(Flag::CalibrationMissing, "no calibration is in force", bare_flags(about));
    finish(facts(instrument, frames_with_darks, sun, about), None, judged, Vec::new())
}

/// Flags that are known without any number.
fn bare_flags(about: &AcquisitionContext) -> Flags {
    let mut flags = Flags::NONE;
    flags.raise_if(about.warming, Flag::Warming);
    flags.raise_if(about.repeated_frame, Flag::RepeatedFrame);
    flags.raise_if(about.shutter_fault, Flag::ShutterFault);
    flags.raise_if(about.link_fault, Flag::LinkFault);
    flags.raise_if(about.clock_unsynced, Flag::ClockUnsynced);
    flags.raise_if(about.check_source, Flag::CheckSource);
    flags
}

/// Times, sun and how it was taken.
fn facts(
    instrument: &str,
    frames_with_darks: &[FrameWithDark<'_>],
    sun: Option<Sun>,
    about: &AcquisitionContext,
) -> Reading {
    let frames = || frames_with_darks.iter().map(|t| t.frame);
    let time_start = begin(frames());
    let time_end = frames().map(Frame::end).max().unwrap_or_default();
    let time_mid = mean_time(frames());
    let temperatures: Vec<f64> = frames().filter_map(|f| f.temperature_c).collect();
    let detector_temperature =
        (!temperatures.is_empty()).then(|| temperatures.iter().sum::<f64>() / temperatures.len() as f64);
    Reading {
        id: 0,
        time_start,
        time_mid,
        time_end,
        instrument: instrument.to_owned(),
        sun_elevation: sun.map(|s| s.elevation_deg),
        sun_azimuth: sun.map(|s| s.azimuth_deg),
        relative_air_mass: sun.and_then(|s| sun::relative_air_mass(s.elevation_deg)),
        detector_temperature,
        exposures: frames()
            .map(|f| Bracket { integration_s: f.integration_s, exposures: f.exposures() as u32 })
            .collect(),
        peak_level: about.peak_level,
        signal_to_noise: None,
        stray_floor: None,
        dark_age: frames_with_darks
            .iter()
            .filter_map(|t| t.dark_time)
            .map(|t| time_mid.seconds_since(t).abs())
            .max_by(f64::total_cmp),
        flags: Flags::NONE,
        values: Vec::new(),
        window: Vec::new(),
    }
}

fn finish(
    mut reading: Reading,
    reduced: Option<Reduced>,
    judged: Judged,
    window: Vec<Option<WindowStatistics>>,
) -> ProcessedReading {
    reading.flags = judged.flags;
    reading.values = judged.values;
    reading.window = window;
    ProcessedReading { reading, reduced, touching: judged.touching }
}

fn begin<'a>(frames: impl Iterator<Item = &'a Frame>) -> UtcMicros {
    frames.map(Frame::start).min().unwrap_or_default()
}

/// Mean time of the light collected, every second of exposure counting once.
pub fn mean_time<'a>(frames: impl Iterator<Item = &'a Frame> + Clone) -> UtcMicros {
    let origin = begin(frames.clone());
    let (mut sum, mut light) = (0.0, 0.0);
    for frame in frames {
        for stamp in &frame.stamps {
            sum += (stamp.start.seconds_since(origin) + 0.5 * frame.integration_s) * frame.integration_s;
            light += frame.integration_s;
        }
    }
    if light > 0.0 { origin.plus_seconds(sum / light) } else { origin }
}

/// Minimum, maximum and deviation of every quantity over the exposures of a window.
///
/// Each exposure is reduced with its bracket's dark; pixels that its bracket does not mainly serve take the window's mean. A
/// quantity is followed through the bracket that serves most of its light ([`Matrix::shares`]).
fn statistics(
    brackets: &[BracketInput<'_>],
    singles: &[Vec<Frame>],
    reduced: &Reduced,
    matrix: &Matrix,
    context: &ReductionContext<'_>,
) -> Vec<Option<WindowStatistics>> {
    let parts: Vec<Vec<f64>> =
        reduced.merge_weights.iter().map(|s| s.iter().zip(&reduced.irradiance).map(|(s, e)| s * e).collect()).collect();
    let shares = matrix.shares(&parts);
    let series: Vec<Vec<Vec<f64>>> = brackets
        .iter()
        .zip(singles)
        .zip(&reduced.merge_weights)
        .map(|((bracket, exposures), served)| {
            exposures
                .iter()
                .map(|frame| {
                    let one = reduce(&[BracketInput { frame, dark: bracket.dark }], context);
                    let spectrum: Vec<f64> = (0..served.len())
                        .map(|i| if served[i] > 0.5 { one.irradiance[i] } else { reduced.irradiance[i] })
                        .collect();
                    quantities::values(matrix, &spectrum).into_iter().map(|v| v.unwrap_or(f64::NAN)).collect()
                })
                .collect()
        })
        .collect();
    (0..quantities::registry().len())
        .map(|q| {
            let main = (0..series.len()).max_by(|a, b| shares[*a][q].abs().total_cmp(&shares[*b][q].abs()))?;
            let of: Vec<f64> = series[main].iter().map(|v| v[q]).filter(|v| v.is_finite()).collect();
            spread_of(&of)
        })
        .collect()
}

fn spread_of(values: &[f64]) -> Option<WindowStatistics> {
    if values.len() < 2 {
        return None;
    }
    let n = values.len() as f64;
    let mean = values.iter().sum::<f64>() / n;
    let square = values.iter().map(|v| (v - mean) * (v - mean)).sum::<f64>();
    Some(WindowStatistics {
        minimum: values.iter().copied().fold(f64::INFINITY, f64::min),
        maximum: values.iter().copied().fold(f64::NEG_INFINITY, f64::max),
        deviation: (square / (n - 1.0)).sqrt(),
    })
}
