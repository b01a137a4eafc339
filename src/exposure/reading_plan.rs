//! One reading as a state machine: it requests exposures one by one, receives them, and ends with frames.
//!
//! The first exposure is repeated with a better integration time where it is clipped or far too dark. Then the short bracket is
//! completed, and the long (ultraviolet) bracket follows, in which visible pixels clip as expected. A window alternates
//! between both brackets until it ends. Pure: no input or output, no clock. Invariants:
//!
//! - exposures that are not whole half-cycles of the mains start at random phases of the ripple;
//! - a clipped exposure of the short bracket is used only where there is no unclipped one;
//! - an exposure that a particle hit is not used where another one shows the hit;
//! - the planned end of an exposure never lies beyond the budget, apart from the first exposure;
//! - after a fault, the exposures received so far are usable.

use super::acquired_frames::{AcquiredFrames, Single};
use super::control::{Decision, ExposureState};
use super::exposures::{ExposureGroup, usable};
use super::frame_statistics::FrameStatistics;
use super::setup::ExposureSetup;
use crate::clock::UtcMicros;
use crate::record::mains_ripple::ripple_period_s;
use crate::record::{Exposure, Frame, Shutter, whole_half_cycles};
use rand::{Rng, SeedableRng};
use rand_pcg::Pcg64Mcg;

/// Exposures that one reading may use to find its integration time.
const MAX_TRIES: u32 = 8;
/// Exposures of the short bracket between two of the long one in a window, at most.
const MAX_SHORTS_PER_LONG: f64 = 6.0;
/// Largest share of a window that one exposure of the long bracket takes [1]: several of them sample the changing light.
const LONG_SHARE_OF_WINDOW: f64 = 0.25;

/// What the acquisition loop does next.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Action {
    /// Expose once.
    Expose {
        /// Integration time to set [s].
        integration_s: f64,
        /// State of the shutter during the exposure.
        shutter: Shutter,
        /// Delay before the exposure [s]: a random part of the period of the ripple where the exposure is not whole half-cycles,
        /// otherwise 0.
        delay_s: f64,
    },
    /// The reading is complete; its frames are returned by [`ReadingPlan::finish`].
    Finish,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Bracket {
    Short,
    Long,
}

/// Exposures with one integration time of the short bracket, and the long bracket that belongs to it.
#[derive(Clone, Debug, Default)]
struct Attempt {
    short: ExposureGroup,
    long: ExposureGroup,
    /// A pixel in use is affected by saturation in a short exposure.
    affected: bool,
    /// The newest short exposure is unaffected and not far too dark.
    well_exposed: bool,
    /// Highest peak level of a short exposure [1].
    peak_level: f64,
    /// Short exposures of a window since the last long one.
    shorts_since_long: u32,
}

/// An integration time with its frames to be discarded.
#[derive(Clone, Copy, Debug)]
struct ActiveTime {
    integration_s: f64,
    /// Frames still to be discarded after the change to this time.
    discards_left: u32,
}

/// A reading in progress.
#[derive(Clone, Debug)]
pub struct ReadingPlan<'a> {
    setup: &'a ExposureSetup,
    state: ExposureState,
    /// End of the time budget.
    end: UtcMicros,
    now: UtcMicros,
    /// Integration time of the short bracket [s].
    current: f64,
    attempt: Attempt,
    earlier: Vec<Attempt>,
    /// The requested exposure: bracket and integration time [s].
    pending: Option<(Bracket, f64)>,
    /// The integration time that was requested last; `None` before the first exposure.
    active: Option<ActiveTime>,
    /// Exposures used to find the integration time.
    tries: u32,
    done: bool,
    /// Random generator of the delays.
    delays: Pcg64Mcg,
}

impl<'a> ReadingPlan<'a> {
    /// A reading that starts at `start`, which is also the seed of its random delays.
    pub fn new(setup: &'a ExposureSetup, state: ExposureState, start: UtcMicros) -> Self {
        Self {
            current: state.first_s(setup),
            setup,
            state,
            end: start.plus_seconds(setup.budget_s()),
            now: start,
            attempt: Attempt::default(),
            earlier: Vec::new(),
            pending: None,
            active: None,
            tries: 0,
            done: false,
            delays: Pcg64Mcg::seed_from_u64(start.0.cast_unsigned()),
        }
    }

    /// The next action at `now`.
    pub fn next(&mut self, now: UtcMicros) -> Action {
        self.now = self.now.max(now);
        // An exposure that was not received because of a fault is requested again.
        self.pending = None;
        let Some((bracket, integration_s)) = self.next_exposure() else {
            self.done = true;
            return Action::Finish;
        };
        if !self.active.is_some_and(|active| Frame::same_integration(active.integration_s, integration_s)) {
            self.active = Some(ActiveTime { integration_s, discards_left: self.setup.exposure.discard_frames });
        }
        self.pending = Some((bracket, integration_s));
        Action::Expose { integration_s, shutter: Shutter::Open, delay_s: self.delay_s(integration_s) }
    }

    /// Delay of an exposure [s]. Exposures of a reading follow each other at a fixed rate, which may keep them in phase with the ripple; a
    /// delay drawn uniformly from one period makes their phase random.
    fn delay_s(&mut self, integration_s: f64) -> f64 {
        match ripple_period_s(self.setup.mains_hz) {
            Some(period_s) if !whole_half_cycles(integration_s, self.setup.mains_hz) => {
                self.delays.random_range(0.0..period_s)
            }
            _ => 0.0,
        }
    }

    /// Bracket and integration time [s] of the next exposure; `None` at the end of the reading.
    fn next_exposure(&mut self) -> Option<(Bracket, f64)> {
        if self.done {
            return None;
        }
        if self.attempt.short.exposures.is_empty() {
            return self.first_of_attempt();
        }
        let fits = self.current <= self.longest_in_budget_s(Some(self.current));
        let short_fits = fits && self.attempt.short.has_room(self.setup);
        match self.setup.window_s {
            Some(_) => self.next_in_window(short_fits),
            None => self.next_in_single_shot(short_fits),
        }
    }

    /// The first exposure with an integration time, shortened where it would exceed the budget.
    fn first_of_attempt(&mut self) -> Option<(Bracket, f64)> {
        if self.active.is_none() {
            return Some((Bracket::Short, self.current));
        }
        if self.tries >= MAX_TRIES {
            return None;
        }
        if self.current > self.longest_in_budget_s(Some(self.current)) {
            let longest = self.longest_in_budget_s(None);
            let shorter = self.setup.grid.floor(longest);
            // An unclipped attempt with at least as much light makes another exposure useless.
            let unaffected = self.earlier.iter().filter(|a| !a.affected).filter_map(|a| a.short.exposures.last());
            if shorter > longest || unaffected.into_iter().any(|e| e.integration_s >= shorter) {
                return None;
            }
            self.current = shorter;
        }
        Some((Bracket::Short, self.current))
    }

    fn next_in_single_shot(&mut self, short_fits: bool) -> Option<(Bracket, f64)> {
        if (self.attempt.short.exposures.len() as u32) < self.setup.exposure.exposures.clamp(1, 4) && short_fits {
            return Some((Bracket::Short, self.current));
        }
        let taken = self.attempt.long.exposures.len() as u32;
        if self.attempt.affected || taken >= self.setup.exposure.bracket_exposures.clamp(1, 4) {
            return None;
        }
        let long = match self.long_active() {
            Some(t) => Some(t).filter(|t| *t <= self.longest_in_budget_s(Some(*t))),
            None => ExposureState::long_bracket_s(self.setup, self.current, self.longest_in_budget_s(None)),
        }?;
        self.attempt.long.has_room(self.setup).then_some((Bracket::Long, long))
    }

    fn next_in_window(&mut self, short_fits: bool) -> Option<(Bracket, f64)> {
        let longest = self.longest_in_budget_s(None).min(LONG_SHARE_OF_WINDOW * self.setup.budget_s());
        let long = match self.long_active() {
            Some(t) => Some(t).filter(|t| *t <= self.longest_in_budget_s(Some(*t))),
            None => ExposureState::long_bracket_s(self.setup, self.current, longest),
        };
        let long = long.filter(|_| self.attempt.long.has_room(self.setup) && !self.attempt.affected);
        if let Some(long) = long {
            // Both brackets get about the same time.
            let overhead_s = self.setup.overhead_s();
            let ratio = (long + overhead_s) / (self.current + overhead_s);
            let shorts = ratio.round().clamp(1.0, MAX_SHORTS_PER_LONG) as u32;
            if self.attempt.shorts_since_long >= shorts || !short_fits {
                self.attempt.shorts_since_long = 0;
                return Some((Bracket::Long, long));
            }
        }
        self.attempt.shorts_since_long += 1;
        short_fits.then_some((Bracket::Short, self.current))
    }

    /// Integration time of the long bracket, once it has an exposure [s].
    fn long_active(&self) -> Option<f64> {
        self.state.long_s.filter(|_| !self.attempt.long.exposures.is_empty())
    }

    /// Longest integration time of an exposure that ends within the budget [s], including the frames to be discarded before
    /// it: those left where `integration_s` is the active time, otherwise as many as configured.
    fn longest_in_budget_s(&self, integration_s: Option<f64>) -> f64 {
        let discards = match (self.active, integration_s) {
            (Some(active), Some(t)) if Frame::same_integration(active.integration_s, t) => active.discards_left,
            _ => self.setup.exposure.discard_frames,
        };
        self.end.seconds_since(self.now) / (1.0 + f64::from(discards)) - self.setup.overhead_s()
    }

    /// Receives the requested exposure. An exposure that was not requested, or does not fit the detector, is discarded.
    pub fn take(&mut self, exposure: Exposure) {
        let Some((bracket, requested)) = self.pending.take() else { return };
        self.now = self.now.max(exposure.end());
        if exposure.counts.len() != self.setup.detector.pixels || exposure.shutter != Shutter::Open {
            return;
        }
        if let Some(active) = self.active.as_mut().filter(|active| active.discards_left > 0) {
            active.discards_left -= 1;
            return;
        }
        match bracket {
            Bracket::Long => {
                self.state.long_s = Some(requested);
                // An exposure for which the instrument rounded the same request to another time is discarded.
                let _ = self.attempt.long.add(exposure);
            }
            Bracket::Short => self.take_short(exposure, requested),
        }
    }

    fn take_short(&mut self, exposure: Exposure, requested: f64) {
        let statistics = self.statistics(&exposure, requested);
        let is_first = self.attempt.short.exposures.is_empty();
        let left = self.longest_repetition_s();
        let decision = self.state.decide(self.setup, &statistics, requested, left.min(self.setup.longest_short_s()));
        self.state.update(self.setup, &statistics, &exposure.counts, requested);
        let may_repeat = is_first || statistics.is_affected();
        self.tries += u32::from(may_repeat);
        let better = match decision {
            Decision::Retry(t) if may_repeat && self.tries < MAX_TRIES => t,
            _ if statistics.is_affected() && !is_first && !self.attempt.affected => {
                // Clipped, without another try: the reading ends with the unclipped exposures before.
                self.done = true;
                return;
            }
            _ => return self.add_short(exposure, &statistics, requested),
        };
        if is_first {
            self.add_short(exposure, &statistics, requested);
            self.attempt.well_exposed = false;
        } else if self.setup.window_s.is_some() && left < 0.5 * self.setup.budget_s() {
            // More than half of the window is over: it ends before the light that its integration time does not suit.
            self.done = true;
            return;
        }
        self.earlier.push(std::mem::take(&mut self.attempt));
        self.current = better;
    }

    /// Statistics of a short exposure. With the shortest integration time, isolated clipped pixels are recorded as stuck.
    fn statistics(&mut self, exposure: &Exposure, requested: f64) -> FrameStatistics {
        let statistics = FrameStatistics::of(self.setup, exposure, &self.state.stuck);
        let is_shortest = requested <= self.setup.grid.shortest() * (1.0 + 1e-6);
        if statistics.is_affected()
            && is_shortest
            && let Some(stuck) = statistics.isolated_clipped(self.setup, &exposure.counts)
        {
            self.state.stuck = stuck;
            return FrameStatistics::of(self.setup, exposure, &self.state.stuck);
        }
        statistics
    }

    /// Longest integration time of a repetition within the budget [s]: it starts after the transfer of the exposure that was
    /// just received, and its first frames are discarded as configured.
    fn longest_repetition_s(&self) -> f64 {
        let frames = 1.0 + f64::from(self.setup.exposure.discard_frames);
        (self.end.seconds_since(self.now) - self.setup.overhead_s()) / frames - self.setup.overhead_s()
    }

    fn add_short(&mut self, exposure: Exposure, statistics: &FrameStatistics, requested: f64) {
        let best = self.state.best_s(self.setup, statistics, requested, self.setup.longest_short_s());
        if self.attempt.short.add(exposure).is_ok() {
            self.attempt.affected |= statistics.is_affected();
            // At the lower edge of the band the best time is 1.7 times the requested one; 2 leaves a margin for noise.
            self.attempt.well_exposed = !statistics.is_affected() && best <= requested * 2.0;
            self.attempt.peak_level = self.attempt.peak_level.max(statistics.peak_level);
        }
    }

    /// Ends the reading, complete or not, and returns its usable frames.
    pub fn finish(self) -> AcquiredFrames {
        let setup = self.setup;
        let window = setup.window_s.is_some();
        let attempts: Vec<Attempt> =
            self.earlier.into_iter().chain([self.attempt]).filter(|a| !a.short.exposures.is_empty()).collect();
        let mut chosen = best_of(attempts, window).unwrap_or_default();
        chosen.short = chosen.short.without_spikes(setup);
        chosen.long = chosen.long.without_spikes(setup);
        // A long frame in which saturation affects every pixel in use is discarded.
        let is_useful = |f: &Frame| usable(setup, &f.clipped.to_mask(setup.detector.pixels)).contains(&true);
        let long = chosen.long.frame(setup).filter(is_useful);
        let singles = if window {
            let groups = [Some(&chosen.short), long.as_ref().map(|_| &chosen.long)];
            singles(groups.into_iter().flatten())
        } else {
            Vec::new()
        };
        AcquiredFrames {
            frames: chosen.short.frame(setup).into_iter().chain(long).collect(),
            singles,
            state: self.state,
            peak_level: chosen.peak_level,
            converged: chosen.well_exposed && !chosen.affected,
        }
    }
}

/// The attempt that is used: the last unclipped one (of a window, the one of longest duration), or without any the one with
/// the shortest integration time.
fn best_of(attempts: Vec<Attempt>, window: bool) -> Option<Attempt> {
    if attempts.iter().any(|a| !a.affected) {
        let mut unaffected = attempts.into_iter().filter(|a| !a.affected);
        return if window {
            unaffected.max_by(|a, b| a.short.span_s().total_cmp(&b.short.span_s()))
        } else {
            unaffected.next_back()
        };
    }
    // The shortest clips least.
    let integration_s = |a: &Attempt| a.short.exposures.first().map_or(f64::INFINITY, |e| e.integration_s);
    attempts.into_iter().min_by(|a, b| integration_s(a).total_cmp(&integration_s(b)))
}

/// The exposures of all frames, in the order of time.
fn singles<'a>(groups: impl Iterator<Item = &'a ExposureGroup>) -> Vec<Single> {
    let mut singles: Vec<Single> = groups
        .enumerate()
        .flat_map(|(frame, group)| group.exposures.iter().map(move |e| Single { frame, exposure: e.clone() }))
        .collect();
    singles.sort_by_key(|s| s.exposure.start);
    singles
}
