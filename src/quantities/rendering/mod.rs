//! Colour rendering: how the colours of things look in a light beside how they look in its reference illuminant.
//!
//! Four indices: Rₐ and R₉ of CIE 13.3-1995, R_f of CIE 224:2017 and R_g of ANSI/IES TM-30-18. The tristimulus sums of the
//! test colours come from the spectrum through one [`Fold`]; the reference illuminant follows from the colour temperature
//! (the project's own `cct`, by Ohno 2014: CIE 13.3 leaves the method open, CIE 224 asks for the 2° observer in (u, v) of
//! 1960). Derivatives run the same road backwards, once for all four: indices, sums, nodes, samples.
//!
//! Pure. What must stay true: an index is a function of the spectrum alone, to the same bits alone, in a batch and with
//! uncertainty; nothing is remembered from one light to the next.

mod appearance;
mod back;
mod colours;
mod fidelity;
mod fold;
mod general;
mod lengths;
mod reference;
mod registered;
mod spread;

pub use colours::fidelity_colour;
pub use fold::{FIRST_NM, Fold, LAST_NM, NODES, Nodes};
pub use reference::{HOTTEST_K, of_fidelity, of_rendering};
pub use registered::{CRI_R9, CRI_RA, FIDELITY_RF, GAMUT_RG};
pub use spread::Spread;

use super::reason::NullReason;
use colours::Sums;

/// How many indices there are.
pub const INDICES: usize = 4;

/// One of the indices; its place in what [`indices`] answers.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Index {
    /// General colour rendering index Rₐ.
    General = 0,
    /// Special colour rendering index R₉.
    StrongRed = 1,
    /// Colour fidelity R_f.
    Fidelity = 2,
    /// Gamut R_g.
    Gamut = 3,
}

/// What every index does by the light, to first order.
#[derive(Clone, Debug)]
pub struct Derivatives {
    /// The indices themselves, with the same bits as [`indices`] gives.
    pub value: [f64; INDICES],
    /// By what each node holds, at the same colour temperature.
    pub by_node: [[f64; INDICES]; NODES],
    /// By the colour temperature [1/K].
    pub by_temperature: [f64; INDICES],
    /// What is of second order in their variance; nothing without a spread.
    pub second_order: [f64; INDICES],
}

/// What the nodes hold of a light, summed over both sets of test colours.
fn sums(fold: &Fold, samples: &[f64]) -> (Sums<{ colours::RENDERING }>, Sums<{ colours::FIDELITY }>) {
    let mut nodes = [0.0; NODES];
    fold.nodes(samples, &mut nodes);
    (colours::rendering_sums(&nodes), colours::fidelity_sums(&nodes))
}

fn four(rendering: [f64; 2], fidelity: [f64; 2]) -> [f64; INDICES] {
    [rendering[0], rendering[1], fidelity[0], fidelity[1]]
}

/// All four indices, in the order of [`Index`]; NaN where the sums make no colour.
///
/// samples: spectral irradiance on the axis of the fold [W m⁻² nm⁻¹]; temperature_k: its colour temperature [K]. `Err` above
/// 25 000 K, where there is no reference illuminant.
pub fn indices(fold: &Fold, samples: &[f64], temperature_k: f64) -> Result<[f64; INDICES], NullReason> {
    let reference = reference::reference(temperature_k).ok_or(NullReason::NoReference { temperature_k })?;
    let (rendering, fidelity) = sums(fold, samples);
    Ok(four(general::general(&rendering, &reference), fidelity::fidelity(&fidelity, &reference)))
}

/// [`indices`] with their derivatives; with a spread, those of what they are expected to be when the light is not quite known.
pub fn derivatives(
    fold: &Fold,
    samples: &[f64],
    temperature_k: f64,
    spread: Option<&Spread>,
) -> Result<Derivatives, NullReason> {
    let missing = NullReason::NoReference { temperature_k };
    let (reference, slope) = reference::reference_and_slope(temperature_k).ok_or(missing)?;
    let (rendering, fidelity) = sums(fold, samples);
    let general = general::derivatives(&rendering, &reference, &slope, spread);
    let fidelity = fidelity::derivatives(&fidelity, &reference, &slope, spread);
    let mut by_node = [[0.0; INDICES]; NODES];
    back::add_rendering_by_node(&general.by_sums, Index::General as usize, &mut by_node);
    back::add_fidelity_by_node(&fidelity.by_sums, Index::Fidelity as usize, &mut by_node);
    Ok(Derivatives {
        value: four(general.value, fidelity.value),
        by_node,
        by_temperature: four(general.by_temperature, fidelity.by_temperature),
        second_order: four(general.second_order, fidelity.second_order),
    })
}

/// Memory of all weights that serve the test colours, besides a [`Fold`] [bytes].
pub fn size() -> usize {
    colours::size()
}

#[cfg(test)]
mod tests;
