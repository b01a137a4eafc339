//! The list of quantities, in the order of their columns.
//!
//! Identifiers and units are interface: databases and scripts hold on to them. What must stay true: identifiers are unique
//! and new quantities are added without renaming any.

use super::reason::{NullReason, nm};
use super::row::{Row, SourceRule};
use super::{colour, energy, photometry, plants, ultraviolet};

/// A group of quantities, as they are shown together.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Group {
    /// Photosynthesis and the plant's light signals.
    Plants,
    /// Light as the eye weighs it.
    Photometry,
    /// Colour and colour temperature.
    Colour,
    /// Ultraviolet radiation.
    Ultraviolet,
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
            Self::Ultraviolet => "ultraviolet",
            Self::Energy => "energy",
        }
    }
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
}

impl Recipe {
    /// The most rows a finish may have.
    pub const MOST_ROWS: usize = 8;

    /// The rows it takes.
    pub fn rows(&self) -> &[&'static Row] {
        match self {
            Self::Linear { row, .. } => std::slice::from_ref(row),
            Self::Finish { rows, .. } => rows,
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
    /// The range it needs [nm]; `None` where it takes the calibrated range as it is.
    pub fn needs(&self, source: SourceRule) -> Option<(f64, f64)> {
        let needs = self.recipe.rows().iter().filter_map(|row| row.band(source).needs);
        needs.reduce(|a, b| (a.0.min(b.0), a.1.max(b.1)))
    }

    /// The band it is integrated over on a calibrated range [nm]: what a printed value has to state when it is not the definition's own.
    pub fn integrated_over(&self, source: SourceRule, available: (f64, f64)) -> (f64, f64) {
        let bands = self.recipe.rows().iter().map(|row| row.band(source));
        let hull = bands.map(|b| (b.from, b.to)).reduce(|a, b| (a.0.min(b.0), a.1.max(b.1)));
        let (from, to) = hull.unwrap_or(available);
        (from.max(available.0), to.min(available.1))
    }

    /// What to print beside a value: the band where it depends on the instrument or the source, and the remark. `None` when nothing.
    pub fn note(&self, source: SourceRule, available: (f64, f64)) -> Option<String> {
        let rows = self.recipe.rows();
        let depends = rows.iter().any(|r| r.sun != r.lamp || !r.band(source).from.is_finite());
        let (from, to) = self.integrated_over(source, available);
        match (depends, self.remark) {
            (false, "") => None,
            (false, remark) => Some(remark.to_string()),
            (true, "") => Some(format!("integrated over {} to {} nm", nm(from), nm(to))),
            (true, remark) => Some(format!("integrated over {} to {} nm; {remark}", nm(from), nm(to))),
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
    plants::RED_FAR_RED_RATIO,
    photometry::ILLUMINANCE,
    colour::CIE_X,
    colour::CIE_Y,
    colour::CCT,
    colour::DUV,
    ultraviolet::UVA,
    ultraviolet::UVB,
    ultraviolet::ERYTHEMAL_IRRADIANCE,
    ultraviolet::UV_INDEX,
    energy::IRRADIANCE,
    energy::PHOTON_FLUX_DENSITY,
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
            assert!(q.id.bytes().all(|b| b.is_ascii_lowercase() || b == b'_'), "{}", q.id);
            assert!(q.unit.is_ascii() && !q.unit.is_empty(), "{}", q.id);
            assert!([q.title, q.definition, q.source].iter().all(|t| !t.is_empty()), "{}", q.id);
            assert!(q.limit.absolute > 0.0 && q.limit.relative >= 0.0, "{}", q.id);
            assert!((1..=Recipe::MOST_ROWS).contains(&q.recipe.rows().len()), "{}", q.id);
        }
        assert_eq!(index_of("lumens"), None);
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
        let want =
            "integrated over 281.4 to 1049.96 nm; not solar global irradiance, which reaches from 280 to 4000 nm";
        assert_eq!(note("irradiance", SourceRule::Sun).as_deref(), Some(want));
        assert_eq!(note("uvb", SourceRule::Sun).as_deref(), Some("integrated over 290 to 315 nm"));
        assert_eq!(note("ppfd", SourceRule::Sun), None);
    }
}
