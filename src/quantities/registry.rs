//! The list of quantities, in the order of their columns.
//!
//! Identifiers and units are interface: databases and scripts depend on them. Invariants: identifiers are unique, and new
//! quantities are added without renaming any.

use super::quantity::Quantity;
use super::{
    alpha_opic, colour, colour_rendering, energy, hue, photometry, plant_ultraviolet, plants, retina, ultraviolet,
};

/// All quantities, in the order of their columns.
static REGISTRY: &[Quantity] = &[
    plants::PPFD,
    plants::EPPFD,
    plants::EPPFD_CAPPED,
    plants::PAR_IRRADIANCE,
    plants::PFD_BLUE,
    plants::PFD_GREEN,
    plants::PFD_RED,
    plants::PFD_FAR_RED,
    plants::YPFD,
    plants::RED_FAR_RED_RATIO,
    plants::RED_FAR_RED_RATIO_WIDE,
    plants::BLUE_GREEN_RATIO,
    plants::RED_BLUE_RATIO,
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
    colour_rendering::CRI_RA,
    colour_rendering::CRI_R9,
    colour_rendering::FIDELITY_RF,
    colour_rendering::GAMUT_RG,
    alpha_opic::EDI_S_CONE,
    alpha_opic::EDI_M_CONE,
    alpha_opic::EDI_L_CONE,
    alpha_opic::EDI_RHODOPIC,
    alpha_opic::EDI_MELANOPIC,
    alpha_opic::MELANOPIC_DER,
    ultraviolet::UVA,
    ultraviolet::UVB,
    ultraviolet::UVC,
    ultraviolet::ERYTHEMAL_IRRADIANCE,
    ultraviolet::UV_INDEX,
    ultraviolet::VITAMIN_D_IRRADIANCE,
    ultraviolet::ACTINIC_UV_IRRADIANCE,
    plant_ultraviolet::PFD_UVA,
    plant_ultraviolet::PLANT_GROWTH_UV_IRRADIANCE,
    plant_ultraviolet::PLANT_DAMAGE_UV_IRRADIANCE,
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
    use super::super::quantity::{Group, Recipe};
    use super::super::row::{Row, SourceRule};
    use super::*;
    use std::collections::BTreeSet;

    /// Identity: each entry is complete and no two share an identifier.
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
