//! Structure that a detector itself has in the dark, such as the glow of its amplifier, taken from covered darks.
//!
//! The rate of every pixel in covered darks is taken out of a frame by an amplitude that is fitted to running medians of both, since glow and
//! dark current depend on the temperature differently. Light of the same shape would be taken out as well, up to
//! [`LARGEST_AMPLITUDE`]. Pure.

use super::structure::{median, test_structure};
use crate::record::PixelRanges;
use crate::reduction::DarkModel;

/// Pixels on either side over which medians are taken.
const SMOOTH_REACH: usize = 16;
/// How much stronger than in the covered darks the structure may be and still be the detector's [1].
const LARGEST_AMPLITUDE: f64 = 2.0;

/// Offset and rate of every pixel in covered darks that have structure.
#[derive(Clone, Debug, PartialEq)]
pub struct DetectorStructure {
    /// Offset [counts].
    offset: Vec<f64>,
    /// Rate [counts/s].
    rate: Vec<f64>,
    /// Its running median [counts/s].
    smooth: Vec<f64>,
    shielded: Vec<bool>,
}

impl DetectorStructure {
    /// From a model fitted to covered darks alone; `None` where its pixels have nothing in common. shielded: pixels that no light reaches,
    /// nor perhaps the glow.
    pub fn of(covered: &DarkModel, shielded: &PixelRanges) -> Option<Self> {
        let rate: Vec<f64> = covered.rate.iter().map(|r| f64::from(*r)).collect();
        let shielded = shielded.to_mask(rate.len());
        let open: Vec<usize> = (0..rate.len()).filter(|i| !shielded[*i]).collect();
        test_structure(&rate, &open, 0.0).is_err().then(|| Self {
            offset: covered.offset.iter().map(|o| f64::from(*o)).collect(),
            smooth: running_median(&rate, &shielded),
            rate,
            shielded,
        })
    }

    /// Counts per exposure less offset, level and structure. mean: counts per exposure of all pixels; open: the pixels to fit. A frame of
    /// another detector is answered as it is.
    pub fn removed(&self, mean: &[f64], integration_s: f64, open: &[usize]) -> Vec<f64> {
        if mean.len() != self.offset.len() {
            return mean.to_vec();
        }
        let charge: Vec<f64> = mean.iter().zip(&self.offset).map(|(m, o)| m - o).collect();
        let found = running_median(&charge, &self.shielded);
        let n = open.len().max(1) as f64;
        let average = |v: &[f64]| open.iter().map(|i| v[*i]).sum::<f64>() / n;
        let (known_mean, found_mean) = (average(&self.smooth), average(&found));
        let (mut common, mut square) = (0.0, 0.0);
        for i in open {
            let known = self.smooth[*i] - known_mean;
            common += known * (found[*i] - found_mean);
            square += known * known;
        }
        let largest = LARGEST_AMPLITUDE * integration_s;
        let amplitude_s = if square > 0.0 { (common / square).clamp(0.0, largest) } else { 0.0 };
        charge.iter().zip(&self.rate).map(|(c, r)| c - amplitude_s * r).collect()
    }
}

/// Medians over as many pixels on one side as on the other, or a slope would look lower at the end of the array than it is; shielded pixels
/// and others are not mixed.
fn running_median(values: &[f64], shielded: &[bool]) -> Vec<f64> {
    let alike = |i: usize, j: usize| shielded[i] == shielded[j];
    (0..values.len())
        .map(|i| {
            let room = SMOOTH_REACH.min(i).min(values.len() - 1 - i);
            let reach = (1..=room).take_while(|k| alike(i, i - k) && alike(i, i + k)).count();
            median(values[i - reach..=i + reach].to_vec())
        })
        .collect()
}
