//! Columns on one axis, interleaved: each sample of eight columns is one array of eight numbers.
//!
//! A weighted sum over the samples is then computed for eight columns at once. Holds numbers only; their meaning is defined
//! by the caller.
//!
//! Invariant: unused columns of the last block are zero.

/// Columns per block.
pub const LANES: usize = 8;

/// Columns of one length, in blocks of [`LANES`].
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Lanes {
    columns: usize,
    samples: usize,
    blocks: Vec<Vec<[f64; LANES]>>,
}

impl Lanes {
    /// Zeros.
    pub fn zeros(columns: usize, samples: usize) -> Self {
        let block = vec![[0.0; LANES]; samples];
        Self { columns, samples, blocks: vec![block; columns.div_ceil(LANES)] }
    }

    /// Copies of columns of equal length.
    pub fn of(columns: &[&[f64]]) -> Self {
        let mut lanes = Self::zeros(columns.len(), columns.first().map_or(0, |c| c.len()));
        for (c, column) in columns.iter().enumerate() {
            for (sample, x) in lanes.blocks[c / LANES].iter_mut().zip(*column) {
                sample[c % LANES] = *x;
            }
        }
        lanes
    }

    /// Number of columns.
    pub fn columns(&self) -> usize {
        self.columns
    }

    /// Number of samples per column.
    pub fn samples(&self) -> usize {
        self.samples
    }

    /// The blocks, each of [`Self::samples`] samples.
    pub fn blocks(&self) -> &[Vec<[f64; LANES]>] {
        &self.blocks
    }

    /// The blocks, mutable.
    pub fn blocks_mut(&mut self) -> &mut [Vec<[f64; LANES]>] {
        &mut self.blocks
    }

    /// One sample of one column; 0 outside.
    pub fn at(&self, column: usize, sample: usize) -> f64 {
        self.blocks.get(column / LANES).and_then(|b| b.get(sample)).map_or(0.0, |s| s[column % LANES])
    }

    /// A copy of one column.
    pub fn column(&self, column: usize) -> Vec<f64> {
        (0..self.samples).map(|i| self.at(column, i)).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Identity: columns read back unchanged, also beyond the first block.
    #[test]
    fn columns_read_back_unchanged() {
        let columns: Vec<Vec<f64>> = (0..11).map(|c| (0..5).map(|i| f64::from(c * 10 + i)).collect()).collect();
        let views: Vec<&[f64]> = columns.iter().map(Vec::as_slice).collect();
        let lanes = Lanes::of(&views);
        assert_eq!((lanes.columns(), lanes.samples(), lanes.blocks().len()), (11, 5, 2));
        assert!((0..11).all(|c| lanes.column(c) == columns[c]));
        assert_eq!(lanes.at(11, 0), 0.0);
    }
}
