//! What an instrument says about its own detector.

use super::pixel_ranges::PixelRanges;

/// Facts about a detector, as the instrument answered them when it was connected.
#[derive(Clone, Debug, PartialEq)]
pub struct Detector {
    /// Number of pixels, shielded ones too.
    pub pixels: usize,
    /// Full-scale reading [counts].
    pub full_scale: u32,
    /// Light-shielded pixels.
    pub shielded: PixelRanges,
    /// Shortest integration time [s].
    pub integration_min_s: f64,
    /// Longest integration time [s].
    pub integration_max_s: f64,
    /// Whether there is a shutter.
    pub has_shutter: bool,
    /// Time one exposure's block takes on the line [s].
    pub transfer_s: f64,
}
