//! Properties of a detector.

use super::pixel_ranges::PixelRanges;

/// Properties of a detector, as reported by the instrument on connection.
#[derive(Clone, Debug, PartialEq)]
pub struct Detector {
    /// Number of pixels, including shielded pixels.
    pub pixels: usize,
    /// Full scale [counts].
    pub full_scale: u32,
    /// Light-shielded pixels.
    pub shielded: PixelRanges,
    /// Shortest integration time [s].
    pub integration_min_s: f64,
    /// Longest integration time [s].
    pub integration_max_s: f64,
    /// Whether the instrument has a shutter.
    pub has_shutter: bool,
    /// Transfer time of the block of one exposure [s].
    pub transfer_s: f64,
}
