//! From the values of a frame on the line to the pixels of the detector. Pure.

use crate::dialect::field::Coding;
use crate::dialect::malformed::{Malformed, malformed};
use crate::dialect::step::Action;
use crate::dialect::{DetectorRules, Dialect};

/// Which values of a frame are pixels, in the order of the detector.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Layout {
    /// Values of a frame on the line.
    pub values: usize,
    /// Position of each pixel on the line; empty: all values, in order.
    positions: Vec<u16>,
    /// Largest value.
    full_scale: u32,
}

impl Layout {
    pub fn new(rules: &DetectorRules, values: usize, full_scale: u32) -> Result<Self, Malformed> {
        let mut positions = Vec::new();
        let mut used = vec![false; values];
        for (first, last) in &rules.pixels {
            let range: Vec<u16> =
                if first <= last { (*first..=*last).collect() } else { (*last..=*first).rev().collect() };
            for position in range {
                match used.get_mut(usize::from(position)) {
                    Some(used) if !*used => *used = true,
                    _ => return malformed(format!("positions below {values}, none twice"), format!("{first}-{last}")),
                }
                positions.push(position);
            }
        }
        Ok(Self { values, positions, full_scale })
    }

    /// Number of pixels.
    pub fn pixels(&self) -> usize {
        if self.positions.is_empty() { self.values } else { self.positions.len() }
    }

    /// Name of the data format that holds a full scale.
    pub fn format(&self) -> &'static str {
        if self.full_scale <= u32::from(u16::MAX) { "u16" } else { "u32" }
    }

    /// Bytes of a frame on the line, with its settings.
    pub fn frame_bytes(&self, dialect: &Dialect) -> usize {
        let fields = dialect.steps(Action::Expose).iter().filter_map(|step| step.expect());
        let counts = fields.flat_map(|template| template.fields()).find(|field| field.name == "counts");
        let width = match counts.map(|field| (field.coding, field.element)) {
            Some((Coding::Block, element)) => {
                element.and_then(|e| e.width()).unwrap_or(if self.format() == "u16" { 2 } else { 4 })
            }
            Some((Coding::Decimal(digits) | Coding::Hex(digits), _)) => digits.unwrap_or(5) + 1,
            Some((coding, _)) => coding.width().unwrap_or(4),
            None => 4,
        };
        self.values * width + 64
    }

    /// The counts of the pixels in the order of the detector.
    pub fn pixels_of(&self, values: Vec<u32>) -> Result<Vec<u32>, Malformed> {
        if values.len() != self.values {
            return malformed(format!("{} values", self.values), values.len().to_string());
        }
        let counts = match self.positions.as_slice() {
            [] => values,
            positions => positions.iter().map(|at| values.get(usize::from(*at)).copied().unwrap_or(0)).collect(),
        };
        match counts.iter().find(|c| **c > self.full_scale) {
            Some(above) => malformed(format!("counts up to the full scale of {}", self.full_scale), above.to_string()),
            None => Ok(counts),
        }
    }
}

/// CRC-32 of counts as unsigned integers, most significant byte first, of the width that holds `full_scale`: the identity of an
/// exposure, the same for every dialect.
pub(super) fn identity_crc(counts: &[u32], full_scale: u32) -> u32 {
    let mut hasher = crc32fast::Hasher::new();
    let bytes: Vec<u8> = if full_scale <= u32::from(u16::MAX) {
        counts.iter().flat_map(|c| (*c as u16).to_be_bytes()).collect()
    } else {
        counts.iter().flat_map(|c| c.to_be_bytes()).collect()
    };
    hasher.update(&bytes);
    hasher.finalize()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::dialect::SCPI;

    fn layout(pixels: &[(u16, u16)], values: usize) -> Result<Layout, Malformed> {
        let rules = DetectorRules { pixels: pixels.to_vec(), ..SCPI.detector.clone() };
        Layout::new(&rules, values, 4095)
    }

    #[test]
    fn pixels_are_taken_from_their_positions_in_order() {
        let reversed = layout(&[(3, 1), (4, 5)], 7).unwrap();
        assert_eq!(reversed.pixels(), 5);
        assert_eq!(reversed.pixels_of(vec![0, 1, 2, 3, 4, 5, 6]), Ok(vec![3, 2, 1, 4, 5]));
        assert!(reversed.pixels_of(vec![0; 6]).unwrap_err().expected.contains("7 values"));
        assert!(reversed.pixels_of(vec![4096; 7]).unwrap_err().expected.contains("full scale of 4095"));
        assert_eq!(layout(&[], 3).unwrap().pixels_of(vec![7, 8, 9]), Ok(vec![7, 8, 9]));
        assert!(layout(&[(0, 2), (2, 3)], 7).is_err() && layout(&[(0, 7)], 7).is_err());
    }
}
