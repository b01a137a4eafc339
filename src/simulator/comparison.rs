//! Readings against the truth: what every quantity would have been, had the light itself been measured.
//!
//! The truth of a wavelength is the mean over the exposures that served it, so a reading taken while clouds passed is
//! compared with the light it saw. The joining key is the CRC-32 of each exposure's block.

use super::truth::TruthRecord;
use crate::quantities::{self, Matrix, SourceRule};
use crate::record::Frame;
use crate::reduction::Reduced;

/// Weighs truths by the exposures that served and evaluates the registry on them.
#[derive(Debug)]
pub struct Comparison {
    rule: SourceRule,
    kept: Option<Kept>,
}

#[derive(Debug)]
struct Kept {
    first_nm: i32,
    values: usize,
    valid_nm: (f64, f64),
    matrix: Matrix,
}

impl Comparison {
    /// For light that follows a rule.
    pub fn new(rule: SourceRule) -> Self {
        Self { rule, kept: None }
    }

    /// The true value of every quantity, in the order of the registry; `None` where the truth has none, and altogether
    /// where the truth of an exposure is not to be found.
    pub fn truth<'a>(
        &mut self,
        reduced: &Reduced,
        frames: &[Frame],
        find: impl Fn(u32) -> Option<&'a TruthRecord>,
    ) -> Option<Vec<Option<f64>>> {
        let mut first_nm = 0;
        let mut spectra: Vec<Vec<f64>> = Vec::new();
        for frame in frames {
            let mut sum: Vec<f64> = Vec::new();
            for stamp in &frame.stamps {
                let record = find(stamp.crc32)?;
                first_nm = record.first_nm;
                sum.resize(record.irradiance_w_m2_nm.len(), 0.0);
                sum.iter_mut().zip(&record.irradiance_w_m2_nm).for_each(|(s, e)| *s += e);
            }
            let n = frame.exposures() as f64;
            spectra.push(sum.into_iter().map(|s| s / n).collect());
        }
        let pixel_nm = &reduced.scale.wavelength_nm;
        let values = spectra.first()?.len();
        let seen: Vec<f64> = (0..values)
            .map(|k| {
                let nm = f64::from(first_nm) + k as f64;
                let pixel = pixel_nm.partition_point(|p| *p < nm).min(pixel_nm.len() - 1);
                spectra.iter().zip(&reduced.served).map(|(s, served)| s[k] * served[pixel]).sum()
            })
            .collect();
        let matrix = self.matrix(first_nm, values, reduced.scale.valid_nm);
        Some(quantities::values(matrix, &seen).into_iter().map(Result::ok).collect())
    }

    fn matrix(&mut self, first_nm: i32, values: usize, valid_nm: (f64, f64)) -> &Matrix {
        let fits = |k: &Kept| k.first_nm == first_nm && k.values == values && k.valid_nm == valid_nm;
        let kept = match self.kept.take().filter(fits) {
            Some(kept) => kept,
            None => {
                let axis: Vec<f64> = (0..values).map(|k| f64::from(first_nm) + k as f64).collect();
                Kept { first_nm, values, valid_nm, matrix: Matrix::build(&axis, valid_nm, self.rule) }
            }
        };
        &self.kept.insert(kept).matrix
    }
}
