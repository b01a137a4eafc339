//! Colour rendering: how the colours of objects look in a light compared with its reference illuminant.

use super::colour::{BRIGHT, TRISTIMULUS, cct};
use super::quantity::{Group, Index, Limit, Quantity, Recipe};

/// The indices mean little for a light far from white: CIE 13.3 limits the distance to 5.4e-3 in (u, v).
const OFF_WHITE: &str = "of little meaning farther than 0.0054 from the Planckian locus (duv)";

const fn quantity(
    id: &'static str,
    title: &'static str,
    definition: &'static str,
    source: &'static str,
    limit: f64,
    index: Index,
) -> Quantity {
    Quantity {
        id,
        unit: "1",
        title,
        definition,
        source,
        remark: OFF_WHITE,
        group: Group::Colour,
        limit: Limit {
            relative: 0.0,
            absolute: limit,
            reason: "a difference that can be seen in a pair of lamps is about 5; saturated red scatters more",
        },
        plausible: None,
        recipe: Recipe::Rendering { index, rows: TRISTIMULUS, bright: BRIGHT, temperature: cct },
    }
}

/// General colour rendering index.
pub const CRI_RA: Quantity = quantity(
    "cri_ra",
    "General colour rendering index Ra",
    "Mean of the special indices of test colours 1 to 8 beside the reference illuminant of the same cct, unrounded",
    "CIE 13.3-1995",
    3.0,
    Index::General,
);

/// Special colour rendering index of the strong red.
pub const CRI_R9: Quantity = quantity(
    "cri_r9",
    "Special colour rendering index R9",
    "Special index of test colour 9, a strong red, unrounded; may be negative",
    "CIE 13.3-1995",
    8.0,
    Index::StrongRed,
);

/// Colour fidelity index.
pub const FIDELITY_RF: Quantity = quantity(
    "fidelity_rf",
    "Colour fidelity index Rf",
    "From the mean difference of 99 test colours in CAM02-UCS beside the reference illuminant of the same cct",
    "CIE 224:2017",
    3.0,
    Index::Fidelity,
);

/// Gamut index.
pub const GAMUT_RG: Quantity = quantity(
    "gamut_rg",
    "Gamut index Rg",
    "Area that the mean colours of sixteen hue bins span in CAM02-UCS, relative to the reference illuminant's, times 100",
    "ANSI/IES TM-30-18",
    3.0,
    Index::Gamut,
);
