//! Colour rendering: how the colours of objects look in a light compared with its reference illuminant.
//!
//! Four indices: Rₐ and R₉ of CIE 13.3-1995, R_f of CIE 224:2017 and R_g of ANSI/IES TM-30-18. The tristimulus sums of the
//! test colours come from the spectrum through one [`Fold`]; the reference illuminant follows from the colour temperature
//! (the project's own `cct`, by Ohno 2014: CIE 13.3 leaves the method open, CIE 224 asks for the 2° observer in (u, v) of
//! 1960). The uncertainty of the indices is drawn ([`draws`]).
//!
//! Pure. Invariant: an index is a function of the spectrum alone; nothing is cached between spectra.

mod appearance;
mod colours;
mod cri;
pub mod draws;
mod fidelity;
mod fold;
mod reference;
mod uvw;

pub use colours::fidelity_colour;
pub use fold::{FIRST_NM, Fold, LAST_NM, NODES, Nodes};
pub use reference::{of_fidelity, of_rendering};

use super::reason::NullReason;
use colours::{FIDELITY, RENDERING, Sums};

/// How many indices there are.
pub const INDICES: usize = 4;

/// All four indices, in the order of [`super::quantity::Index`]; NaN where the sums make no colour.
///
/// nodes: the light at the nodes of the fold; temperature_k: its correlated colour temperature [K]. `Err` outside 1000 to 25 000 K, where
/// there is no reference illuminant.
pub fn indices(nodes: &Nodes, temperature_k: f64) -> Result<[f64; INDICES], NullReason> {
    indices_of(&colours::rendering_sums(nodes), &colours::fidelity_sums(nodes), temperature_k)
}

/// [`indices`] from the sums of the test colours.
fn indices_of(
    rendering: &Sums<RENDERING>,
    fidelity: &Sums<FIDELITY>,
    temperature_k: f64,
) -> Result<[f64; INDICES], NullReason> {
    let reference = reference::reference(temperature_k).ok_or(NullReason::NoReference { temperature_k })?;
    let ([general, strong_red], [fidelity, gamut]) =
        (cri::indices(rendering, &reference), fidelity::indices(fidelity, &reference));
    Ok([general, strong_red, fidelity, gamut])
}

#[cfg(test)]
mod tests;
