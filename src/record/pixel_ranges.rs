//! Sets of pixels.

/// A set of pixels as inclusive ranges, ascending and not adjacent.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct PixelRanges(pub Vec<(u16, u16)>);

impl PixelRanges {
    /// From a mask: true pixels are in the set.
    pub fn from_mask(mask: &[bool]) -> Self {
        let mut ranges: Vec<(u16, u16)> = Vec::new();
        for (i, _) in mask.iter().enumerate().filter(|(_, set)| **set) {
            let i = i.min(u16::MAX as usize) as u16;
            match ranges.last_mut() {
                Some((_, last)) if *last + 1 == i => *last = i,
                _ => ranges.push((i, i)),
            }
        }
        Self(ranges)
    }
    /// As a mask of `pixels` entries; pixels beyond are omitted.
    pub fn to_mask(&self, pixels: usize) -> Vec<bool> {
        let mut mask = vec![false; pixels];
        for &(a, b) in &self.0 {
            for m in mask.iter_mut().take(b as usize + 1).skip(a as usize) {
                *m = true;
            }
        }
        mask
    }
    /// Whether a pixel is in the set.
    pub fn contains(&self, pixel: usize) -> bool {
        self.0.iter().any(|&(a, b)| (a as usize..=b as usize).contains(&pixel))
    }
    /// Whether the set is empty.
    pub fn is_empty(&self) -> bool {
        self.0.is_empty()
    }
    /// Number of pixels in the set.
    pub fn count(&self) -> usize {
        self.0.iter().map(|&(a, b)| b as usize - a as usize + 1).sum()
    }
    /// The union of two sets.
    pub fn union(&self, other: &Self) -> Self {
        let top = self.0.iter().chain(&other.0).map(|r| r.1 as usize + 1).max().unwrap_or(0);
        let mut mask = self.to_mask(top);
        for &(a, b) in &other.0 {
            mask[a as usize..=b as usize].fill(true);
        }
        Self::from_mask(&mask)
    }
}

/// A mask with every run of true entries extended by `by` entries on both sides.
pub fn dilate(mask: &[bool], by: u16) -> Vec<bool> {
    let by = usize::from(by);
    let mut grown = vec![false; mask.len()];
    let mut from = 0;
    while let Some(start) = mask[from..].iter().position(|set| *set).map(|n| from + n) {
        let end = mask[start..].iter().position(|set| !*set).map_or(mask.len(), |n| start + n);
        grown[start.saturating_sub(by)..(end + by).min(mask.len())].fill(true);
        from = end;
    }
    grown
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Ranges have the same pixels as their mask.
    #[test]
    fn ranges_have_exactly_the_pixels_of_their_mask() {
        let mask = [false, true, true, false, true, false, false, true];
        let ranges = PixelRanges::from_mask(&mask);
        assert_eq!(ranges.0, [(1, 2), (4, 4), (7, 7)]);
        assert_eq!(ranges.to_mask(8), mask);
        assert_eq!((ranges.count(), ranges.contains(2), ranges.contains(3)), (4, true, false));
        assert_eq!(ranges.union(&PixelRanges(vec![(3, 3), (9, 9)])).0, [(1, 4), (7, 7), (9, 9)]);
    }

    /// Runs are extended on both sides, merged where they overlap, and limited to the mask.
    #[test]
    fn a_dilated_mask_covers_the_neighbours_of_every_run() {
        let mask = [true, false, false, false, false, true, true, false, false, false, true, false];
        let want = [true, true, false, false, true, true, true, true, false, true, true, true];
        assert_eq!(dilate(&mask, 1), want);
        assert_eq!(dilate(&mask, 0), mask);
        assert_eq!(dilate(&mask, u16::MAX), [true; 12]);
        assert_eq!(dilate(&[false; 3], 2), [false; 3]);
        assert!(dilate(&[], 2).is_empty());
    }
}
