//! The course of one quantity through a day: straight between readings, cut where none were.
//!
//! **The gap rule.** Between two values that are not bad and at most `interpolate_up_to_s` apart the light runs straight. Over a longer time it
//! is not known, but where it is dark whether or not anybody looks ([`super::Rules`]): there it is zero, and the dark is bridged
//! to as a reading is. A day's edge is met by the neighbours beyond it under the same rule. Integrals are therefore
//! trapezoids, exact for light that is straight between readings.
//!
//! **Uncertainty.** A value comes with the uncertainty of all its parts together; how much of it is common to the day (the
//! calibration's, by far the most in daylight) and how much is noise that averages out is not kept. The uncertainty of a
//! sum is therefore the sum of the uncertainties, as if all of it were common: an upper bound, and never too small.

/// A value at an instant.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Sample {
    /// When [µs].
    pub(super) t: i64,
    pub(super) value: f64,
    pub(super) uncertainty: f64,
    pub(super) suspect: bool,
}

/// A stretch in which the light is known.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Piece {
    from: i64,
    to: i64,
    value: [f64; 2],
    uncertainty: [f64; 2],
    suspect: bool,
}

/// What a stretch of a course adds up to.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(super) struct Sum {
    /// Unit of the quantity times seconds.
    pub(super) amount: f64,
    pub(super) uncertainty: f64,
    /// Amount from pieces that begin or end at a suspect value, without its sign.
    pub(super) suspect: f64,
    /// The same of all pieces.
    pub(super) gross: f64,
    /// Time known [µs].
    pub(super) known: i64,
}

impl Sum {
    /// The share of the amount that rests on suspect values [1].
    pub(super) fn suspect_share(&self) -> f64 {
        if self.gross > 0.0 { (self.suspect / self.gross).clamp(0.0, 1.0) } else { 0.0 }
    }
}

/// The course of one quantity through a day.
#[derive(Clone, Debug)]
pub(super) struct Course {
    pieces: Vec<Piece>,
    /// Whether any piece lies between values, rather than in the dark.
    measured: bool,
    starts: i64,
    ends: i64,
}

impl Course {
    /// Between `starts` and `ends`, through samples in order of time; `dark` are the stretches of it that are dark by
    /// themselves, in order.
    pub(super) fn new(samples: &[Sample], (starts, ends): (i64, i64), bridge: i64, dark: &[(i64, i64)]) -> Self {
        let mut course = Self { pieces: Vec::with_capacity(samples.len()), measured: false, starts, ends };
        let mut last: Option<Sample> = None;
        for &sample in samples {
            match last {
                Some(before) if sample.t - before.t <= bridge => course.line(before, sample),
                _ => course.gap(last, Some(sample), bridge, dark),
            }
            last = Some(sample);
        }
        course.gap(last, None, bridge, dark);
        course
    }

    /// A time over which readings cannot be bridged: the dark in it is light known to be zero, met like a reading.
    fn gap(&mut self, mut last: Option<Sample>, next: Option<Sample>, bridge: i64, dark: &[(i64, i64)]) {
        let zero = |t| Sample { t, value: 0.0, uncertainty: 0.0, suspect: false };
        let (begin, end) = (last.map_or(i64::MIN, |s| s.t), next.map_or(i64::MAX, |s| s.t));
        for &(a, b) in dark {
            let (a, b) = (a.max(begin), b.min(end));
            if a >= b {
                continue;
            }
            if let Some(before) = last.filter(|s| a - s.t <= bridge) {
                self.line(before, zero(a));
            }
            let (from, to) = (a.max(self.starts), b.min(self.ends));
            if from < to {
                self.pieces.push(Piece { from, to, value: [0.0; 2], uncertainty: [0.0; 2], suspect: false });
            }
            last = Some(zero(b));
        }
        if let (Some(before), Some(next)) = (last, next)
            && next.t - before.t <= bridge
        {
            self.line(before, next);
        }
    }

    fn line(&mut self, a: Sample, b: Sample) {
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
        });
        self.measured = true;
    }

    /// Whether any of it lies between values.
    pub(super) fn is_measured(&self) -> bool {
        self.measured
    }

    /// The share of the day that is known [1]; exactly 1 where all of it is.
    pub(super) fn data_coverage(&self) -> f64 {
        let known: i64 = self.pieces.iter().map(|p| p.to - p.from).sum();
        known as f64 / (self.ends - self.starts) as f64
    }

    /// The whole day.
    pub(super) fn sum(&self) -> Sum {
        self.pieces.iter().fold(Sum::default(), |s, p| s.and(p))
    }

    /// Time known within stretches that are in order [µs].
    pub(super) fn known_within(&self, stretches: &[(i64, i64)]) -> i64 {
        let within = |p: &Piece| -> i64 { stretches.iter().map(|(a, b)| (p.to.min(*b) - p.from.max(*a)).max(0)).sum() };
        self.pieces.iter().map(within).sum()
    }

    /// Time during which the value is above a level [s], and the share of it that rests on suspect values.
    pub(super) fn above(&self, level: f64) -> (f64, f64) {
        let (mut all, mut suspect) = (0.0, 0.0);
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
        }
        (all, if all > 0.0 { suspect / all } else { 0.0 })
    }

    /// The highest mean over a window of this length [µs] that is known without a hole and begins or ends at a reading: the mean's
    /// sum, and the middle of the window.
    pub(super) fn highest_mean(&self, length: i64) -> Option<(Sum, i64)> {
        // Sums up to the beginning of each piece, so that a window costs no walk.
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
            // The earliest of equals, whatever the order in which they are looked at.
            let middle = begin + length / 2;
            if best.is_none_or(|(s, at)| sum.amount > s.amount || (sum.amount == s.amount && middle < at)) {
                best = Some((sum, middle));
            }
        }
        best
    }
}

impl Piece {
    /// The part of it before an instant within it.
    fn cut(&self, t: i64) -> Self {
        let share = (t - self.from) as f64 / (self.to - self.from) as f64;
        let end = |ends: [f64; 2]| [ends[0], ends[0] + (ends[1] - ends[0]) * share];
        Self { to: t, value: end(self.value), uncertainty: end(self.uncertainty), ..*self }
    }
}

impl Sum {
    fn and(mut self, p: &Piece) -> Self {
        let length = (p.to - p.from) as f64 * 1e-6;
        let amount = 0.5 * (p.value[0] + p.value[1]) * length;
        self.amount += amount;
        self.uncertainty += 0.5 * (p.uncertainty[0] + p.uncertainty[1]) * length;
        self.gross += amount.abs();
        self.suspect += if p.suspect { amount.abs() } else { 0.0 };
        self.known += p.to - p.from;
        self
    }

    fn less(mut self, other: &Self) -> Self {
        self.amount -= other.amount;
        self.uncertainty -= other.uncertainty;
        self.gross -= other.gross;
        self.suspect -= other.suspect;
        self.known -= other.known;
        self
    }
}
