//! Which flags can touch a quantity at all: what a reader of the list of quantities wants to know beforehand.
//!
//! Says nothing about a reading; [`super::verdict`] decides that, by wavelengths and size. What must stay true: a flag that
//! judging raises on a quantity is in the quantity's reach.

use super::limits::has_limit;
use crate::quantities::Quantity;
use crate::record::{Effect, Flag};

/// How a flag can touch a quantity.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Reach {
    /// Whenever it is raised, whatever the wavelengths.
    Always,
    /// Where the wavelengths the quantity uses are concerned and the effect is large enough to matter.
    BySize,
    /// Never.
    Never,
}

/// How a flag can touch a quantity.
pub fn reach(quantity: &Quantity, flag: Flag) -> Reach {
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
        | Flag::CheckSource => Reach::Always,
        Flag::OutOfLimits if !has_limit(quantity.id) => Reach::Never,
        // A factor common to all wavelengths leaves ratios, colours and wavelengths as they are.
        Flag::LowSun if !quantity.recipe.is_linear() => Reach::Never,
        _ if flag.effect() == Effect::Nothing => Reach::Never,
        _ => Reach::BySize,
    }
}

/// The flags that can touch a quantity in one way, in the order of their bits.
pub fn flags_with(quantity: &Quantity, how: Reach) -> impl Iterator<Item = Flag> {
    Flag::ALL.iter().copied().filter(move |flag| reach(quantity, *flag) == how)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::quantities::{Matrix, SourceRule, effects, index_of, registry};

    /// Identity: information reaches nothing, and every flag that degrades can reach something.
    #[test]
    fn what_degrades_reaches_something_and_information_reaches_nothing() {
        for flag in Flag::ALL {
            let reached = registry().iter().filter(|q| reach(q, *flag) != Reach::Never).count();
            assert_eq!(reached == 0, flag.effect() == Effect::Nothing, "{}", flag.name());
        }
    }

    /// Identity: what never reaches ratios and colours, a factor common to all wavelengths, has no effect on them when it is
    /// pushed through the rows.
    #[test]
    fn a_common_factor_moves_only_what_follows_the_level_of_the_light() {
        let axis: Vec<f64> = (0..1541).map(|i| 280.0 + 0.5 * f64::from(i)).collect();
        let light: Vec<f64> = axis.iter().map(|nm| 0.2 + 0.1 * (nm / 60.0).sin()).collect();
        let matrix = Matrix::build(&axis, (280.0, 1050.0), SourceRule::Sun);
        let effects = effects(&matrix, &light, &[&light]);
        for (quantity, effect) in registry().iter().zip(&effects[0]) {
            let never = reach(quantity, Flag::LowSun) == Reach::Never;
            assert!(!never || effect.abs() < 1e-6, "{}: {effect}", quantity.id);
        }
        let ppfd = index_of("ppfd").unwrap();
        assert!(effects[0][ppfd] > 1.0 && reach(&registry()[ppfd], Flag::LowSun) == Reach::BySize);
    }
}
