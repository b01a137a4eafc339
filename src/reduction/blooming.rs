//! Clipped pixels and their neighbours within the blooming length, which receive charge from the clipped ones.

use crate::record::PixelRanges;
use std::ops::Range;

/// Ranges of pixels extended by `margin` on either side, as half-open ranges, ascending and disjoint.
pub(super) fn widened_ranges(ranges: &PixelRanges, margin: u16, pixels: usize) -> Vec<Range<usize>> {
    let margin = margin as usize;
    let mut out: Vec<Range<usize>> = Vec::new();
    for &(a, b) in &ranges.0 {
        let wide = (a as usize).saturating_sub(margin)..(b as usize + margin + 1).min(pixels);
        match out.last_mut() {
            Some(last) if wide.start <= last.end => last.end = last.end.max(wide.end),
            _ if wide.start < wide.end => out.push(wide),
            _ => {}
        }
    }
    out
}

/// The ranges of [`widened_ranges`] as a mask.
pub(super) fn widened_mask(ranges: &PixelRanges, margin: u16, pixels: usize) -> Vec<bool> {
    let mut wide = vec![false; pixels];
    widened_ranges(ranges, margin, pixels).into_iter().for_each(|r| wide[r].fill(true));
    wide
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_pixel_within_the_margin_of_a_clipped_one_is_marked_and_no_other() {
        let mut mask = vec![false; 40];
        for i in [0, 9, 11, 25, 39] {
            mask[i] = true;
        }
        for margin in [0_u16, 1, 4, 50] {
            let near = |i: usize| (0..40).any(|j| mask[j] && i.abs_diff(j) <= margin as usize);
            let want: Vec<bool> = (0..40).map(near).collect();
            assert_eq!(widened_mask(&PixelRanges::from_mask(&mask), margin, 40), want, "margin {margin}");
        }
        assert_eq!(widened_mask(&PixelRanges::default(), 3, 0), Vec::<bool>::new());
    }
}
