//! Determines which quantities an error of the spectrum leaves unaffected. Pure.

use crate::config::LimitsConfig;
use crate::quality::verdict::uncertainty_limits;
use crate::quantities::{self, Matrix};

/// Share of a quantity's uncertainty limit above which an error affects the quantity [1].
///
/// Stricter than for the flags of a single reading: a drift lasts for weeks, and its size is a lower bound.
const SHARE_OF_LIMIT: f64 = 0.12;

/// How an error depends on the light, so that its effect in one reading is representative of other readings.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Error {
    /// In proportion to the light: compared with the relative limit where a quantity has one.
    Proportional,
    /// Independent of the light: compared with the absolute limit where a quantity has one.
    Additive,
}

/// Identifiers of the quantities that an error of the spectrum [W m⁻² nm⁻¹] leaves unaffected.
///
/// Ratios and colours are assessed in this light; in much weaker light an additive error affects more of them.
pub fn unaffected(
    matrix: &Matrix,
    irradiance: &[f64],
    (error, kind): (&[f64], Error),
    limits: &LimitsConfig,
) -> Vec<String> {
    let effects = quantities::effects(matrix, irradiance, &[error]);
    let values = quantities::values(matrix, irradiance);
    let is_unaffected = |q: usize| {
        let (relative, absolute) = uncertainty_limits(limits, q);
        let Some(Ok(value)) = values.get(q) else { return false };
        let limit = match kind {
            Error::Proportional if relative > 0.0 => relative * value.abs(),
            Error::Additive if !(absolute > 0.0) => relative * value.abs(),
            _ => absolute,
        };
        // An effect that is not a number counts as affecting the quantity.
        effects.first().and_then(|effects| effects.get(q)).is_some_and(|e| e.abs() <= SHARE_OF_LIMIT * limit)
    };
    (0..quantities::registry().len())
        .filter(|q| is_unaffected(*q))
        .map(|q| quantities::registry()[q].id.to_owned())
        .collect()
}

/// Error of a spectrum whose wavelength scale is off by `nm` [W m⁻² nm⁻¹], at usable samples.
pub fn error_of_shift(wavelength_nm: &[f64], irradiance: &[f64], usable: &[bool], nm: f64) -> Vec<f64> {
    let n = wavelength_nm.len().min(irradiance.len()).min(usable.len());
    let mut error = vec![0.0; irradiance.len()];
    for i in 1..n.saturating_sub(1) {
        if usable[i - 1] && usable[i] && usable[i + 1] {
            error[i] = nm * (irradiance[i + 1] - irradiance[i - 1]) / (wavelength_nm[i + 1] - wavelength_nm[i - 1]);
        }
    }
    error
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::quantities::SourceRule;
    use crate::spectrum::g173::g173;

    fn limits() -> LimitsConfig {
        super::super::test_limits()
    }

    /// Published: under ASTM G173 a wavelength shift changes the UV index by −16 % per nm and PPFD by −0.014 % per nm.
    #[test]
    fn a_shift_affects_ultraviolet_quantities_and_a_lower_response_affects_linear_ones() {
        let table = g173();
        let axis: Vec<f64> = (0..1880).map(|i| 285.0 + 0.4 * f64::from(i)).collect();
        let light: Vec<f64> = axis
            .iter()
            .map(|nm| crate::numeric::interpolate_clamped(&table.wavelength_nm, &table.global_tilt, *nm))
            .collect();
        let matrix = Matrix::build(&axis, (285.0, 1036.6), SourceRule::Sun);
        let usable = vec![true; axis.len()];
        let has = |list: &[String], id: &str| list.iter().any(|x| x == id);
        let shifted =
            unaffected(&matrix, &light, (&error_of_shift(&axis, &light, &usable, 0.2), Error::Proportional), &limits());
        for id in ["uv_index", "erythemal_irradiance", "uvb"] {
            assert!(!has(&shifted, id), "{id} is affected by a shift");
        }
        for id in ["ppfd", "illuminance", "irradiance"] {
            assert!(has(&shifted, id), "{id} is unaffected by a shift: {shifted:?}");
        }
        let grey: Vec<f64> = light.iter().map(|e| -0.1 * e).collect();
        let dimmed = unaffected(&matrix, &light, (&grey, Error::Proportional), &limits());
        assert!(!has(&dimmed, "ppfd") && !has(&dimmed, "uv_index") && has(&dimmed, "cct"), "{dimmed:?}");
        // An additive error is considerable in weak light, even where it is small in this light.
        let added = vec![1e-3; axis.len()];
        let unaffected_by = |kind| unaffected(&matrix, &light, (&added, kind), &limits());
        assert!(!has(&unaffected_by(Error::Additive), "uv_index") && has(&unaffected_by(Error::Proportional), "ppfd"));
    }
}
