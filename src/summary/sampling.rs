//! The uncertainty from the unknown light between two readings: the variance of its integral, estimated from the deviation of
//! readings from the line between their neighbours.
//!
//! For values at an interval h the variance of the sum is h²/6 · Σ (xᵢ − 2xᵢ₊₁ + xᵢ₊₂)². This is exact for independent values, as
//! of clouds that pass within one interval, and an upper bound for smoother light. It was confirmed with measured minutes (BSRN
//! Payerne, SURFRAD Alamosa) thinned to 2 to 15 minutes: see `tests/references/daily.rs`. Here it is divided among the intervals,
//! which may differ in length: both ends of an interval are compared with the line through points one length away, at readings or
//! between them.

use super::sample::Sample;
use super::switching::{Switching, between};

/// The readings around an interval.
#[derive(Clone, Copy)]
pub(super) struct Neighbours<'a> {
    pub(super) samples: &'a [Sample],
    pub(super) switchings: &'a [Switching],
    /// Longest time over which light is interpolated [µs].
    pub(super) at_most: i64,
}

impl Neighbours<'_> {
    /// Variance of the integral over the interval between two samples with linear interpolation [(unit of the quantity × s)²].
    pub(super) fn variance(&self, a: &Sample, b: &Sample) -> f64 {
        let length = b.t - a.t;
        let before = self.value(a.t - length, a).map(|v| a.value - 0.5 * (v + b.value));
        let after = self.value(b.t + length, b).map(|v| b.value - 0.5 * (a.value + v));
        let square = match (before, after) {
            (Some(e), Some(f)) => 0.5 * (e * e + f * f),
            (Some(e), None) | (None, Some(e)) => e * e,
            // Only the change between the two samples is known.
            (None, None) => 0.25 * (b.value - a.value).powi(2),
        };
        let seconds = length as f64 * 1e-6;
        seconds * seconds * 2.0 / 3.0 * square
    }

    /// The light at an instant, linear between readings; `None` if it is unknown, or if lamps were switched between it and
    /// `from`.
    fn value(&self, t: i64, from: &Sample) -> Option<f64> {
        if between(self.switchings, t.min(from.t), t.max(from.t)) != Ok(None) {
            return None;
        }
        let k = self.samples.partition_point(|s| s.t < t);
        let right = self.samples.get(k)?;
        if right.t == t {
            return Some(right.value);
        }
        let left = self.samples.get(k.checked_sub(1)?)?;
        let share = (t - left.t) as f64 / (right.t - left.t) as f64;
        (right.t - left.t <= self.at_most).then_some(left.value + (right.value - left.value) * share)
    }
}
