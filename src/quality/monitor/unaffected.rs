//! How far a doubt reaches: which quantities an error of the spectrum would leave alone.

use crate::config::LimitsConfig;
use crate::quantities::{self, Matrix};

/// A quantity is touched where the error takes more than this share of what it may be uncertain by [1].
///
/// Stricter than for doubts of a single reading: a drift goes on for weeks, and its size is a lower bound.
const SHARE_OF_LIMIT: f64 = 0.12;

/// What an error goes with, so that the reading it is judged by speaks for others.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Error {
    /// With the light: judged by the relative limit where a quantity has one.
    Share,
    /// With nothing, it is there in the dark as well: judged by the absolute limit where a quantity has one.
    Added,
}

/// Identifiers of the quantities that are unaffected if the spectrum is off by `column` [W m⁻² nm⁻¹].
///
/// Ratios and colours are judged in this light; in much weaker light an added error reaches farther.
pub fn unaffected(
    matrix: &Matrix,
    irradiance: &[f64],
    (column, error): (&[f64], Error),
    limits: &LimitsConfig,
) -> Vec<String> {
    let effects = quantities::effects(matrix, irradiance, &[column]);
    let values = quantities::values(matrix, irradiance);
    let unaffected = |q: usize| {
        let quantity = &quantities::registry()[q];
        let own = limits.uncertainty.iter().find(|(id, _, _)| id == quantity.id);
        let (relative, absolute) = own.map_or((quantity.limit.relative, quantity.limit.absolute), |(_, r, a)| (*r, *a));
        let Some(Ok(value)) = values.get(q) else { return false };
        let may_be = match error {
            Error::Share if relative > 0.0 => relative * value.abs(),
            Error::Added if !(absolute > 0.0) => relative * value.abs(),
            _ => absolute,
        };
        // What cannot be told is not unaffected.
        effects.first().and_then(|e| e.get(q)).is_some_and(|e| e.abs() <= SHARE_OF_LIMIT * may_be)
    };
    (0..quantities::registry().len())
        .filter(|q| unaffected(*q))
        .map(|q| quantities::registry()[q].id.to_owned())
        .collect()
}

/// Change of a spectrum whose scale is off by `nm` [W m⁻² nm⁻¹].
pub fn of_shift(wavelength_nm: &[f64], irradiance: &[f64], usable: &[bool], nm: f64) -> Vec<f64> {
    let n = wavelength_nm.len().min(irradiance.len()).min(usable.len());
    let mut column = vec![0.0; irradiance.len()];
    for i in 1..n.saturating_sub(1) {
        if usable[i - 1] && usable[i] && usable[i + 1] {
            column[i] = nm * (irradiance[i + 1] - irradiance[i - 1]) / (wavelength_nm[i + 1] - wavelength_nm[i - 1]);
        }
    }
    column
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::quantities::SourceRule;
    use crate::spectrum::g173::g173;

    fn limits() -> LimitsConfig {
        super::super::test_limits()
    }

    /// Published: wavelength sensitivity of quantities under ASTM G173 (UV index −16 % a nanometre, PPFD −0.014 %): a shift of
    /// 0.2 nm touches the UV index and unaffected PPFD and illuminance; a response that is a tenth lower touches sums and unaffected ratios.
    #[test]
    fn a_shift_touches_ultraviolet_and_a_grey_loss_touches_sums() {
        let table = g173();
        let axis: Vec<f64> = (0..1880).map(|i| 285.0 + 0.4 * f64::from(i)).collect();
        let light: Vec<f64> = axis
            .iter()
            .map(|nm| crate::numeric::interpolate_clamped(&table.wavelength_nm, &table.global_tilt, *nm))
            .collect();
        let matrix = Matrix::build(&axis, (285.0, 1036.6), SourceRule::Sun);
        let usable = vec![true; axis.len()];
        let has = |list: &[String], id: &str| list.iter().any(|x| x == id);
        let shifted = unaffected(&matrix, &light, (&of_shift(&axis, &light, &usable, 0.2), Error::Share), &limits());
        for id in ["uv_index", "erythemal_irradiance", "uvb"] {
            assert!(!has(&shifted, id), "{id} is touched by a shift");
        }
        for id in ["ppfd", "illuminance", "irradiance"] {
            assert!(has(&shifted, id), "{id} is unaffected by a shift: {shifted:?}");
        }
        let grey: Vec<f64> = light.iter().map(|e| -0.1 * e).collect();
        let dimmed = unaffected(&matrix, &light, (&grey, Error::Share), &limits());
        assert!(!has(&dimmed, "ppfd") && !has(&dimmed, "uv_index") && has(&dimmed, "cct"), "{dimmed:?}");
        // What is added to all light counts in weak light, however strong it is now.
        let added = vec![1e-3; axis.len()];
        let spared_now = |error| unaffected(&matrix, &light, (&added, error), &limits());
        assert!(!has(&spared_now(Error::Added), "uv_index") && has(&spared_now(Error::Share), "ppfd"));
    }
}
