//! The course of one quantity through a day: linear between readings, with gaps where readings are missing.
//!
//! **Gap rule.** The course is linear between two values that are not bad and at most `interpolate_up_to_s` apart. Over a longer
//! time it is unknown, except in periods that are dark independent of readings ([`super::Rules`]): there it is zero, and the edge
//! of the dark period is interpolated to like a reading. Readings beyond the edges of the day are used under the same rule.
//! Integrals are trapezoids, exact for light that is linear between readings. Where lamps were switched between two readings the
//! light steps half-way, because the instant is unknown.
//!
//! **Uncertainty** of a sum, from three independent parts:
//! - That of the values. It combines all components; its division into the part common to the day (from the calibration, by far
//!   the largest in daylight) and noise that averages out is not stored. So it is the sum of the uncertainties, as for full
//!   correlation: an upper bound.
//! - That of light between readings ([`super::sampling`]).
//! - That of the instants of switching, each evenly distributed between two readings. They recur with a schedule that may be in
//!   step
//!   with the readings, so those of one direction are fully correlated; switching on and off are independent.

use super::sample::Sample;
use super::sampling::Neighbours;
use super::switching::{Switching, between};

/// A time segment with known light, linear between its ends.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
struct Piece {
    from: i64,
    to: i64,
    value: [f64; 2],
    uncertainty: [f64; 2],
    suspect: bool,
    /// Variance of the integral due to light between the readings [(unit × s)²].
    sampling: f64,
    /// The switching of lamps in which it ends.
    step: Option<Step>,
}

/// The end of a piece at which lamps are switched.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Step {
    /// Standard uncertainty of its instant [s].
    uncertainty_s: f64,
    /// Value after it minus value before it.
    height: f64,
    /// Whether more lamps are on afterwards.
    on: bool,
}

/// Integrals over a part of a course.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(super) struct Sum {
    /// Integral of the value [unit of the quantity × s].
    pub(super) amount: f64,
    /// Integral of the values' uncertainties.
    values: f64,
    /// Variance due to light between readings.
    sampling: f64,
    /// Effect of one standard uncertainty of the instants of switching on and off.
    switching: [f64; 2],
    /// Absolute integral over pieces that begin or end at a suspect value.
    pub(super) suspect: f64,
    /// Absolute integral over all pieces.
    pub(super) gross: f64,
    /// Duration of the known course [µs].
    pub(super) known: i64,
}

impl Sum {
    /// Standard uncertainty of the integral.
    pub(super) fn uncertainty(&self) -> f64 {
        let [on, off] = self.switching;
        (self.values * self.values + self.sampling.max(0.0) + on * on + off * off).sqrt()
    }

    /// Share of the integral that comes from suspect values [1].
    pub(super) fn suspect_share(&self) -> f64 {
        if self.gross > 0.0 { (self.suspect / self.gross).clamp(0.0, 1.0) } else { 0.0 }
    }
}

/// The course of one quantity through a day.
#[derive(Clone, Debug)]
pub(super) struct Course {
    pieces: Vec<Piece>,
    /// Whether any piece is between measured values; otherwise all are dark periods.
    measured: bool,
    starts: i64,
    ends: i64,
}

impl Course {
    /// The course from `starts` to `ends` through samples in order of time; `dark`: the dark periods, `switchings`: those of the
    /// lamps, both in order.
    pub(super) fn new(
        samples: &[Sample],
        (starts, ends): (i64, i64),
        interpolate_up_to: i64,
        dark: &[(i64, i64)],
        switchings: &[Switching],
    ) -> Self {
        let mut course = Self { pieces: Vec::with_capacity(samples.len()), measured: false, starts, ends };
        let around = Neighbours { samples, switchings, at_most: interpolate_up_to };
        let mut last: Option<Sample> = None;
        for &sample in samples {
            match last {
                Some(before) if sample.t - before.t <= interpolate_up_to => course.line(before, sample, &around),
                _ => course.gap(last, Some(sample), dark, &around),
            }
            last = Some(sample);
        }
        course.gap(last, None, dark, &around);
        course
    }

    /// Adds the dark periods of a time too long for interpolation: the light is zero there, and their edges act like readings.
    fn gap(&mut self, mut last: Option<Sample>, next: Option<Sample>, dark: &[(i64, i64)], around: &Neighbours<'_>) {
        let zero = |t| Sample { t, value: 0.0, uncertainty: 0.0, suspect: false };
        let (begin, end) = (last.map_or(i64::MIN, |s| s.t), next.map_or(i64::MAX, |s| s.t));
        for &(a, b) in dark {
            let (a, b) = (a.max(begin), b.min(end));
            if a >= b {
                continue;
            }
            if let Some(before) = last.filter(|s| a - s.t <= around.at_most) {
                self.line(before, zero(a), around);
            }
            let (from, to) = (a.max(self.starts), b.min(self.ends));
            if from < to {
                let flat = Piece { from, to, value: [0.0; 2], uncertainty: [0.0; 2], ..Piece::default() };
                self.pieces.push(flat);
            }
            last = Some(zero(b));
        }
        if let (Some(before), Some(next)) = (last, next)
            && next.t - before.t <= around.at_most
        {
            self.line(before, next, around);
        }
    }

    /// Adds the light between two samples: a line, or a step where lamps were switched.
    fn line(&mut self, a: Sample, b: Sample, around: &Neighbours<'_>) {
        let Ok(Some(Switching { from, to, on })) = between(around.switchings, a.t, b.t) else {
            let sampling = around.variance(&a, &b);
            return self.straight(a, b, sampling, None);
        };
        let middle = from + (to - from) / 2;
        let suspect = a.suspect || b.suspect;
        let uncertainty_s = (to - from) as f64 * 1e-6 / 12f64.sqrt();
        let step = Step { uncertainty_s, height: b.value - a.value, on };
        self.straight(Sample { suspect, ..a }, Sample { t: middle, suspect, ..a }, 0.0, Some(step));
        self.straight(Sample { t: middle, suspect, ..b }, Sample { suspect, ..b }, 0.0, None);
    }

    fn straight(&mut self, a: Sample, b: Sample, sampling: f64, step: Option<Step>) {
        let (from, to) = (a.t.max(self.starts), b.t.min(self.ends));
        if from >= to {
            return;
        }
        let at = |t: i64, ends: [f64; 2]| {
            let share = (t - a.t) as f64 / (b.t - a.t) as f64;
            if t == b.t { ends[1] } else { ends[0] + (ends[1] - ends[0]) * share }
        };
        self.pieces.push(Piece {
            from,
            to,
            value: [from, to].map(|t| at(t, [a.value, b.value])),
            uncertainty: [from, to].map(|t| at(t, [a.uncertainty, b.uncertainty])),
            suspect: a.suspect || b.suspect,
            sampling: sampling * (to - from) as f64 / (b.t - a.t) as f64,
            step: step.filter(|_| to == b.t),
        });
        self.measured = true;
    }

    /// Whether any part of the course is measured.
    pub(super) fn is_measured(&self) -> bool {
        self.measured
    }

    /// Share of the day with a known course [1]; exactly 1 if complete.
    pub(super) fn data_coverage(&self) -> f64 {
        let known: i64 = self.pieces.iter().map(|p| p.to - p.from).sum();
        known as f64 / (self.ends - self.starts) as f64
    }

    /// Integrals over the whole day.
    pub(super) fn sum(&self) -> Sum {
        self.pieces.iter().fold(Sum::default(), |s, p| s.and(p))
    }

    /// Duration of the known course within periods that are in order [µs].
    pub(super) fn known_within(&self, stretches: &[(i64, i64)]) -> i64 {
        let within = |p: &Piece| -> i64 { stretches.iter().map(|(a, b)| (p.to.min(*b) - p.from.max(*a)).max(0)).sum() };
        self.pieces.iter().map(within).sum()
    }

    /// Time with the value above a level [s], its standard uncertainty [s], and the share of it that comes from suspect values.
    ///
    /// The instant of a crossing between two readings is unknown. Crossings are independent of each other, except switchings of
    /// lamps.
    pub(super) fn above(&self, level: f64) -> (f64, f64, f64) {
        let (mut all, mut suspect, mut crossings, mut switching) = (0.0, 0.0, 0.0, [0.0; 2]);
        for p in &self.pieces {
            let length = (p.to - p.from) as f64 * 1e-6;
            let [a, b] = p.value.map(|v| v - level);
            let share = match (a > 0.0, b > 0.0) {
                (true, true) => 1.0,
                (false, false) => 0.0,
                (true, false) => a / (a - b),
                (false, true) => b / (b - a),
            };
            all += share * length;
            suspect += if p.suspect { share * length } else { 0.0 };
            if (a > 0.0) != (b > 0.0) {
                crossings += length * length / 12.0;
            }
            if let Some(step) = p.step.filter(|s| (b > 0.0) != (b + s.height > 0.0)) {
                switching[usize::from(!step.on)] += step.uncertainty_s;
            }
        }
        let [on, off] = switching;
        let uncertainty: f64 = crossings + on * on + off * off;
        (all, uncertainty.sqrt(), if all > 0.0 { suspect / all } else { 0.0 })
    }

    /// The highest mean over a window of this length [µs] that has no gap and begins or ends at a reading: the integrals over the
    /// window, and its middle.
    pub(super) fn highest_mean(&self, length: i64) -> Option<(Sum, i64)> {
        // Cumulative sums at the start of each piece, so that a window needs no loop over pieces.
        let mut before = Vec::with_capacity(self.pieces.len() + 1);
        before.push(Sum::default());
        for p in &self.pieces {
            let last = before.last().copied().unwrap_or_default();
            before.push(last.and(p));
        }
        let up_to = |t: i64| -> Sum {
            let k = self.pieces.partition_point(|p| p.to <= t);
            match self.pieces.get(k) {
                Some(p) if p.from < t => before[k].and(&p.cut(t)),
                _ => before[k],
            }
        };
        let edges = self.pieces.iter().flat_map(|p| [p.from, p.to]);
        let begins = edges.flat_map(|t| [t, t - length]).filter(|t| *t >= self.starts && t + length <= self.ends);
        let mut best: Option<(Sum, i64)> = None;
        for begin in begins {
            let (a, b) = (up_to(begin), up_to(begin + length));
            if b.known - a.known != length {
                continue;
            }
            let sum = b.less(&a);
            // The earliest of equal windows, independent of the order of evaluation.
            let middle = begin + length / 2;
            if best.is_none_or(|(s, at)| sum.amount > s.amount || (sum.amount == s.amount && middle < at)) {
                best = Some((sum, middle));
            }
        }
        best
    }
}

impl Piece {
    /// The part of the piece before an instant within it.
    fn cut(&self, t: i64) -> Self {
        let share = (t - self.from) as f64 / (self.to - self.from) as f64;
        let end = |ends: [f64; 2]| [ends[0], ends[0] + (ends[1] - ends[0]) * share];
        let sampling = self.sampling * share;
        Self { to: t, value: end(self.value), uncertainty: end(self.uncertainty), sampling, step: None, ..*self }
    }
}

impl Sum {
    fn and(mut self, p: &Piece) -> Self {
        let length = (p.to - p.from) as f64 * 1e-6;
        let amount = 0.5 * (p.value[0] + p.value[1]) * length;
        self.amount += amount;
        self.values += 0.5 * (p.uncertainty[0] + p.uncertainty[1]) * length;
        self.sampling += p.sampling;
        if let Some(step) = p.step {
            self.switching[usize::from(!step.on)] += step.height * step.uncertainty_s;
        }
        self.gross += amount.abs();
        self.suspect += if p.suspect { amount.abs() } else { 0.0 };
        self.known += p.to - p.from;
        self
    }

    fn less(mut self, other: &Self) -> Self {
        self.amount -= other.amount;
        self.values -= other.values;
        self.sampling -= other.sampling;
        self.switching.iter_mut().zip(other.switching).for_each(|(s, o)| *s -= o);
        self.gross -= other.gross;
        self.suspect -= other.suspect;
        self.known -= other.known;
        self
    }
}
