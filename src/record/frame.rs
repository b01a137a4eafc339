//! Exposures as the instrument gives them and frames as reduction receives them.
//!
//! A frame is the lossless sum of n equal exposures; with the CRC-32 of every exposure's block beside it, anything
//! computed from it can be computed again and every exposure can be found in an independent record.

use super::pixel_ranges::PixelRanges;
use crate::clock::UtcMicros;

/// The shutter's state while an exposure ran.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Shutter {
    /// Open, or the instrument has none.
    Open,
    /// Closed.
    Closed,
}

/// One exposure, whole and checked.
#[derive(Clone, Debug, PartialEq)]
pub struct Exposure {
    /// When the light began to be collected.
    pub start: UtcMicros,
    /// Integration time in force [s], as the instrument answered it.
    pub integration_s: f64,
    /// The shutter while it ran.
    pub shutter: Shutter,
    /// Detector temperature [°C]; `None` without a sensor.
    pub temperature_c: Option<f64>,
    /// Counts of every pixel in detector order, shielded ones too.
    pub counts: Vec<u32>,
    /// CRC-32 (ISO-HDLC) of the block's payload, as checked against the instrument's.
    pub crc32: u32,
    /// How many times it had to be read again.
    pub rereads: u32,
}

impl Exposure {
    /// When the light ceased to be collected.
    pub fn end(&self) -> UtcMicros {
        self.start.plus_seconds(self.integration_s)
    }
}

/// When one exposure of a frame began, and the checksum that finds it again.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Stamp {
    /// When the light began to be collected.
    pub start: UtcMicros,
    /// CRC-32 of the block's payload.
    pub crc32: u32,
}

/// The sum of n exposures of equal integration time with the shutter as stated.
#[derive(Clone, Debug, PartialEq)]
pub struct Frame {
    /// Integration time in force [s], of each exposure.
    pub integration_s: f64,
    /// The shutter while they ran.
    pub shutter: Shutter,
    /// Mean detector temperature [°C]; `None` without a sensor.
    pub temperature_c: Option<f64>,
    /// The exposures, in the order they were taken; never empty.
    pub stamps: Vec<Stamp>,
    /// Sum of the counts of every pixel over the exposures.
    pub sums: Vec<u32>,
    /// Pixels above the saturation limit in at least one of the exposures (without the blooming margin).
    pub clipped: PixelRanges,
    /// Largest relative change of the unclipped signal between two of the exposures [1]; 0 for a single one.
    pub spread: f32,
    /// Standard deviation of single exposures due to quick changes of the light, in equal ranges of pixels
    /// ([`super::mains_ripple::exposure_variation`]) [counts]; empty where lamps leave no ripple or exposures are too few.
    pub ripple: Vec<f32>,
}

impl Frame {
    /// The sum of exposures that were all taken alike, `clipped` telling which counts are; `None` without any, and where
    /// they differ in pixels. The light's change between them is not computed: `spread` is 0, `ripple` empty.
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
            stamps: exposures.iter().map(|e| Stamp { start: e.start, crc32: e.crc32 }).collect(),
            sums,
            clipped: PixelRanges::from_mask(&mask),
            spread: 0.0,
            ripple: Vec::new(),
        })
    }
    /// How many exposures it sums.
    pub fn exposures(&self) -> usize {
        self.stamps.len()
    }
    /// When its first light was collected.
    pub fn start(&self) -> UtcMicros {
        self.stamps.first().map_or(UtcMicros(0), |s| s.start)
    }
    /// When its last light was collected.
    pub fn end(&self) -> UtcMicros {
        self.stamps.last().map_or(UtcMicros(0), |s| s.start.plus_seconds(self.integration_s))
    }
    /// Light collected in all [s].
    pub fn total_s(&self) -> f64 {
        self.integration_s * self.stamps.len() as f64
    }
    /// Whether two integration times are the same setting of the instrument.
    pub fn same_integration(a: f64, b: f64) -> bool {
        (a - b).abs() <= 1e-6 * a.abs().max(b.abs())
    }
}
