//! Safety notices that accompany values wherever they are shown or exported.
//!
//! One text for each group of quantities that describes a hazard, chosen by the light source of the station. Depends on groups and
//! source rules only. Invariant: the advice to protect eyes and skin from UV index 3 on never stands beside values of lamps.

use super::quantity::Group;
use super::row::SourceRule;

/// WHO, WMO, UNEP, ICNIRP 2002, *Global Solar UV Index: a practical guide*.
const SUN: &str = "from UV index 3 on protection of eyes and skin is advised (WHO 2002)";

/// The UV index weights by erythema; 254 nm, for one, harms the eye long before it reddens the skin.
const LAMPS: &str = "the UV index is the sun's scale: before a lamp no value means safe; protect eyes and skin";

/// Of any ultraviolet value.
const NO_ADVICE: &str = "no medical or health advice, no assessment of anybody's exposure and no risk group; follow local rules \
                         and qualified practice";

/// Of blue-light values, whatever the source.
const RETINA: &str = "no assessment of anybody's exposure and no risk group, which would need the radiance and size of the \
                      source; do not look into bright lamps or the sun; follow local rules and qualified practice";

impl Group {
    /// The notice for this group under `source`; both texts where the source is unknown, `None` where no notice is needed.
    pub fn caution(self, source: Option<SourceRule>) -> Option<String> {
        match (self, source) {
            (Self::Ultraviolet, Some(SourceRule::Sun)) => Some(format!("{SUN}; {NO_ADVICE}")),
            (Self::Ultraviolet, Some(SourceRule::Lamp)) => Some(format!("{LAMPS}; {NO_ADVICE}")),
            (Self::Ultraviolet, None) => Some(format!("under the sun: {SUN}; before lamps: {LAMPS}; {NO_ADVICE}")),
            (Self::Retina, _) => Some(RETINA.to_owned()),
            _ => None,
        }
    }
}

/// The notices of several groups as (heading of the group, text), in the order of [`Group::ALL`].
pub fn cautions(groups: impl Fn(Group) -> bool, source: Option<SourceRule>) -> Vec<(&'static str, String)> {
    let notice = |group: Group| Some((group.name(), group.caution(source)?));
    Group::ALL.into_iter().filter(|group| groups(*group)).filter_map(notice).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn groups_that_describe_a_hazard_have_a_notice_under_every_source() {
        for source in [Some(SourceRule::Sun), Some(SourceRule::Lamp), None] {
            for group in Group::ALL {
                let hazard = matches!(group, Group::Ultraviolet | Group::Retina);
                let notice = group.caution(source);
                assert_eq!(notice.is_some_and(|c| c.contains("no risk group")), hazard, "{}", group.name());
            }
            assert_eq!(cautions(|_| true, source).iter().map(|c| c.0).collect::<Vec<_>>(), ["ultraviolet", "retina"]);
        }
        assert!(cautions(|group| group == Group::Plants, None).is_empty());
    }

    #[test]
    fn the_advice_from_uv_index_3_on_is_for_the_sun_alone() {
        let ultraviolet = |source| Group::Ultraviolet.caution(source).unwrap();
        let (sun, lamp) = (ultraviolet(Some(SourceRule::Sun)), ultraviolet(Some(SourceRule::Lamp)));
        assert!(sun.contains("from UV index 3 on") && sun.contains("no medical or health advice"), "{sun}");
        assert!(!lamp.contains("UV index 3") && lamp.contains("no value means safe; protect eyes and skin"), "{lamp}");
        let both = ultraviolet(None);
        assert!(both.contains("under the sun: from UV index 3 on") && both.contains("no value means safe"), "{both}");
    }
}
