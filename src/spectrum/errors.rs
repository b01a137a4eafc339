//! Errors that the samples of a spectrum share.
//!
//! A *correlated component* ([`ErrorMode`]) is the effect of one standard deviation of one source of error; components are
//! independent of each other. Each is a linear combination of a few columns, which several components share. A spectrum
//! therefore has fewer columns than components, and a weighted sum is evaluated for the columns only. Data, no decisions.

use super::bins::Bins;
use super::lanes::Lanes;
use std::sync::Arc;

/// A spectrum with its correlated errors.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Errors {
    /// The columns: first the spectral irradiance, then the basis of the components [W m⁻² nm⁻¹ each].
    pub lanes: Lanes,
    /// The correlated components.
    pub modes: Vec<ErrorMode>,
    /// Bins of the components that are correlated over a length or depend on wavelength.
    pub bins: Arc<Bins>,
}

/// The column of the irradiance.
pub const IRRADIANCE: usize = 0;
/// The column of [`Correlation::Shape`]: the irradiance times the relative uncertainty of the response.
pub const RESPONSE: usize = 1;

/// The column of a shift of the wavelength scale by 1 nm.
pub const SHIFT: usize = 3;

/// A correlated component: one source of error.
#[derive(Clone, Debug, PartialEq)]
pub struct ErrorMode {
    /// Name in the uncertainty budget.
    pub name: &'static str,
    /// Whether the error is proportional to the light. Such an error vanishes in the dark, so it is left out of the detection of
    /// light.
    pub of_light: bool,
    /// Effect of one standard deviation on the samples.
    pub mixture: Correlation,
}

/// How a component is made from the columns, and how it is correlated along the axis.
#[derive(Clone, Debug, PartialEq)]
pub enum Correlation {
    /// One amplitude for all samples: a sum of (column, factor).
    Common(Vec<(usize, f64)>),
    /// One amplitude per bin, with the correlation of [`Bins`]: the column [`RESPONSE`] times a factor.
    Shape(f64),
    /// One amplitude for all samples: a column times a factor for each of [`Bins`].
    PerBin {
        /// The column, [`IRRADIANCE`] or [`SHIFT`].
        column: usize,
        /// The factors, one a bin.
        factors: Vec<f64>,
    },
}

impl Errors {
    /// A spectrum whose components are one column each.
    pub fn of_columns(irradiance: &[f64], modes: &[(&'static str, &[f64])]) -> Self {
        let columns: Vec<&[f64]> = std::iter::once(irradiance).chain(modes.iter().map(|m| m.1)).collect();
        let modes = modes
            .iter()
            .enumerate()
            .map(|(k, (name, _))| ErrorMode { name, of_light: false, mixture: Correlation::Common(vec![(k + 1, 1.0)]) })
            .collect();
        Self { lanes: Lanes::of(&columns), modes, bins: Arc::default() }
    }

    /// One standard deviation of a component in one sample [W m⁻² nm⁻¹].
    pub fn at(&self, mode: &ErrorMode, sample: usize) -> f64 {
        self.at_in(mode, sample, self.bins.of(sample))
    }

    /// [`Self::at`] with the bin of the sample, for many components of one sample.
    pub fn at_in(&self, mode: &ErrorMode, sample: usize, bin: usize) -> f64 {
        match &mode.mixture {
            Correlation::Common(parts) => parts.iter().map(|(column, k)| k * self.lanes.at(*column, sample)).sum(),
            Correlation::Shape(factor) => factor * self.lanes.at(RESPONSE, sample),
            Correlation::PerBin { column, factors } => {
                self.lanes.at(*column, sample) * factors.get(bin).copied().unwrap_or(0.0)
            }
        }
    }
}
