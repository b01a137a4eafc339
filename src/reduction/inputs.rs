//! The input of each correlated component: its standard uncertainty and unit, and how it was evaluated, for uncertainty budgets. Pure.
//!
//! Does not know the effect on a quantity. Where the uncertainty of the input differs between wavelengths, no one number stands for it.

use super::reduced::mode_names as names;
use crate::calibration::Calibration;
use crate::spectrum::errors::{Correlation, ErrorMode};

/// How a standard uncertainty was evaluated (JCGM 100:2008, 4.2 and 4.3).
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Evaluation {
    /// By statistics of repeated observations.
    A,
    /// By other means: a certificate, a specification, experience.
    B,
}

impl Evaluation {
    /// `A` or `B`.
    pub fn name(self) -> &'static str {
        match self {
            Self::A => "A",
            Self::B => "B",
        }
    }
}

/// How a component was evaluated: dark level and dark model from the scatter of darks, ripple from the scatter of exposures.
pub fn evaluation(name: &str) -> Evaluation {
    match name {
        names::DARK_LEVEL | names::DARK_MODEL | names::FLICKER => Evaluation::A,
        _ => Evaluation::B,
    }
}

/// Standard uncertainty of a component's input and its unit; `None` where it differs between wavelengths.
pub fn input(mode: &ErrorMode, calibration: &Calibration) -> Option<(f64, &'static str)> {
    let factor = |part: usize| match &mode.mixture {
        Correlation::Common(parts) => parts.get(part).map(|(_, factor)| factor.abs()),
        _ => None,
    };
    match mode.name {
        names::STRAY_FLOOR => Some((factor(0)?, "counts/s")),
        names::WAVELENGTH => Some((factor(0)?, "nm")),
        names::WAVELENGTH_VARIATION => Some((calibration.wavelength.variation_nm, "nm")),
        names::LEVELLING => Some((calibration.budget.levelling_deg, "degrees")),
        names::LINEARITY => Some((calibration.budget.linearity, "1")),
        names::BANDWIDTH
        | names::STRAY_MATRIX
        | names::RESPONSE_AGE
        | names::CALIBRATION_AGE
        | names::LAMP_INCIDENCE => Some((factor(0)?, "1")),
        names::COSINE_DIFFUSE => Some((calibration.cosine.as_ref()?.diffuse_uncertainty, "1")),
        _ => None,
    }
}
