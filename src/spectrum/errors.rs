//! What is not known about a spectrum: errors that its samples share.
//!
//! A *mode* is one source of error, one standard deviation of it, independent of all other modes. What it does to the
//! samples is a mixture of a few columns, which many modes use together; so a spectrum has fewer columns than modes, and
//! a row of weights has to run over the columns only. Holds data and decides nothing.

use super::bins::Bins;
use super::lanes::Lanes;
use std::sync::Arc;

/// A spectrum with the errors that its samples share.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Errors {
    /// The columns; the first is the spectral irradiance itself, the others what modes are mixed from [W m⁻² nm⁻¹ each].
    pub lanes: Lanes,
    /// The modes.
    pub modes: Vec<ErrorMode>,
    /// Bins for modes that are correlated over a length, and edges for those that are split.
    pub bins: Arc<Bins>,
}

/// The column of the irradiance.
pub const IRRADIANCE: usize = 0;
/// The column that [`Correlation::Shape`] takes: the irradiance times the relative uncertainty of its response.
pub const RESPONSE: usize = 1;

/// One source of error.
#[derive(Clone, Debug, PartialEq)]
pub struct ErrorMode {
    /// Its name, for budgets.
    pub name: &'static str,
    /// Whether it goes with the light, so that it is nothing in the dark and no reason to doubt that there is light.
    pub of_light: bool,
    /// What one standard deviation of it does to the samples.
    pub mixture: Correlation,
}

/// How a mode is mixed from columns.
#[derive(Clone, Debug, PartialEq)]
pub enum Correlation {
    /// One amplitude for all samples: the columns, each times its factor, as (column, factor).
    Common(Vec<(usize, f64)>),
    /// One amplitude a bin, hanging together as the bins do: the column [`RESPONSE`] times a factor.
    Shape(f64),
    /// One amplitude for all samples: the irradiance, times one factor in the bins before `bin` and another from it on.
    Split {
        /// The first bin of the second factor; the number of bins where there is none.
        bin: usize,
        /// The factor before it.
        before: f64,
        /// The factor from it on.
        from: f64,
    },
}

impl Errors {
    /// A spectrum whose modes are columns of their own.
    pub fn of_columns(irradiance: &[f64], modes: &[(&'static str, &[f64])]) -> Self {
        let columns: Vec<&[f64]> = std::iter::once(irradiance).chain(modes.iter().map(|m| m.1)).collect();
        let modes = modes
            .iter()
            .enumerate()
            .map(|(k, (name, _))| ErrorMode { name, of_light: false, mixture: Correlation::Common(vec![(k + 1, 1.0)]) })
            .collect();
        Self { lanes: Lanes::of(&columns), modes, bins: Arc::default() }
    }

    /// One standard deviation of a mode in one sample [W m⁻² nm⁻¹].
    pub fn at(&self, mode: &ErrorMode, sample: usize) -> f64 {
        match &mode.mixture {
            Correlation::Common(parts) => parts.iter().map(|(column, k)| k * self.lanes.at(*column, sample)).sum(),
            Correlation::Shape(factor) => factor * self.lanes.at(RESPONSE, sample),
            Correlation::Split { bin, before, from } => {
                let below = self.bins.starts.get(*bin).is_none_or(|start| sample < *start);
                self.lanes.at(IRRADIANCE, sample) * if below { before } else { from }
            }
        }
    }
}
