//! A value of a quantity at an instant. Plain data.

/// A value at an instant.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Sample {
    /// Instant [µs].
    pub(super) t: i64,
    pub(super) value: f64,
    pub(super) uncertainty: f64,
    pub(super) suspect: bool,
}
