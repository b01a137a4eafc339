//! Takes the exposures of a probe, in their order, and hands them to the estimates.
//!
//! Every exposure goes through a [`Session`], so that all its checks apply. Invariant: after each change of the integration time as
//! many frames are discarded as the instrument lags behind.

use super::dark::{Dark, DarkFrames, dark};
use super::estimate::{Estimate, mean_frame};
use super::levels::{self, Rising, Saturation};
use super::light::{Search, level, next};
use super::linearity::{Linearity, Step, linearity};
use super::noise::{Noise, Pair, noise};
use crate::clock::Clock;
use crate::fault::Fault;
use crate::instrument::{Identity, Session};
use crate::record::{Detector, Exposure, Shutter};

/// Longest integration time that the probe uses [s].
const LONGEST_S: f64 = 4.0;
/// Integration times of darks, within the range of the instrument [s].
const DARK_TIMES_S: [f64; 4] = [0.0, 0.1, 0.7, 3.0];
/// Frames at each of them.
const DARK_FRAMES: usize = 8;
/// Levels of the photon-transfer series, as shares of the highest.
const TRANSFER_LEVELS: [f64; 7] = [1.0 / 7.0, 2.0 / 7.0, 3.0 / 7.0, 4.0 / 7.0, 5.0 / 7.0, 6.0 / 7.0, 1.0];
/// Integration times of the linearity series, as shares of the one of the highest level.
const LINEARITY_TIMES: [f64; 7] = [0.06, 0.12, 0.25, 0.75, 1.0, 1.2, 0.4];
/// Reference time of that series, as such a share.
const REFERENCE: f64 = 0.5;
/// Integration times of the saturation series, as such shares.
const SATURATION_TIMES: [f64; 8] = [1.1, 1.2, 1.3, 1.4, 1.5, 1.7, 2.2, 3.5];

/// What to measure.
#[derive(Clone, Copy, Debug, Default)]
pub struct Options {
    /// The entrance optic is covered: measure darks without a shutter, and nothing that needs light.
    pub covered: bool,
}

/// Figures that need light.
#[derive(Clone, Debug, PartialEq, serde::Serialize)]
pub struct Light {
    /// Integration time of the highest level [s].
    pub integration_s: f64,
    /// That level, as a share of full scale [1].
    pub level: f64,
    /// Relative standard deviation and drift of the reference exposures [1].
    pub steadiness: Option<(f64, f64)>,
    /// Frames after a change of integration time that still have the old one.
    pub frame_lag: Option<usize>,
    /// Noise by pairs.
    pub noise: Option<Noise>,
    /// Linearity by integration times.
    pub linearity: Option<Linearity>,
    /// Where counts end.
    pub saturation: Option<Saturation>,
    /// Pixels that see less than their neighbours.
    pub dead: Vec<usize>,
}

/// Everything that was found.
#[derive(Clone, Debug)]
pub struct Measured {
    /// Identity by its own answer.
    pub identity: Identity,
    /// The detector by its own answer or its dialect.
    pub detector: Detector,
    /// Detector temperature [°C].
    pub temperature_c: Option<f64>,
    /// Time of an exposure beyond its integration time [s].
    pub transfer_s: Option<Estimate>,
    /// Darks; `None` without a shutter.
    pub dark: Option<Dark>,
    /// Read noise by pairs of darks alone.
    pub dark_noise: Option<Noise>,
    /// Figures that need light.
    pub light: Option<Light>,
    /// Why there are none.
    pub no_light: Option<String>,
    /// Pixels that are stated as shielded and see light.
    pub shielded_wrong: Vec<usize>,
    /// Exposures taken.
    pub exposures: u32,
    /// Exposures that had to be read again.
    pub rereads: u32,
}

impl Measured {
    /// The best read noise [counts].
    pub fn read_noise(&self) -> Option<f64> {
        let of_light = self.light.as_ref().and_then(|l| l.noise.as_ref()).and_then(|n| n.read_noise_counts);
        of_light.or(self.dark_noise.as_ref().and_then(|n| n.read_noise_counts)).map(|e| e.value)
    }
}

/// The linearity series.
struct LinearitySeries {
    linearity: Option<Linearity>,
    /// Totals of the reference exposures.
    totals: Vec<f64>,
    /// Mean signal of each pixel at the reference time.
    reference: Vec<f64>,
}

/// A probe in progress.
struct Probe<'a> {
    session: &'a mut Session,
    clock: &'a dyn Clock,
    detector: Detector,
    /// Frames to discard after a change of integration time.
    lag: usize,
    last_s: f64,
    exposures: u32,
    rereads: u32,
    say: &'a mut dyn FnMut(&str),
}

/// Measures the instrument of a session. `say` is called with what is being done.
pub fn measure(
    session: &mut Session,
    clock: &dyn Clock,
    options: Options,
    say: &mut dyn FnMut(&str),
) -> Result<Measured, Fault> {
    say("connecting");
    let (identity, detector) = session.connect()?;
    let mut probe = Probe { session, clock, detector, lag: 0, last_s: f64::NAN, exposures: 0, rereads: 0, say };
    let (transfer_s, temperature_c) = probe.transfer()?;
    let (dark, dark_noise) = probe.darks(options)?;
    let mut measured = Measured {
        identity,
        detector: probe.detector.clone(),
        temperature_c,
        transfer_s,
        dark,
        dark_noise,
        light: None,
        no_light: None,
        shielded_wrong: Vec::new(),
        exposures: 0,
        rereads: 0,
    };
    if options.covered {
        measured.no_light = Some("covered: nothing that needs light was measured".into());
    } else {
        probe.light(&mut measured)?;
    }
    (measured.exposures, measured.rereads) = (probe.exposures, probe.rereads);
    Ok(measured)
}

impl Probe<'_> {
    fn expose(&mut self, integration_s: f64, shutter: Shutter) -> Result<Exposure, Fault> {
        let exposure = self.session.expose(integration_s, shutter)?;
        self.exposures += 1;
        self.rereads += u32::from(exposure.rereads > 0);
        Ok(exposure)
    }

    /// Equal exposures, after those that still have the old integration time; and the integration time that was active [s], which
    /// the instrument may have rounded.
    fn frames(&mut self, integration_s: f64, shutter: Shutter, n: usize) -> Result<(f64, Vec<Vec<u32>>), Fault> {
        if self.last_s != integration_s {
            for _ in 0..self.lag {
                self.expose(integration_s, shutter)?;
            }
        }
        self.last_s = integration_s;
        let (mut active_s, mut counts) = (integration_s, Vec::new());
        for _ in 0..n {
            let exposure = self.expose(integration_s, shutter)?;
            active_s = exposure.integration_s;
            counts.push(exposure.counts);
        }
        Ok((active_s, counts))
    }

    fn limits(&self) -> (f64, f64) {
        let (low, high) = (self.detector.integration_min_s, self.detector.integration_max_s);
        (low, high.min(LONGEST_S).max(low))
    }

    fn clamped(&self, integration_s: f64) -> f64 {
        let (low, high) = self.limits();
        integration_s.clamp(low, high)
    }

    /// Time of an exposure beyond its integration time, and the temperature.
    fn transfer(&mut self) -> Result<(Option<Estimate>, Option<f64>), Fault> {
        (self.say)("time of a transfer");
        let shortest = self.limits().0;
        let mut durations = Vec::new();
        let mut temperature_c = None;
        for _ in 0..6 {
            let before = self.clock.now();
            let exposure = self.expose(shortest, Shutter::Open)?;
            durations.push((self.clock.now().seconds_since(before), exposure.integration_s));
            temperature_c = exposure.temperature_c;
        }
        // The first one sets the integration time.
        Ok((levels::transfer(&durations[1..]), temperature_c))
    }

    fn darks(&mut self, options: Options) -> Result<(Option<Dark>, Option<Noise>), Fault> {
        if !self.detector.has_shutter && !options.covered {
            return Ok((None, None));
        }
        let shutter = if self.detector.has_shutter { Shutter::Closed } else { Shutter::Open };
        let mut times: Vec<f64> = DARK_TIMES_S.iter().map(|t| self.clamped(*t)).collect();
        times.dedup();
        let mut series = Vec::new();
        for integration_s in times {
            (self.say)(&format!("darks of {integration_s} s"));
            let (integration_s, frames) = self.frames(integration_s, shutter, DARK_FRAMES)?;
            series.push(DarkFrames { integration_s, frames });
        }
        let Some(dark) = dark(&series) else { return Ok((None, None)) };
        // The shortest time has the least dark current.
        let shortest = &series[0];
        let offset = dark.at(shortest.integration_s);
        let pairs: Vec<Pair> = pairs_of(&shortest.frames, &offset);
        let usable = usable(&self.detector, Some(&dark), true);
        let noise = noise(&pairs, &usable, f64::from(self.detector.full_scale), 0.0);
        Ok((Some(dark), noise))
    }

    /// What each pixel reads without light: from darks, or else from the shielded pixels, or else zero.
    fn dark_level(&self, dark: Option<&Dark>, integration_s: f64, counts: &[u32]) -> Vec<f64> {
        if let Some(dark) = dark {
            return dark.at(integration_s);
        }
        let shielded: Vec<f64> =
            (0..counts.len()).filter(|i| self.detector.shielded.contains(*i)).map(|i| f64::from(counts[i])).collect();
        let level = if shielded.is_empty() { 0.0 } else { shielded.iter().sum::<f64>() / shielded.len() as f64 };
        vec![level; counts.len()]
    }

    fn light(&mut self, measured: &mut Measured) -> Result<(), Fault> {
        let full = f64::from(self.detector.full_scale);
        (self.say)("looking for the integration time of 70 % of full scale");
        let mut integration_s = self.clamped(0.01);
        let mut tries = 0;
        let reached = loop {
            let counts = self.frames(integration_s, Shutter::Open, 1)?.1.remove(0);
            let dark = self.dark_level(measured.dark.as_ref(), integration_s, &counts);
            let reached = level(&counts, dark.iter().sum::<f64>() / dark.len().max(1) as f64, full);
            match next(reached, integration_s, self.limits()) {
                Search::Try(wanted) if tries < 20 => integration_s = wanted,
                Search::TooDim => {
                    let text = format!("too dim: {integration_s} s reach {:.1} % of full scale", 100.0 * reached);
                    measured.no_light = Some(text);
                    return Ok(());
                }
                Search::TooBright => {
                    let text = format!("too bright: {integration_s} s reach {:.0} % of full scale", 100.0 * reached);
                    measured.no_light = Some(text);
                    return Ok(());
                }
                Search::Found | Search::Try(_) => break reached,
            }
            tries += 1;
        };
        let frame_lag = self.frame_lag(integration_s)?;
        self.lag = frame_lag.unwrap_or_default();
        let usable = usable(&self.detector, measured.dark.as_ref(), false);
        let LinearitySeries { linearity, totals, reference } =
            self.linearity(measured.dark.as_ref(), integration_s, &usable)?;
        let coefficient = linearity.as_ref().map_or(0.0, |l| l.coefficient.value);
        let noise = self.noise(measured.dark.as_ref(), integration_s, &usable, coefficient)?;
        let saturation =
            self.saturation(measured.dark.as_ref(), integration_s, &usable, linearity.as_ref(), &reference)?;
        let read_noise = noise.as_ref().and_then(|n| n.read_noise_counts).map_or(1.0, |n| n.value);
        let lit: Vec<bool> = (0..self.detector.pixels).map(|i| !self.detector.shielded.contains(i)).collect();
        let threshold = 0.05 * reference.iter().copied().fold(0.0, f64::max) + 6.0 * read_noise;
        measured.shielded_wrong = if measured.dark.is_some() {
            (0..lit.len()).filter(|i| !lit[*i] && reference[*i] > threshold).collect()
        } else {
            Vec::new()
        };
        measured.light = Some(Light {
            integration_s,
            level: reached,
            steadiness: levels::steadiness(&totals),
            frame_lag,
            noise,
            linearity,
            saturation,
            dead: levels::dead_pixels(&reference, &lit, read_noise),
        });
        Ok(())
    }

    /// Levels before and after a change of integration time.
    fn frame_lag(&mut self, integration_s: f64) -> Result<Option<usize>, Fault> {
        (self.say)("frames that lag behind a change of integration time");
        let short = self.clamped(integration_s / 4.0);
        let total = |counts: &[u32]| counts.iter().map(|c| f64::from(*c)).sum::<f64>() / counts.len().max(1) as f64;
        let mut old = 0.0;
        for _ in 0..6 {
            old = total(&self.expose(short, Shutter::Open)?.counts);
        }
        let mut after = Vec::new();
        for _ in 0..6 {
            after.push(total(&self.expose(integration_s, Shutter::Open)?.counts));
        }
        self.last_s = integration_s;
        let floor = total(&self.shortest_level()?);
        let after: Vec<f64> = after.iter().map(|level| level - floor).collect();
        Ok(levels::frame_lag(old - floor, &after))
    }

    /// A frame with hardly any signal, for the offset of levels.
    fn shortest_level(&mut self) -> Result<Vec<u32>, Fault> {
        let shutter = if self.detector.has_shutter { Shutter::Closed } else { Shutter::Open };
        let shortest = self.limits().0;
        self.last_s = shortest;
        let mut last = Vec::new();
        for _ in 0..3 {
            last = self.expose(shortest, shutter)?.counts;
        }
        Ok(last)
    }

    /// Noise by pairs of seven levels, of signals that are linear by `coefficient`.
    fn noise(
        &mut self,
        dark: Option<&Dark>,
        top_s: f64,
        usable: &[bool],
        coefficient: f64,
    ) -> Result<Option<Noise>, Fault> {
        let mut pairs = Vec::new();
        for share in TRANSFER_LEVELS {
            let integration_s = self.clamped(top_s * share);
            (self.say)(&format!("pairs of {integration_s:.4} s"));
            let (_, frames) = self.frames(integration_s, Shutter::Open, 4)?;
            // Dark current makes electrons as light does: the signal is counted from the offset.
            let offset = match dark {
                Some(dark) => dark.offset.clone(),
                None => self.dark_level(None, integration_s, &frames[0]),
            };
            pairs.extend(pairs_of(&frames, &offset));
        }
        if self.detector.has_shutter {
            let shortest = self.limits().0;
            let (_, frames) = self.frames(shortest, Shutter::Closed, 4)?;
            let offset = self.dark_level(dark, shortest, &frames[0]);
            pairs.extend(pairs_of(&frames, &offset));
        }
        Ok(noise(&pairs, usable, f64::from(self.detector.full_scale), coefficient))
    }

    /// Integration times between exposures of a reference time.
    fn linearity(&mut self, dark: Option<&Dark>, top_s: f64, usable: &[bool]) -> Result<LinearitySeries, Fault> {
        let wanted_s = self.clamped(top_s * REFERENCE);
        let mut totals = Vec::new();
        let (reference_s, mut before) = self.signal(dark, wanted_s)?;
        totals.push(before.iter().sum());
        let mut steps = Vec::new();
        for share in LINEARITY_TIMES {
            let integration_s = self.clamped(top_s * share);
            (self.say)(&format!("linearity: {integration_s:.4} s between {reference_s:.4} s"));
            let (integration_s, signal) = self.signal(dark, integration_s)?;
            let (_, after) = self.signal(dark, wanted_s)?;
            totals.push(after.iter().sum());
            steps.push(Step { integration_s, signal, before, after: after.clone() });
            before = after;
        }
        let found = linearity(&steps, reference_s, usable, f64::from(self.detector.full_scale));
        Ok(LinearitySeries { linearity: found, totals, reference: before })
    }

    /// The active integration time [s], and the mean of four frames with dark subtracted [counts].
    fn signal(&mut self, dark: Option<&Dark>, integration_s: f64) -> Result<(f64, Vec<f64>), Fault> {
        let (active_s, frames) = self.frames(integration_s, Shutter::Open, 4)?;
        let level = self.dark_level(dark, active_s, &frames[0]);
        Ok((active_s, mean_frame(&frames).iter().zip(level).map(|(m, d)| m - d).collect()))
    }

    fn saturation(
        &mut self,
        dark: Option<&Dark>,
        top_s: f64,
        usable: &[bool],
        linearity: Option<&Linearity>,
        reference: &[f64],
    ) -> Result<Option<Saturation>, Fault> {
        (self.say)("saturation");
        let (c, t0) = linearity.map_or((0.0, 0.0), |l| (l.coefficient.value, l.time_offset_s.value));
        let reference_s = self.clamped(top_s * REFERENCE);
        let rates: Vec<f64> = reference.iter().map(|m| m / (1.0 + c * m) / (reference_s + t0)).collect();
        let mut frames = Vec::new();
        for share in SATURATION_TIMES {
            let (integration_s, mut of_one) = self.frames(self.clamped(top_s * share), Shutter::Open, 1)?;
            let counts = of_one.remove(0);
            let dark = self.dark_level(dark, integration_s, &counts);
            frames.push(Rising { integration_s, counts, dark });
        }
        Ok(levels::saturation(&frames, &rates, usable, (c, t0)))
    }
}

/// Consecutive frames in pairs.
fn pairs_of(frames: &[Vec<u32>], offset: &[f64]) -> Vec<Pair> {
    let pair = |p: &[Vec<u32>]| Pair { first: p[0].clone(), second: p[1].clone(), offset: offset.to_vec() };
    frames.chunks_exact(2).map(pair).collect()
}

/// Pixels that estimates use: not hot, noisy or stuck, and not shielded unless `shielded` says so.
fn usable(detector: &Detector, dark: Option<&Dark>, shielded: bool) -> Vec<bool> {
    let bad = |i: &usize| dark.is_some_and(|d| d.hot.contains(i) || d.noisy.contains(i) || d.stuck.contains(i));
    (0..detector.pixels).map(|i| !bad(&i) && (shielded || !detector.shielded.contains(i))).collect()
}

#[cfg(test)]
mod tests;
