//! Light weighted by the action spectra of the five receptors of the human eye: α-opic equivalent daylight illuminances.
//!
//! An equivalent daylight illuminance is the illuminance of standard daylight (D65) with the same α-opic irradiance.

use super::constants::LUMINOUS_EFFICACY;
use super::photometry::CIE_Y_SUM;
use super::quantity::{Group, Limit, Plausible, Quantity, Recipe, ratio};
use super::reason::NullReason;
use super::row::{Band, Curve, Row};
use super::tables;
use crate::spectrum::weights::Table;

/// α-opic efficacy of the luminous radiation of D65 [mW/lm], unrounded, in the order of [`tables`]: S, M and L cones, rods, melanopsin.
///
/// Source: CIE S 026:2018, which prints them to four decimals (0.8173, 1.4558, 1.6289, 1.4497, 1.3262). Of the digits beyond, the
/// origin is open: sums of the 1 nm tables over CIE's own D65, 380–780 nm, give the same within 7e-7 (tests/references).
pub const DAYLIGHT_EFFICACY: [f64; 5] =
    [0.817_289_644_883_213, 1.455_826_338_816_53, 1.628_907_765_890_39, 1.449_703_576_055_9, 1.326_213_189_113_59];

const fn row(name: &'static str, table: fn() -> &'static Table) -> Row {
    Row::new(name, Curve::Tabulated(table), false, Band::whole(380.0, 780.0))
}

static S_CONE: Row = row("s cone", tables::s_cone);
static M_CONE: Row = row("m cone", tables::m_cone);
static L_CONE: Row = row("l cone", tables::l_cone);
static RHODOPIC: Row = row("rhodopic", tables::rhodopic);
static MELANOPIC: Row = row("melanopic", tables::melanopic);

const fn illuminance(
    id: &'static str,
    title: &'static str,
    definition: &'static str,
    row: &'static Row,
    receptor: usize,
    per_global: f64,
) -> Quantity {
    Quantity {
        id,
        unit: "lx",
        title,
        definition,
        source: "CIE S 026:2018, table 2, 1 nm, linear",
        remark: "",
        group: Group::AlphaOpic,
        limit: Limit {
            relative: 0.10,
            absolute: 0.2,
            reason: "a tenth of the value, or a fifth of the least that is recommended for nights (melanopic, at most 1 lx: Brown et al. 2022)",
        },
        plausible: Plausible::sun(per_global),
        recipe: Recipe::Linear { row, factor: 1e3 / DAYLIGHT_EFFICACY[receptor] },
    }
}

/// For the short-wavelength cones.
pub const EDI_S_CONE: Quantity = illuminance(
    "edi_s_cone",
    "S-cone-opic equivalent daylight illuminance",
    "Irradiance weighted for the S cones over D65's 0.8173 mW/lm, 380-780 nm",
    &S_CONE,
    0,
    150.0,
);

/// For the medium-wavelength cones.
pub const EDI_M_CONE: Quantity = illuminance(
    "edi_m_cone",
    "M-cone-opic equivalent daylight illuminance",
    "Irradiance weighted for the M cones over D65's 1.4558 mW/lm, 380-780 nm",
    &M_CONE,
    1,
    140.0,
);

/// For the long-wavelength cones.
pub const EDI_L_CONE: Quantity = illuminance(
    "edi_l_cone",
    "L-cone-opic equivalent daylight illuminance",
    "Irradiance weighted for the L cones over D65's 1.6289 mW/lm, 380-780 nm",
    &L_CONE,
    2,
    140.0,
);

/// For the rods.
pub const EDI_RHODOPIC: Quantity = illuminance(
    "edi_rhodopic",
    "Rhodopic equivalent daylight illuminance",
    "Irradiance weighted for the rods over D65's 1.4497 mW/lm, 380-780 nm",
    &RHODOPIC,
    3,
    145.0,
);

/// For the ganglion cells that hold melanopsin.
pub const EDI_MELANOPIC: Quantity = illuminance(
    "edi_melanopic",
    "Melanopic equivalent daylight illuminance",
    "Irradiance weighted for melanopsin over D65's 1.3262 mW/lm, 380-780 nm",
    &MELANOPIC,
    4,
    145.0,
);

/// Melanopic daylight efficacy ratio.
pub const MELANOPIC_DER: Quantity = Quantity {
    id: "melanopic_der",
    unit: "1",
    title: "Melanopic daylight efficacy ratio",
    definition: "Melanopic equivalent daylight illuminance over illuminance",
    source: "CIE S 026:2018",
    remark: "1 for standard daylight (D65)",
    group: Group::AlphaOpic,
    limit: Limit {
        relative: 0.05,
        absolute: 0.05,
        reason: "as for sp_ratio: a tenth of the difference between warm white and daylight",
    },
    plausible: None,
    recipe: Recipe::Finish { rows: &[&MELANOPIC, &CIE_Y_SUM], bright: 1, finish: daylight_ratio },
};

fn daylight_ratio(sums: &[f64], gradient: &mut [f64]) -> Result<f64, NullReason> {
    const FACTOR: f64 = 1e3 / DAYLIGHT_EFFICACY[4] / LUMINOUS_EFFICACY;
    let ratio = ratio(sums, gradient)?;
    gradient.iter_mut().for_each(|g| *g *= FACTOR);
    Ok(FACTOR * ratio)
}
