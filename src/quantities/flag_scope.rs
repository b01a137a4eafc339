//! The scope of flags: which flags can be raised on a quantity at all, for the list of quantities.
//!
//! Whether a flag is raised in a reading is decided by `quality::verdict`, by wavelengths and size of the effect. Invariant: it raises
//! flags on quantities in their scope only. Pure.

use super::quantity::Quantity;
use crate::record::{Effect, Flag};

/// Where a flag is raised on a quantity.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum FlagScope {
    /// In every reading that has the flag, at all wavelengths.
    Always,
    /// Where it concerns wavelengths of the quantity and its effect on the quantity is considerable.
    BySize,
    /// In no reading.
    Never,
}

impl Quantity {
    /// The scope of a flag for the quantity.
    pub fn flag_scope(&self, flag: Flag) -> FlagScope {
        match flag {
            Flag::CalibrationMissing
            | Flag::DarkMissing
            | Flag::RepeatedFrame
            | Flag::ShutterFault
            | Flag::Obstructed
            | Flag::Servicing
            | Flag::Warming
            | Flag::Temperature
            | Flag::CalibrationExpired
            | Flag::CheckSource => FlagScope::Always,
            Flag::OutOfLimits if self.plausible.is_none() && !self.recipe.is_linear() => FlagScope::Never,
            _ if flag.effect() == Effect::Nothing => FlagScope::Never,
            _ => FlagScope::BySize,
        }
    }

    /// The flags with a scope for the quantity, in the order of their bits.
    pub fn flags_with(&self, scope: FlagScope) -> impl Iterator<Item = Flag> {
        Flag::ALL.iter().copied().filter(move |flag| self.flag_scope(*flag) == scope)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::quantities::registry;

    #[test]
    fn every_flag_that_changes_verdicts_concerns_a_quantity_and_no_other_flag_does() {
        for flag in Flag::ALL {
            let concerned = registry().iter().filter(|q| q.flag_scope(*flag) != FlagScope::Never).count();
            assert_eq!(concerned == 0, flag.effect() == Effect::Nothing, "{}", flag.name());
        }
    }
}
