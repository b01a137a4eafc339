//! The range of a number, with its description for messages.

use std::fmt;

/// A range of finite numbers: no range contains NaN or an infinity.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Range {
    low: f64,
    low_included: bool,
    high: f64,
    unit: &'static str,
}

impl Range {
    /// From `low` to `high`, both included. `unit` appears in messages and may be empty.
    pub const fn between(low: f64, high: f64, unit: &'static str) -> Self {
        Self { low, low_included: true, high, unit }
    }
    /// Greater than `low`.
    pub const fn above(low: f64, unit: &'static str) -> Self {
        Self { low, low_included: false, high: f64::INFINITY, unit }
    }
    /// `low` or more.
    pub const fn at_least(low: f64, unit: &'static str) -> Self {
        Self { low, low_included: true, high: f64::INFINITY, unit }
    }
    /// Any finite number.
    pub const fn finite(unit: &'static str) -> Self {
        Self { low: f64::NEG_INFINITY, low_included: false, high: f64::INFINITY, unit }
    }
    /// The same range with an upper limit, included.
    pub const fn up_to(self, high: f64) -> Self {
        Self { high, ..self }
    }
    /// Whether the range contains `value`.
    pub fn contains(&self, value: f64) -> bool {
        let above = if self.low_included { value >= self.low } else { value > self.low };
        above && value <= self.high && value.is_finite()
    }
}

impl fmt::Display for Range {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match (self.low.is_finite(), self.low_included, self.high.is_finite()) {
            (true, true, true) => write!(f, "from {} to {}", self.low, self.high)?,
            (true, false, true) => write!(f, "above {} and at most {}", self.low, self.high)?,
            (true, true, false) => write!(f, "of at least {}", self.low)?,
            (true, false, false) => write!(f, "above {}", self.low)?,
            (false, _, true) => write!(f, "of at most {}", self.high)?,
            (false, _, false) => write!(f, "that is finite")?,
        }
        if self.unit.is_empty() { Ok(()) } else { write!(f, " [{}]", self.unit) }
    }
}
