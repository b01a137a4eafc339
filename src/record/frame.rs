//! Exposures, as delivered by the instrument, and frames, the input of the reduction.
//!
//! A frame is the lossless sum of n equal exposures, with the CRC-32 of the block of each: results can be recomputed from it, and
//! each exposure can be identified in an independent recording.

use super::pixel_ranges::PixelRanges;
use crate::clock::UtcMicros;

/// The state of the shutter during an exposure.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Shutter {
    /// Open, or the instrument has no shutter.
    Open,
    /// Closed.
    Closed,
}

/// One complete exposure with verified checksum.
#[derive(Clone, Debug, PartialEq)]
pub struct Exposure {
    /// Start of the integration.
    pub start: UtcMicros,
    /// Integration time [s], as reported by the instrument.
    pub integration_s: f64,
    /// State of the shutter.
    pub shutter: Shutter,
    /// Detector temperature [°C]; `None` without a sensor.
    pub temperature_c: Option<f64>,
    /// Counts of all pixels in detector order, including shielded pixels.
    pub counts: Vec<u32>,
    /// CRC-32 (ISO-HDLC) of the payload of the block, verified against the value sent by the instrument.
    pub crc32: u32,
    /// Number of times the block had to be read again.
    pub rereads: u32,
}

impl Exposure {
    /// Its start and checksum.
    pub fn stamp(&self) -> Stamp {
        Stamp { start: self.start, crc32: self.crc32 }
    }
    /// End of the integration.
    pub fn end(&self) -> UtcMicros {
        self.start.plus_seconds(self.integration_s)
    }
}

/// Start and checksum of one exposure of a frame.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Stamp {
    /// Start of the integration.
    pub start: UtcMicros,
    /// CRC-32 of the payload of the block.
    pub crc32: u32,
}

/// The sum of exposures of equal integration time and shutter state.
#[derive(Clone, Debug, PartialEq)]
pub struct Frame {
    /// Integration time of each exposure [s].
    pub integration_s: f64,
    /// State of the shutter.
    pub shutter: Shutter,
    /// Mean detector temperature [°C]; `None` without a sensor.
    pub temperature_c: Option<f64>,
    /// The exposures in order of time; never empty.
    pub stamps: Vec<Stamp>,
    /// Sum over the exposures of the counts of each pixel.
    pub sums: Vec<u32>,
    /// Pixels above the saturation limit in at least one of the exposures (without the blooming margin), or with a spike in one.
    pub clipped: PixelRanges,
    /// Largest relative change of the unclipped signal between two exposures [1]; 0 for a single exposure.
    pub light_variation: f32,
    /// Standard deviation of single exposures due to quick changes of the light, in equal ranges of pixels
    /// ([`super::mains_ripple::exposure_variation`]) [counts]; empty where lamps leave no ripple or exposures are too few.
    pub ripple: Vec<f32>,
    /// Exposures that were left out of the sum because of a spike ([`super::spikes`]), in order of time.
    pub rejected: Vec<Stamp>,
}

impl Frame {
    /// The sum of exposures with equal settings; `clipped` decides whether a count is clipped. `None` for no exposures, and if
    /// their numbers of pixels differ. The change between exposures is not computed: `light_variation` is 0, `ripple` empty.
    pub fn of(exposures: &[Exposure], clipped: impl Fn(u32) -> bool) -> Option<Self> {
        let first = exposures.first()?;
        let pixels = first.counts.len();
        let (mut sums, mut mask) = (vec![0_u32; pixels], vec![false; pixels]);
        let mut temperatures = Vec::new();
        for exposure in exposures {
            if exposure.counts.len() != pixels {
                return None;
            }
            for ((sum, mask), counts) in sums.iter_mut().zip(&mut mask).zip(&exposure.counts) {
                *sum = sum.saturating_add(*counts);
                *mask |= clipped(*counts);
            }
            temperatures.extend(exposure.temperature_c);
        }
        let known = !temperatures.is_empty();
        Some(Self {
            integration_s: first.integration_s,
            shutter: first.shutter,
            temperature_c: known.then(|| temperatures.iter().sum::<f64>() / temperatures.len() as f64),
            stamps: exposures.iter().map(Exposure::stamp).collect(),
            sums,
            clipped: PixelRanges::from_mask(&mask),
            light_variation: 0.0,
            ripple: Vec::new(),
            rejected: Vec::new(),
        })
    }
    /// Number of exposures.
    pub fn exposures(&self) -> usize {
        self.stamps.len()
    }
    /// Start of the first exposure.
    pub fn start(&self) -> UtcMicros {
        self.stamps.first().map_or(UtcMicros(0), |s| s.start)
    }
    /// End of the last exposure.
    pub fn end(&self) -> UtcMicros {
        self.stamps.last().map_or(UtcMicros(0), |s| s.start.plus_seconds(self.integration_s))
    }
    /// Total integration time [s].
    pub fn total_s(&self) -> f64 {
        self.integration_s * self.stamps.len() as f64
    }
    /// Whether two integration times [s] are equal within rounding.
    pub fn same_integration(a: f64, b: f64) -> bool {
        (a - b).abs() <= 1e-6 * a.abs().max(b.abs())
    }
}
