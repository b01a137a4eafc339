//! The list of quantities, in the order of their columns.
//!
//! Identifiers and units are interface: databases and scripts hold on to them. What must stay true: identifiers are unique
//! and new quantities are added without renaming any.

use super::reason::{NullReason, nm};
use super::row::{Band, Curve, Row, SourceRule};
use super::{alpha_opic, colour, energy, hue, photometry, plants, rendering, retina, ultraviolet};

/// A group of quantities, as they are shown together.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Group {
    /// Photosynthesis and the plant's light signals.
    Plants,
    /// Light as the eye weighs it.
    Photometry,
    /// Colour and colour temperature.
    Colour,
    /// Light as each receptor of the eye takes it, vision or not.
    AlphaOpic,
    /// Ultraviolet radiation.
    Ultraviolet,
    /// Light weighted for what it can do to the retina.
    Retina,
    /// Unweighted energy and photons.
    Energy,
}

impl Group {
    /// The heading it is shown under.
    pub fn name(self) -> &'static str {
        match self {
            Self::Plants => "plants",
            Self::Photometry => "photometry",
            Self::Colour => "colour",
            Self::AlphaOpic => "alpha-opic",
            Self::Ultraviolet => "ultraviolet",
            Self::Retina => "retina",
            Self::Energy => "energy",
        }
    }

    /// All groups, in the order in which they are shown.
    pub const ALL: [Self; 7] =
        [Self::Plants, Self::Photometry, Self::Colour, Self::AlphaOpic, Self::Ultraviolet, Self::Retina, Self::Energy];
}

/// The expanded uncertainty (k = 2) up to which a value may be called good: the larger of the two counts.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Limit {
    /// Share of the value [1].
    pub relative: f64,
    /// In the unit of the quantity.
    pub absolute: f64,
}

impl Limit {
    /// Whether a standard uncertainty (k = 1) is within the limit at a value; NaN in either is not.
    pub fn allows(&self, value: f64, standard_uncertainty: f64) -> bool {
        2.0 * standard_uncertainty <= self.absolute.max(self.relative * value.abs()) && value.is_finite()
    }
}

/// How sums over rows become the quantity, with the derivative by each sum.
///
/// Takes the sums in the order of the recipe's rows and fills as many derivatives; on `Err` they mean nothing.
pub type FinishFn = fn(&[f64], &mut [f64]) -> Result<f64, NullReason>;

/// How a quantity comes from the spectrum.
#[derive(Clone, Copy, Debug)]
pub enum Recipe {
    /// The sum over a row, times a factor.
    Linear {
        /// The row.
        row: &'static Row,
        /// Unit of the quantity a unit of the sum.
        factor: f64,
    },
    /// A formula over the sums of some rows.
    Finish {
        /// The rows, at most [`Recipe::MOST_ROWS`].
        rows: &'static [&'static Row],
        /// Which of the rows has to stand out of its own uncertainty for the formula to mean anything.
        bright: usize,
        /// The formula.
        finish: FinishFn,
    },
    /// Where the spectrum is highest: a parabola through the highest sample and its neighbours.
    Peak {
        /// The row that says over which band.
        row: &'static Row,
    },
    /// An index of colour rendering: of the whole visible spectrum, beside the reference illuminant of its temperature.
    Rendering {
        /// Which of the indices.
        index: rendering::Index,
        /// The colour temperature, a formula over rows.
        temperature: &'static Quantity,
    },
}

impl Recipe {
    /// The most rows a finish may have.
    pub const MOST_ROWS: usize = 8;

    /// Whether it follows the level of the light; ratios, colours and wavelengths do not.
    pub fn is_linear(&self) -> bool {
        matches!(self, Self::Linear { .. })
    }

    /// The rows it takes.
    pub fn rows(&self) -> &[&'static Row] {
        match self {
            Self::Linear { row, .. } | Self::Peak { row } => std::slice::from_ref(row),
            Self::Finish { rows, .. } => rows,
            Self::Rendering { temperature, .. } => temperature.recipe.rows(),
        }
    }
}

/// One quantity.
#[derive(Clone, Copy, Debug)]
pub struct Quantity {
    /// Identifier: database column, JSON key, CSV header.
    pub id: &'static str,
    /// Unit in ASCII, as the Climate and Forecast conventions write it.
    pub unit: &'static str,
    /// Short name for people.
    pub title: &'static str,
    /// What it is, exactly.
    pub definition: &'static str,
    /// Where the definition comes from.
    pub source: &'static str,
    /// What the reader of a value should know beside it; empty when nothing.
    pub remark: &'static str,
    /// The group it is shown in.
    pub group: Group,
    /// Uncertainty up to which a value may be called good.
    pub limit: Limit,
    /// How it comes from the spectrum.
    pub recipe: Recipe,
}

impl Quantity {
    /// Whether it is defined for a source; what is for lamps only is null under the sun.
    pub fn serves(&self, source: SourceRule) -> bool {
        self.recipe.rows().iter().all(|row| row.band(source).is_some())
    }

    /// The range it needs [nm]; `None` where it takes the calibrated range as it is, or is not for this source.
    pub fn needs(&self, source: SourceRule) -> Option<(f64, f64)> {
        let needs = self.recipe.rows().iter().filter_map(|row| row.band(source)?.needs);
        needs.reduce(|a, b| (a.0.min(b.0), a.1.max(b.1)))
    }

    /// The band it is integrated over on a calibrated range [nm]: what a printed value has to state when it is not the definition's own.
    pub fn integrated_over(&self, source: SourceRule, available: (f64, f64)) -> (f64, f64) {
        let bands = self.recipe.rows().iter().filter_map(|row| row.band(source));
        let hull = bands.map(|b| (b.from, b.to)).reduce(|a, b| (a.0.min(b.0), a.1.max(b.1)));
        let (from, to) = hull.unwrap_or(available);
        (from.max(available.0), to.min(available.1))
    }

    /// Whether the band it is taken over depends on the instrument's range or on the source, so that it has to be stated.
    fn band_varies(&self, source: SourceRule) -> bool {
        let within = |band: Band| band.needs.is_none_or(|needs| needs.0 > band.from || needs.1 < band.to);
        self.recipe.rows().iter().any(|row| {
            // The tails of V and of the colour-matching functions are the one case of no weight worth the words.
            let open = row.band(source).is_some_and(within) && !matches!(row.curve, Curve::Tabulated(_));
            row.sun != Some(row.lamp) || open
        })
    }

    /// What to print beside a value: the band where it depends on the instrument or the source, and the remark. `None` when nothing.
    pub fn note(&self, source: SourceRule, available: (f64, f64)) -> Option<String> {
        let (from, to) = self.integrated_over(source, available);
        match (self.band_varies(source), self.remark) {
            (false, "") => None,
            (false, remark) => Some(remark.to_string()),
            (true, "") => Some(format!("over {} to {} nm", nm(from), nm(to))),
            (true, remark) => Some(format!("over {} to {} nm; {remark}", nm(from), nm(to))),
        }
    }
}

/// All quantities, in the order of their columns.
static REGISTRY: &[Quantity] = &[
    plants::PPFD,
    plants::EPPFD,
    plants::PAR_IRRADIANCE,
    plants::PFD_BLUE,
    plants::PFD_GREEN,
    plants::PFD_RED,
    plants::PFD_FAR_RED,
    plants::YPFD,
    plants::RED_FAR_RED_RATIO,
    plants::PHYTOCHROME_EQUILIBRIUM,
    photometry::ILLUMINANCE,
    photometry::SCOTOPIC_ILLUMINANCE,
    photometry::SP_RATIO,
    colour::CIE_X,
    colour::CIE_Y,
    colour::CIE_U_PRIME,
    colour::CIE_V_PRIME,
    colour::CCT,
    colour::DUV,
    hue::DOMINANT_WAVELENGTH,
    hue::EXCITATION_PURITY,
    rendering::CRI_RA,
    rendering::CRI_R9,
    rendering::FIDELITY_RF,
    rendering::GAMUT_RG,
    alpha_opic::EDI_S_CONE,
    alpha_opic::EDI_M_CONE,
    alpha_opic::EDI_L_CONE,
    alpha_opic::EDI_RHODOPIC,
    alpha_opic::EDI_MELANOPIC,
    ultraviolet::UVA,
    ultraviolet::UVB,
    ultraviolet::UVC,
    ultraviolet::ERYTHEMAL_IRRADIANCE,
    ultraviolet::UV_INDEX,
    ultraviolet::VITAMIN_D_IRRADIANCE,
    ultraviolet::ACTINIC_UV_IRRADIANCE,
    retina::BLUE_LIGHT_HAZARD_IRRADIANCE,
    energy::IRRADIANCE,
    energy::PHOTON_FLUX_DENSITY,
    energy::IRRADIANCE_VISIBLE,
    energy::IRRADIANCE_NIR,
    energy::AVERAGE_PHOTON_ENERGY,
    energy::PEAK_WAVELENGTH,
    energy::CENTROID_WAVELENGTH,
];

/// All quantities, in the order of their columns.
pub fn registry() -> &'static [Quantity] {
    REGISTRY
}

/// The place of a quantity in [`registry()`].
pub fn index_of(id: &str) -> Option<usize> {
    REGISTRY.iter().position(|q| q.id == id)
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::collections::BTreeSet;

    /// Identity: the registry walked; each entry is complete and no two share a name.
    #[test]
    fn every_quantity_has_its_own_name_a_unit_a_definition_a_source_and_a_limit() {
        let ids: BTreeSet<&str> = registry().iter().map(|q| q.id).collect();
        assert_eq!(ids.len(), registry().len());
        for (i, q) in registry().iter().enumerate() {
            assert_eq!(index_of(q.id), Some(i));
            let letter = |b: u8| b.is_ascii_lowercase() || b.is_ascii_digit() || b == b'_';
            assert!(q.id.bytes().all(letter) && !q.id.starts_with(|c: char| c.is_ascii_digit()), "{}", q.id);
            assert!(q.unit.is_ascii() && !q.unit.is_empty(), "{}", q.id);
            assert!([q.title, q.definition, q.source].iter().all(|t| !t.is_empty()), "{}", q.id);
            assert!(q.limit.absolute > 0.0 && q.limit.relative >= 0.0, "{}", q.id);
            assert!((1..=Recipe::MOST_ROWS).contains(&q.recipe.rows().len()), "{}", q.id);
        }
        assert_eq!(index_of("lumens"), None);
    }

    #[test]
    fn groups_stand_together_so_that_headings_appear_once() {
        let groups: Vec<Group> = registry().iter().map(|q| q.group).collect();
        let mut headings = groups.clone();
        headings.dedup();
        assert_eq!(headings, Group::ALL);
    }

    /// Identity: rows that share a name are the same row, since they are folded once.
    #[test]
    fn a_row_name_stands_for_one_row() {
        let rows: Vec<&'static Row> = registry().iter().flat_map(|q| q.recipe.rows().to_vec()).collect();
        for a in &rows {
            for b in rows.iter().filter(|b| b.name == a.name) {
                assert!((a.sun, a.lamp, a.photons) == (b.sun, b.lamp, b.photons), "{}", a.name);
            }
        }
    }

    /// Identity: what each source rule needs, as the definitions state it.
    #[test]
    fn ultraviolet_needs_more_at_lamps_than_under_the_sun() {
        let needs = |id: &str, source| registry()[index_of(id).unwrap()].needs(source);
        assert_eq!(needs("uv_index", SourceRule::Sun), Some((290.0, 400.0)));
        assert_eq!(needs("uv_index", SourceRule::Lamp), Some((250.0, 400.0)));
        assert_eq!(needs("uvb", SourceRule::Sun), Some((290.0, 315.0)));
        assert_eq!(needs("uvb", SourceRule::Lamp), Some((280.0, 315.0)));
        assert_eq!(needs("illuminance", SourceRule::Sun), Some((380.0, 780.0)));
        assert_eq!(needs("red_far_red_ratio", SourceRule::Lamp), Some((655.0, 735.0)));
        assert_eq!(needs("irradiance", SourceRule::Lamp), None);
        assert_eq!(needs("actinic_uv_irradiance", SourceRule::Lamp), Some((200.0, 400.0)));
        assert_eq!(needs("uvc", SourceRule::Lamp), Some((250.0, 280.0)));
        let uvc = &registry()[index_of("uvc").unwrap()];
        assert!(uvc.serves(SourceRule::Lamp) && !uvc.serves(SourceRule::Sun));
    }

    /// Identity: a limit compares the expanded uncertainty, and NaN never passes.
    #[test]
    fn a_limit_takes_the_larger_of_its_two_parts_and_refuses_nan() {
        let limit = Limit { relative: 0.1, absolute: 1.0 };
        assert!(limit.allows(0.0, 0.5) && !limit.allows(0.0, 0.51));
        assert!(limit.allows(-100.0, 5.0) && !limit.allows(100.0, 5.01));
        assert!(!limit.allows(f64::NAN, 0.1) && !limit.allows(1.0, f64::NAN) && !limit.allows(f64::INFINITY, 1.0));
    }

    /// Regression: the notes people read beside a value.
    #[test]
    fn a_note_states_the_band_where_it_is_not_the_definitions_own() {
        let note = |id: &str, source| registry()[index_of(id).unwrap()].note(source, (281.4, 1049.96));
        let want = "over 281.4 to 1049.96 nm; not solar global irradiance, which reaches from 280 to 4000 nm";
        assert_eq!(note("irradiance", SourceRule::Sun).as_deref(), Some(want));
        assert_eq!(note("uvb", SourceRule::Sun).as_deref(), Some("over 290 to 315 nm"));
        assert_eq!(note("irradiance_nir", SourceRule::Lamp).as_deref(), Some("over 780 to 1049.96 nm"));
        for id in ["ppfd", "illuminance", "cct", "edi_melanopic"] {
            assert_eq!(note(id, SourceRule::Sun), None, "{id}");
        }
    }
}
