//! The four indices as quantities.

use super::Index;
use crate::quantities::colour::CCT;
use crate::quantities::registry::{Group, Limit, Quantity, Recipe};

/// A light that is far from white renders nothing well, and the index says little: CIE 13.3 asks for 5.4e-3 in (u, v).
const OFF_WHITE: &str = "of little meaning farther than 0.0054 from the Planckian locus (duv)";

const fn index(
    id: &'static str,
    title: &'static str,
    definition: &'static str,
    source: &'static str,
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
        limit: Limit { relative: 0.0, absolute: 3.0 },
        recipe: Recipe::Rendering { index, temperature: &CCT },
    }
}

/// General colour rendering index.
pub const CRI_RA: Quantity = index(
    "cri_ra",
    "General colour rendering index Ra",
    "Mean of the special indices of test colours 1 to 8 beside the reference illuminant of the same cct, unrounded",
    "CIE 13.3-1995",
    Index::General,
);

/// Special colour rendering index of the strong red.
pub const CRI_R9: Quantity = Quantity {
    limit: Limit { relative: 0.0, absolute: 8.0 },
    ..index(
        "cri_r9",
        "Special colour rendering index R9",
        "Special index of test colour 9, a strong red, unrounded; may be negative",
        "CIE 13.3-1995",
        Index::StrongRed,
    )
};

/// Colour fidelity index.
pub const FIDELITY_RF: Quantity = index(
    "fidelity_rf",
    "Colour fidelity index Rf",
    "From the mean difference of 99 test colours in CAM02-UCS beside the reference illuminant of the same cct",
    "CIE 224:2017",
    Index::Fidelity,
);

/// Gamut index.
pub const GAMUT_RG: Quantity = index(
    "gamut_rg",
    "Gamut index Rg",
    "Area that the mean colours of sixteen hue bins span in CAM02-UCS, relative to the reference illuminant's, times 100",
    "ANSI/IES TM-30-18",
    Index::Gamut,
);
