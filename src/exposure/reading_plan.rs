//! One reading as a state machine: it says which exposure comes next, takes what came, and ends with frames.
//!
//! A reading looks at its first frame before it spends its budget, repeats it with a better integration time where it is
//! clipped or far too dark, completes the short bracket, then takes the longer ultraviolet bracket in which visible pixels clip
//! as expected. A window goes on cycling through both brackets. What must stay true: a clipped exposure of the short bracket
//! serves only when nothing better was had; the end planned for an exposure never lies beyond the budget, the very first
//! excepted; a fault in between leaves what was collected usable.

use super::control::{ExposureState, Step};
use super::exposures::{Group, change_between, usable};
use super::frame_statistics::FrameStatistics;
use super::grid::whole_half_cycles;
use super::setup::CaptureSetup;
use crate::clock::UtcMicros;
use crate::record::{Exposure, Frame, Shutter};

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
    },
    /// The reading is complete: [`ReadingPlan::finish`].
    Finish,
}

/// One exposure of a window, kept for minimum, maximum and deviation.
#[derive(Clone, Debug, PartialEq)]
pub struct Single {
    /// The index of its frame in [`Taken::frames`].
    pub frame: usize,
    /// The exposure.
    pub exposure: Exposure,
}

/// What a reading collected.
#[derive(Clone, Debug, PartialEq)]
pub struct Taken {
    /// Shortest bracket first, only exposures that serve; empty when a fault left nothing.
    pub frames: Vec<Frame>,
    /// The single exposures of a window, in the order of time; empty for a single shot.
    pub singles: Vec<Single>,
    /// Exposure control's memory, for the next reading.
    pub state: ExposureState,
    /// Highest peak_level of the short bracket: counts of the brightest watched pixel over full scale [1].
    pub peak_level: f64,
    /// Whether the short bracket is unclipped and as well filled as limits and budget allow.
    pub converged: bool,
    /// Whether mains ripple is left in a frame, since its integration time is not whole half-cycles.
    pub flicker: bool,
    /// Largest relative change of the light between exposures, also between brackets [1].
    pub spread: f64,
}

impl Taken {
    /// What a reading collected that never began.
    pub fn nothing(state: ExposureState) -> Self {
        Self {
            frames: Vec::new(),
            singles: Vec::new(),
            state,
            peak_level: 0.0,
            converged: false,
            flicker: false,
            spread: 0.0,
        }
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
    short: Group,
    long: Group,
    spoiled: bool,
    settled: bool,
    peak_level: f64,
    cycle: u32,
}

/// One reading under way.
#[derive(Clone, Debug)]
pub struct ReadingPlan<'a> {
    setup: &'a CaptureSetup,
    state: ExposureState,
    end: UtcMicros,
    now: UtcMicros,
    current: f64,
    attempt: Attempt,
    earlier: Vec<Attempt>,
    pending: Option<(Bracket, f64)>,
    active: Option<f64>,
    stale_left: u32,
    exposed: bool,
    tries: u32,
    done: bool,
}

impl<'a> ReadingPlan<'a> {
    /// A reading that begins at `start`.
    pub fn new(setup: &'a CaptureSetup, state: ExposureState, start: UtcMicros) -> Self {
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
            stale_left: 0,
            exposed: false,
            tries: 0,
            done: false,
        }
    }

    /// What to do at `now`.
    pub fn next(&mut self, now: UtcMicros) -> Action {
        self.now = self.now.max(now);
        // An exposure that was asked for and never came (a fault that was lived with) is simply asked for again.
        self.pending = None;
        let Some((bracket, integration_s)) = self.wanted() else {
            self.done = true;
            return Action::Finish;
        };
        if !self.active.is_some_and(|t| Frame::same_integration(t, integration_s)) {
            self.active = Some(integration_s);
            self.stale_left = self.setup.exposure.discard_frames;
        }
        self.exposed = true;
        self.pending = Some((bracket, integration_s));
        Action::Expose { integration_s, shutter: Shutter::Open }
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
                let had = self.earlier.iter().filter(|a| !a.spoiled).filter_map(|a| a.short.exposures.last());
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
        if self.attempt.spoiled || taken >= self.setup.exposure.bracket_exposures.clamp(1, 4) {
            return None;
        }
        let long = match self.long_in_force() {
            Some(t) => Some(t).filter(|t| *t <= self.room_s(Some(*t))),
            None => ExposureState::ladder_s(self.setup, self.current, self.room_s(None)),
        }?;
        self.attempt.long.has_room(self.setup).then_some((Bracket::Long, long))
    }

    fn wanted_in_window(&mut self, short_fits: bool) -> Option<(Bracket, f64)> {
        // A long exposure may take a quarter of the window, so that several see different light.
        let most = self.room_s(None).min(0.25 * self.setup.budget_s());
        let long = match self.long_in_force() {
            Some(t) => Some(t).filter(|t| *t <= self.room_s(Some(*t))),
            None => ExposureState::ladder_s(self.setup, self.current, most),
        };
        let long = long.filter(|_| self.attempt.long.has_room(self.setup) && !self.attempt.spoiled);
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

    fn long_in_force(&self) -> Option<f64> {
        self.state.long_s.filter(|_| !self.attempt.long.exposures.is_empty())
    }

    /// Longest integration time that ends within the budget [s], frames to be dropped included: none are for the time
    /// that is in force.
    fn room_s(&self, integration_s: Option<f64>) -> f64 {
        let same = self.active.zip(integration_s).is_some_and(|(a, b)| Frame::same_integration(a, b));
        let dropped = if same { self.stale_left } else { self.setup.exposure.discard_frames };
        self.end.seconds_since(self.now) / (1.0 + f64::from(dropped)) - self.setup.overhead_s()
    }

    /// Takes the exposure that was asked for. What does not fit the detector, or was not asked for, is left out.
    pub fn take(&mut self, exposure: Exposure) {
        let Some((bracket, asked)) = self.pending.take() else { return };
        self.now = self.now.max(exposure.end());
        if exposure.counts.len() != self.setup.detector.pixels || exposure.shutter != Shutter::Open {
            return;
        }
        if self.stale_left > 0 {
            self.stale_left -= 1;
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
        let mut look = FrameStatistics::at(self.setup, &exposure, &self.state.stuck);
        let shortest = asked <= self.setup.grid.shortest() * (1.0 + 1e-6);
        if look.spoiled && shortest {
            // Nothing shorter is left: single pixels that are still clipped, their neighbours dark, are dead and not lit.
            if let Some(stuck) = look.lone_clipped(self.setup, &exposure.counts) {
                self.state.stuck = stuck;
                look = FrameStatistics::at(self.setup, &exposure, &self.state.stuck);
            }
        }
        let tuning = self.attempt.short.exposures.is_empty();
        // Another exposure comes only after this one's transfer.
        let frames = 1.0 + f64::from(self.setup.exposure.discard_frames);
        let left = (self.end.seconds_since(self.now) - self.setup.overhead_s()) / frames - self.setup.overhead_s();
        let step = self.state.judge(self.setup, &look, asked, left.min(self.setup.longest_short_s()));
        self.state.learn(self.setup, &look, &exposure.counts, asked);
        self.tries += u32::from(tuning || look.spoiled);
        let retry = match step {
            Step::Better(t) if (tuning || look.spoiled) && self.tries < TRIES => Some(t),
            _ => None,
        };
        let Some(better) = retry else {
            if look.spoiled && !tuning && !self.attempt.spoiled {
                // It clips at the last moment: what was collected before stands, unclipped, and ends here.
                self.done = true;
                return;
            }
            return self.keep(exposure, &look, asked);
        };
        if tuning {
            self.keep(exposure, &look, asked);
            self.attempt.settled = false;
        } else if self.setup.window_s.is_some() && left < 0.5 * self.setup.budget_s() {
            // Most of the window is behind us: it ends here, before the light it was not ready for.
            self.done = true;
            return;
        }
        self.earlier.push(std::mem::take(&mut self.attempt));
        self.current = better;
    }

    fn keep(&mut self, exposure: Exposure, look: &FrameStatistics, asked: f64) {
        let best = self.state.best_s(self.setup, look, asked, self.setup.longest_short_s());
        if self.attempt.short.add(exposure).is_ok() {
            self.attempt.spoiled |= look.spoiled;
            // The lower edge of the band kept asks for 1.7 times the time; noise must not tip a frame on that edge.
            self.attempt.settled = !look.spoiled && best <= asked * 2.0;
            self.attempt.peak_level = self.attempt.peak_level.max(look.peak_level);
        }
    }

    /// Ends the reading, at any time, and hands over what serves.
    pub fn finish(self) -> Taken {
        let setup = self.setup;
        let window = setup.window_s.is_some();
        let attempts: Vec<Attempt> =
            self.earlier.into_iter().chain([self.attempt]).filter(|a| !a.short.exposures.is_empty()).collect();
        let chosen = if attempts.iter().any(|a| !a.spoiled) {
            let mut clean = attempts.into_iter().filter(|a| !a.spoiled);
            if window { clean.max_by(|a, b| a.short.span_s().total_cmp(&b.short.span_s())) } else { clean.next_back() }
        } else {
            // All are clipped: the shortest clips least.
            let time = |a: &Attempt| a.short.exposures.first().map_or(f64::INFINITY, |e| e.integration_s);
            attempts.into_iter().min_by(|a, b| time(a).total_cmp(&time(b)))
        }
        .unwrap_or_default();
        let mut spread = 0f64;
        let mut frames: Vec<Frame> = chosen.short.frame(setup).into_iter().collect();
        let mut singles: Vec<Single> = Vec::new();
        let mut collect = |group: &Group, frame: usize| {
            if window {
                singles.extend(group.exposures.iter().map(|e| Single { frame, exposure: e.clone() }));
            }
        };
        collect(&chosen.short, 0);
        // A long frame in which every pixel in use is clipped serves nothing.
        let serves = |g: &Group| usable(setup, &g.clipped(setup)).iter().any(|u| *u);
        if let Some(long) = chosen.long.frame(setup).filter(|_| serves(&chosen.long)) {
            spread = spread.max(change_between(setup, &chosen.short, &chosen.long));
            frames.push(long);
            collect(&chosen.long, 1);
        }
        singles.sort_by_key(|s| s.exposure.start);
        spread = frames.iter().map(|f| f64::from(f.spread)).fold(spread, f64::max);
        Taken {
            flicker: frames.iter().any(|f| !whole_half_cycles(f.integration_s, setup.mains_hz)),
            frames,
            singles,
            state: self.state,
            peak_level: chosen.peak_level,
            converged: chosen.settled && !chosen.spoiled,
            spread,
        }
    }
}
