//! True values of all quantities of a reading, computed from the truth of its exposures.
//!
//! The truth at a wavelength is the mean over the exposures that contributed to it, so that a reading under moving clouds is compared
//! with the light that it received. Records are joined by the CRC-32 of each exposure's block.

use super::truth::TruthRecord;
use crate::quantities::{self, Matrix, SourceRule};
use crate::record::Frame;
use crate::reduction::Reduced;

/// Combines the truth of exposures by their merge weights and evaluates the registry.
#[derive(Debug)]
pub struct Comparison {
    rule: SourceRule,
    cached: Option<CachedMatrix>,
}

#[derive(Debug)]
struct CachedMatrix {
    first_nm: i32,
    values: usize,
    valid_nm: (f64, f64),
    matrix: Matrix,
}

impl Comparison {
    /// A comparison under a source rule.
    pub fn new(rule: SourceRule) -> Self {
        Self { rule, cached: None }
    }

    /// The true value of every quantity, in the order of the registry; `None` where a quantity has no true value. `None` for the
    /// whole reading where `find` does not know the truth of an exposure.
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
        let truth: Vec<f64> = (0..values)
            .map(|k| {
                let nm = f64::from(first_nm) + k as f64;
                let pixel = pixel_nm.partition_point(|p| *p < nm).min(pixel_nm.len() - 1);
                spectra.iter().zip(&reduced.merge_weights).map(|(s, served)| s[k] * served[pixel]).sum()
            })
            .collect();
        let matrix = self.matrix(first_nm, values, reduced.scale.valid_nm);
        Some(quantities::values(matrix, &truth).into_iter().map(Result::ok).collect())
    }

    fn matrix(&mut self, first_nm: i32, values: usize, valid_nm: (f64, f64)) -> &Matrix {
        let fits = |k: &CachedMatrix| k.first_nm == first_nm && k.values == values && k.valid_nm == valid_nm;
        let cached = match self.cached.take().filter(fits) {
            Some(cached) => cached,
            None => {
                let axis: Vec<f64> = (0..values).map(|k| f64::from(first_nm) + k as f64).collect();
                CachedMatrix { first_nm, values, valid_nm, matrix: Matrix::build(&axis, valid_nm, self.rule) }
            }
        };
        &self.cached.insert(cached).matrix
    }
}
