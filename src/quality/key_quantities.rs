//! The quantities that a kind of station is run for. Only they raise flags of a whole reading.
//!
//! A reading has some 45 quantities, and in most light one of them is uncertain: a flag that any of them raises says nothing about
//! the reading. The flags of every quantity are stored beside its value. Pure.

use crate::config::StationKind;

/// The key quantities of a kind of station, by identifier, in the order in which they are shown.
pub fn key_quantities(kind: StationKind) -> &'static [&'static str] {
    match kind {
        StationKind::Roof => &["ppfd", "illuminance", "uv_index"],
        StationKind::Glasshouse => &["ppfd", "illuminance", "red_far_red_ratio"],
        StationKind::Lamp => &["ppfd", "illuminance", "cct", "cri_ra"],
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::quantities;

    #[test]
    fn key_quantities_are_in_the_registry() {
        for kind in [StationKind::Roof, StationKind::Glasshouse, StationKind::Lamp] {
            let keys = key_quantities(kind);
            assert!(keys.contains(&"ppfd") && keys.iter().all(|id| quantities::index_of(id).is_some()), "{keys:?}");
        }
    }
}
