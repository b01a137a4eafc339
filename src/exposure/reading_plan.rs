//! One reading as a state machine: it names the next exposure, takes what came, and ends with frames.
//!
//! The first frame is checked before the budget is spent, and repeated with a better integration time where it is clipped or
//! far too dark; then the short bracket is completed, and the long (ultraviolet) bracket follows, in which visible pixels clip as
//! expected. A window cycles through both brackets until it ends. Does no input or output and reads no clock. Invariants:
//!
//! - exposures that are no whole half-cycles of the mains begin at random phases of the lamps' ripple;
//! - a clipped exposure of the short bracket is used only when there is no better one;
//! - the planned end of an exposure never lies beyond the budget, the very first exposure excepted;
//! - a fault in between leaves what was collected usable.

use super::control::{ExposureState, Step};
use super::exposures::{ExposureGroup, usable};
use super::frame_statistics::FrameStatistics;
use super::setup::ExposureSetup;
use crate::clock::UtcMicros;
use crate::record::mains_ripple::ripple_period_s;
use crate::record::{Exposure, Frame, Shutter, whole_half_cycles};
use rand::{Rng, SeedableRng};
use rand_pcg::Pcg64Mcg;

/// Exposures that one reading may spend on finding its integration time.
const TRIES: u32 = 8;
/// Exposures of the short bracket between two long ones in a window, at most.
const SHORTS_A_LONG: f64 = 6.0;

/// What the loop has to do next.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Action {
    /// Expose once.
    Expose {
        /// Integration time to set [s].
        integration_s: f64,
        /// The shutter meanwhile.
        shutter: Shutter,
        /// Time to wait before [s]: a random part of the ripple's period where lamps ripple within the exposure, otherwise 0.
        delay_s: f64,
    },
    /// The reading is complete: [`ReadingPlan::finish`].
    Finish,
}

/// One exposure of a window, for minimum, maximum and deviation.
#[derive(Clone, Debug, PartialEq)]
pub struct Single {
    /// The index of its frame in [`AcquiredFrames::frames`].
    pub frame: usize,
    /// The exposure.
    pub exposure: Exposure,
}

/// What a reading collected.
#[derive(Clone, Debug, PartialEq)]
pub struct AcquiredFrames {
    /// Shortest bracket first, only usable exposures; empty when a fault left nothing.
    pub frames: Vec<Frame>,
    /// The single exposures of a window, in the order of time; empty for a single shot.
    pub singles: Vec<Single>,
    /// State of exposure control for the next reading.
    pub state: ExposureState,
    /// Peak level of the short bracket: highest counts of a watched pixel over full scale [1].
    pub peak_level: f64,
    /// Whether the short bracket is unclipped and as well exposed as limits and budget allow.
    pub converged: bool,
}

impl AcquiredFrames {
    /// Of a reading that never began.
    pub fn none(state: ExposureState) -> Self {
        Self { frames: Vec::new(), singles: Vec::new(), state, peak_level: 0.0, converged: false }
    }

    /// The exposures of a window, bracket by bracket, as frames of one; empty for a single shot.
    pub fn single_frames(&self) -> Vec<Vec<Frame>> {
        if self.singles.is_empty() {
            return Vec::new();
        }
        let mut by_bracket = vec![Vec::new(); self.frames.len()];
        for single in &self.singles {
            if let (Some(bracket), Some(frame)) = (by_bracket.get_mut(single.frame), self.frames.get(single.frame)) {
                // Clipping is that of the whole bracket: a pixel that clipped once is left out of the whole window.
                bracket.extend(
                    Frame::of(std::slice::from_ref(&single.exposure), |_| false)
                        .map(|f| Frame { clipped: frame.clipped.clone(), ..f }),
                );
            }
        }
        by_bracket
    }
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Bracket {
    Short,
    Long,
}

/// Exposures around one integration time of the short bracket.
#[derive(Clone, Debug, Default)]
struct Attempt {
    short: ExposureGroup,
    long: ExposureGroup,
    affected: bool,
    settled: bool,
    peak_level: f64,
    cycle: u32,
}

/// One reading under way.
#[derive(Clone, Debug)]
pub struct ReadingPlan<'a> {
    setup: &'a ExposureSetup,
    state: ExposureState,
    end: UtcMicros,
    now: UtcMicros,
    current: f64,
    attempt: Attempt,
    earlier: Vec<Attempt>,
    pending: Option<(Bracket, f64)>,
    active: Option<f64>,
    discards_left: u32,
    exposed: bool,
    tries: u32,
    done: bool,
    /// Draws the delays.
    delays: Pcg64Mcg,
}

impl<'a> ReadingPlan<'a> {
    /// A reading that begins at `start`, which is also the seed of its random delays.
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
            discards_left: 0,
            exposed: false,
            tries: 0,
            done: false,
            delays: Pcg64Mcg::seed_from_u64(start.0.cast_unsigned()),
        }
    }

    /// What to do at `now`.
    pub fn next(&mut self, now: UtcMicros) -> Action {
        self.now = self.now.max(now);
        // An exposure that was requested and never came (after a fault) is requested again.
        self.pending = None;
        let Some((bracket, integration_s)) = self.wanted() else {
            self.done = true;
            return Action::Finish;
        };
        if !self.active.is_some_and(|t| Frame::same_integration(t, integration_s)) {
            self.active = Some(integration_s);
            self.discards_left = self.setup.exposure.discard_frames;
        }
        self.exposed = true;
        self.pending = Some((bracket, integration_s));
        Action::Expose { integration_s, shutter: Shutter::Open, delay_s: self.delay_s(integration_s) }
    }

    /// Exposures of a reading follow each other at a fixed rate, which may keep them in phase with the ripple. A delay drawn evenly from
    /// one period makes the phase random, whatever it was.
    fn delay_s(&mut self, integration_s: f64) -> f64 {
        match ripple_period_s(self.setup.mains_hz) {
            Some(period_s) if !whole_half_cycles(integration_s, self.setup.mains_hz) => {
                self.delays.random_range(0.0..period_s)
            }
            _ => 0.0,
        }
    }

    fn wanted(&mut self) -> Option<(Bracket, f64)> {
        if self.done {
            return None;
        }
        let room = self.room_s(Some(self.current));
        if self.attempt.short.exposures.is_empty() {
            if !self.exposed {
                return Some((Bracket::Short, self.current));
            }
            if self.tries >= TRIES {
                return None;
            }
            if self.current > room {
                let shorter = self.setup.grid.floor(self.room_s(None));
                // Less light than an unclipped attempt already has is not worth the time.
                let had = self.earlier.iter().filter(|a| !a.affected).filter_map(|a| a.short.exposures.last());
                if shorter > self.room_s(None) || had.into_iter().any(|e| e.integration_s >= shorter) {
                    return None;
                }
                self.current = shorter;
            }
            return Some((Bracket::Short, self.current));
        }
        let short_fits = self.current <= room && self.attempt.short.has_room(self.setup);
        if self.setup.window_s.is_some() { self.wanted_in_window(short_fits) } else { self.wanted_in_shot(short_fits) }
    }

    fn wanted_in_shot(&mut self, short_fits: bool) -> Option<(Bracket, f64)> {
        if (self.attempt.short.exposures.len() as u32) < self.setup.exposure.exposures.clamp(1, 4) && short_fits {
            return Some((Bracket::Short, self.current));
        }
        let taken = self.attempt.long.exposures.len() as u32;
        if self.attempt.affected || taken >= self.setup.exposure.bracket_exposures.clamp(1, 4) {
            return None;
        }
        let long = match self.long_active() {
            Some(t) => Some(t).filter(|t| *t <= self.room_s(Some(*t))),
            None => ExposureState::long_bracket_s(self.setup, self.current, self.room_s(None)),
        }?;
        self.attempt.long.has_room(self.setup).then_some((Bracket::Long, long))
    }

    fn wanted_in_window(&mut self, short_fits: bool) -> Option<(Bracket, f64)> {
        // A long exposure may take a quarter of the window, so that several see different light.
        let most = self.room_s(None).min(0.25 * self.setup.budget_s());
        let long = match self.long_active() {
            Some(t) => Some(t).filter(|t| *t <= self.room_s(Some(*t))),
            None => ExposureState::long_bracket_s(self.setup, self.current, most),
        };
        let long = long.filter(|_| self.attempt.long.has_room(self.setup) && !self.attempt.affected);
        if let Some(long) = long {
            let cost = |t: f64| t + self.setup.overhead_s();
            let shorts = (cost(long) / cost(self.current)).round().clamp(1.0, SHORTS_A_LONG) as u32;
            if self.attempt.cycle >= shorts || !short_fits {
                self.attempt.cycle = 0;
                return Some((Bracket::Long, long));
            }
        }
        self.attempt.cycle += 1;
        short_fits.then_some((Bracket::Short, self.current))
    }

    fn long_active(&self) -> Option<f64> {
        self.state.long_s.filter(|_| !self.attempt.long.exposures.is_empty())
    }

    /// Longest integration time that ends within the budget [s], frames to be dropped included: none are for the time
    /// that is in force.
    fn room_s(&self, integration_s: Option<f64>) -> f64 {
        let same = self.active.zip(integration_s).is_some_and(|(a, b)| Frame::same_integration(a, b));
        let dropped = if same { self.discards_left } else { self.setup.exposure.discard_frames };
        self.end.seconds_since(self.now) / (1.0 + f64::from(dropped)) - self.setup.overhead_s()
    }

    /// Takes the exposure that was asked for. What does not fit the detector, or was not asked for, is left out.
    pub fn take(&mut self, exposure: Exposure) {
        let Some((bracket, asked)) = self.pending.take() else { return };
        self.now = self.now.max(exposure.end());
        if exposure.counts.len() != self.setup.detector.pixels || exposure.shutter != Shutter::Open {
            return;
        }
        if self.discards_left > 0 {
            self.discards_left -= 1;
            return;
        }
        match bracket {
            Bracket::Long => {
                self.state.long_s = Some(asked);
                // An instrument that rounds the same request differently would be odd; such an exposure is left out.
                let _ = self.attempt.long.add(exposure);
            }
            Bracket::Short => self.take_short(exposure, asked),
        }
    }

    fn take_short(&mut self, exposure: Exposure, asked: f64) {
        let mut statistics = FrameStatistics::of(self.setup, &exposure, &self.state.stuck);
        let shortest = asked <= self.setup.grid.shortest() * (1.0 + 1e-6);
        if statistics.is_affected() && shortest {
            // Nothing shorter is left: single pixels that are still clipped, their neighbours dark, are dead and not lit.
            if let Some(stuck) = statistics.lone_clipped(self.setup, &exposure.counts) {
                self.state.stuck = stuck;
                statistics = FrameStatistics::of(self.setup, &exposure, &self.state.stuck);
            }
        }
        let tuning = self.attempt.short.exposures.is_empty();
        // Another exposure comes only after this one's transfer.
        let frames = 1.0 + f64::from(self.setup.exposure.discard_frames);
        let left = (self.end.seconds_since(self.now) - self.setup.overhead_s()) / frames - self.setup.overhead_s();
        let step = self.state.assess(self.setup, &statistics, asked, left.min(self.setup.longest_short_s()));
        self.state.learn(self.setup, &statistics, &exposure.counts, asked);
        self.tries += u32::from(tuning || statistics.is_affected());
        let retry = match step {
            Step::Retry(t) if (tuning || statistics.is_affected()) && self.tries < TRIES => Some(t),
            _ => None,
        };
        let Some(better) = retry else {
            if statistics.is_affected() && !tuning && !self.attempt.affected {
                // It clips at the last moment: what was collected before stands, unclipped, and ends here.
                self.done = true;
                return;
            }
            return self.keep(exposure, &statistics, asked);
        };
        if tuning {
            self.keep(exposure, &statistics, asked);
            self.attempt.settled = false;
        } else if self.setup.window_s.is_some() && left < 0.5 * self.setup.budget_s() {
            // Most of the window is behind us: it ends here, before the light it was not ready for.
            self.done = true;
            return;
        }
        self.earlier.push(std::mem::take(&mut self.attempt));
        self.current = better;
    }

    fn keep(&mut self, exposure: Exposure, statistics: &FrameStatistics, asked: f64) {
        let best = self.state.best_s(self.setup, statistics, asked, self.setup.longest_short_s());
        if self.attempt.short.add(exposure).is_ok() {
            self.attempt.affected |= statistics.is_affected();
            // The lower edge of the band kept asks for 1.7 times the time; noise must not tip a frame on that edge.
            self.attempt.settled = !statistics.is_affected() && best <= asked * 2.0;
            self.attempt.peak_level = self.attempt.peak_level.max(statistics.peak_level);
        }
    }

    /// Ends the reading, at any time, and hands over what is usable.
    pub fn finish(self) -> AcquiredFrames {
        let setup = self.setup;
        let window = setup.window_s.is_some();
        let attempts: Vec<Attempt> =
            self.earlier.into_iter().chain([self.attempt]).filter(|a| !a.short.exposures.is_empty()).collect();
        let chosen = best_of(attempts, window).unwrap_or_default();
        // A long frame in which every pixel in use is clipped is useless.
        let useful = |f: &Frame| usable(setup, &f.clipped.to_mask(setup.detector.pixels)).contains(&true);
        let long = chosen.long.frame(setup).filter(useful);
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
            converged: chosen.settled && !chosen.affected,
        }
    }
}

/// The attempt whose exposures make the reading: the last unclipped one (of a window, the longest), or the shortest of all.
fn best_of(attempts: Vec<Attempt>, window: bool) -> Option<Attempt> {
    if attempts.iter().any(|a| !a.affected) {
        let mut clean = attempts.into_iter().filter(|a| !a.affected);
        return if window {
            clean.max_by(|a, b| a.short.span_s().total_cmp(&b.short.span_s()))
        } else {
            clean.next_back()
        };
    }
    // All are clipped: the shortest clips least.
    let time = |a: &Attempt| a.short.exposures.first().map_or(f64::INFINITY, |e| e.integration_s);
    attempts.into_iter().min_by(|a, b| time(a).total_cmp(&time(b)))
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
