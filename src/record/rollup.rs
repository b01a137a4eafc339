//! What an hour of readings comes to.

/// One quantity in one hour.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct HourValue {
    /// Lowest, mean and highest of the values that are not bad, in the quantity's unit; `None` where all are.
    pub range: Option<[f64; 3]>,
    /// How many values are good, suspect, bad.
    pub verdicts: [u32; 3],
}

impl HourValue {
    /// How many values the range is of.
    pub fn used(&self) -> u32 {
        self.verdicts[0] + self.verdicts[1]
    }
}
