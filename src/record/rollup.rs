//! The roll-up of an hour.

/// Statistics of a quantity over an hour.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct HourValue {
    /// Minimum, mean and maximum of the values that are not bad, in the unit of the quantity; `None` if all are bad.
    pub range: Option<[f64; 3]>,
    /// Number of good, suspect and bad values.
    pub verdicts: [u32; 3],
}

impl HourValue {
    /// Number of values in the statistics.
    pub fn used(&self) -> u32 {
        self.verdicts[0] + self.verdicts[1]
    }
}
