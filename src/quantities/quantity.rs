//! What a quantity is: its identity, definition, source, limits, and the recipe by which it comes from a spectrum.
//!
//! Holds types only; the quantities themselves are constants in the file of their group, listed in [`super::registry`].

use super::reason::{NullReason, nm};
use super::row::{Band, Curve, Row, SourceRule};

/// A group of quantities that are shown together.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Group {
    /// Photosynthesis and the plant's light signals.
    Plants,
    /// Light weighted by the luminous efficiency of the eye.
    Photometry,
    /// Colour and colour temperature.
    Colour,
    /// Light weighted by the action spectra of the eye's five receptors.
    AlphaOpic,
    /// Ultraviolet radiation.
    Ultraviolet,
    /// Light weighted for its hazard to the retina.
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
    /// Why it is this one.
    pub reason: &'static str,
}

impl Limit {
    /// Whether a standard uncertainty (k = 1) is within the limit at a value; NaN in either is not.
    pub fn allows(&self, value: f64, standard_uncertainty: f64) -> bool {
        2.0 * standard_uncertainty <= self.absolute.max(self.relative * value.abs()) && value.is_finite()
    }
}

/// The ratios by which the largest physically possible value of a quantity follows from the light source.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Plausible {
    /// Highest ratio to global irradiance [unit / (W m⁻²)].
    ///
    /// Above the ratio in the global spectrum of ASTM G173-03 by 5 % or more; by more than a fifth for blue and infrared quantities; and
    /// several times for ultraviolet ones, which increase faster with the elevation of the sun: the values exceed all ultraviolet
    /// integrals of musica 0.17.2 (the TUV model, sun overhead, 200 DU of ozone: UV index 21.1, UV-B 3.01, UV-A 67.8, vitamin D 1.05,
    /// actinic 0.165 W/m²) over the global irradiance of a clear sky, 1096 W/m² (pvlib 0.16.1, `ineichen`, turbidity 2).
    pub per_global: f64,
    /// Highest ratio to the rating of lamps [unit / (µmol m⁻² s⁻¹)], for quantities within 400–700 nm, the range of the rating; `None` for
    /// others. A part is at most the whole, a photon in that range has at most the energy of 400 nm (0.2991 J/µmol), and at most the
    /// luminous energy of 553 nm (147.5 lm s/µmol; the eye is hardly sensitive outside the range).
    pub per_rating: Option<f64>,
}

impl Plausible {
    /// Bounded by the sun only.
    pub const fn sun(per_global: f64) -> Option<Self> {
        Some(Self { per_global, per_rating: None })
    }

    /// Bounded by the sun, and by the rating of lamps.
    pub const fn sun_and_lamps(per_global: f64, per_rating: f64) -> Option<Self> {
        Some(Self { per_global, per_rating: Some(per_rating) })
    }
}

/// A formula from sums over rows to the quantity, with its derivatives by the sums.
///
/// Takes the sums in the order of the recipe's rows and fills as many derivatives; on `Err` they mean nothing.
pub type FinishFn = fn(&[f64], &mut [f64]) -> Result<f64, NullReason>;

/// One of the indices of colour rendering; its value is its place in the results of [`super::rendering::indices`].
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Index {
    /// General colour rendering index Rₐ.
    General = 0,
    /// Special colour rendering index R₉.
    StrongRed = 1,
    /// Colour fidelity R_f.
    Fidelity = 2,
    /// Gamut R_g.
    Gamut = 3,
}

/// How a quantity comes from the spectrum.
#[derive(Clone, Copy, Debug)]
pub enum Recipe {
    /// The sum over a row, times a factor.
    Linear {
        /// The row.
        row: &'static Row,
        /// Unit of the quantity for each unit of the sum.
        factor: f64,
    },
    /// A formula over the sums of some rows.
    Finish {
        /// The rows, at most [`Recipe::MOST_ROWS`].
        rows: &'static [&'static Row],
        /// Which of the rows must exceed its own uncertainty for the formula to mean anything.
        bright: usize,
        /// The formula.
        finish: FinishFn,
    },
    /// The wavelength of the maximum: the vertex of a parabola through the highest sample and its neighbours.
    Peak {
        /// The row that says over which band.
        row: &'static Row,
    },
    /// An index of colour rendering, from the whole visible spectrum and its colour temperature.
    Rendering {
        /// Which of the indices.
        index: Index,
        /// The rows from which the colour temperature comes.
        rows: &'static [&'static Row],
        /// Which of the rows must exceed its own uncertainty.
        bright: usize,
        /// The formula of the colour temperature.
        temperature: FinishFn,
    },
}

impl Recipe {
    /// The most rows a formula may have.
    pub const MOST_ROWS: usize = 8;

    /// Whether it is proportional to the light; ratios, colours and wavelengths are not.
    pub fn is_linear(&self) -> bool {
        matches!(self, Self::Linear { .. })
    }

    /// Whether its uncertainty is drawn instead of first order.
    pub fn is_drawn(&self) -> bool {
        matches!(self, Self::Peak { .. } | Self::Rendering { .. })
    }

    /// Whether it is an index of colour rendering.
    pub fn is_rendering(&self) -> bool {
        matches!(self, Self::Rendering { .. })
    }

    /// The reason for a null where the light that the quantity is relative to is too weak. Names its band where the quantity compares it
    /// with another one, so that there may be light enough all the same.
    pub fn too_little_light(&self) -> NullReason {
        self.compared_band()
            .map_or(NullReason::TooLittleLight, |(from_nm, to_nm)| NullReason::TooLittleLightIn { from_nm, to_nm })
    }

    /// The band [nm] that a ratio of two bands is relative to; `None` for all other recipes.
    pub fn compared_band(&self) -> Option<(f64, f64)> {
        let Self::Finish { rows, bright, .. } = self else { return None };
        let band = rows[*bright].lamp;
        let others = || rows.iter().enumerate().filter(|(r, _)| r != bright).map(|(_, row)| row.lamp);
        let apart = |other: Band| other.to <= band.from || other.from >= band.to;
        (others().next().is_some() && others().all(apart)).then_some((band.from, band.to))
    }

    /// The rows it takes.
    pub fn rows(&self) -> &[&'static Row] {
        match self {
            Self::Linear { row, .. } | Self::Peak { row } => std::slice::from_ref(row),
            Self::Finish { rows, .. } | Self::Rendering { rows, .. } => rows,
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
    /// The exact definition.
    pub definition: &'static str,
    /// Where the definition comes from.
    pub source: &'static str,
    /// A note to print beside a value; empty when there is none.
    pub remark: &'static str,
    /// The group it is shown in.
    pub group: Group,
    /// Uncertainty up to which a value may be called good.
    pub limit: Limit,
    /// How its largest physically possible value scales; `None` where no such bound is known: for ratios and colours, and for UV-C,
    /// which does not reach the ground from the sun.
    pub plausible: Option<Plausible>,
    /// How it comes from the spectrum.
    pub recipe: Recipe,
}

impl Quantity {
    /// Whether it is defined for a source; a quantity for lamps only is null under the sun.
    pub fn serves(&self, source: SourceRule) -> bool {
        self.recipe.rows().iter().all(|row| row.band(source).is_some())
    }

    /// The range it needs [nm]; `None` where it takes the calibrated range as it is, or is not for this source.
    pub fn needs(&self, source: SourceRule) -> Option<(f64, f64)> {
        let needs = self.recipe.rows().iter().filter_map(|row| row.band(source)?.needs);
        needs.reduce(|a, b| (a.0.min(b.0), a.1.max(b.1)))
    }

    /// The band it is integrated over on a calibrated range [nm]; a printed value states it when it differs from the definition's.
    pub fn integrated_over(&self, source: SourceRule, available: (f64, f64)) -> (f64, f64) {
        let bands = self.recipe.rows().iter().filter_map(|row| row.band(source));
        let hull = bands.map(|b| (b.from, b.to)).reduce(|a, b| (a.0.min(b.0), a.1.max(b.1)));
        let (from, to) = hull.unwrap_or(available);
        (from.max(available.0), to.min(available.1))
    }

    /// Whether its band depends on the instrument's range or on the source, so that it has to be stated.
    fn band_varies(&self, source: SourceRule) -> bool {
        let within = |band: Band| band.needs.is_none_or(|needs| needs.0 > band.from || needs.1 < band.to);
        self.recipe.rows().iter().any(|row| {
            // The weight in the tails of V and of the colour-matching functions is negligible.
            let open = row.band(source).is_some_and(within) && !matches!(row.curve, Curve::Tabulated(_));
            row.sun != Some(row.lamp) || open
        })
    }

    /// The note beside a value: the band where it depends on the instrument or the source, and the remark. `None` without either.
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

/// The formula of a ratio: first sum over second [1]; too little light where the second is not above zero.
pub(super) fn ratio(sums: &[f64], gradient: &mut [f64]) -> Result<f64, NullReason> {
    let (above, below) = (sums[0], sums[1]);
    if below > 0.0 {
        gradient[0] = 1.0 / below;
        gradient[1] = -above / (below * below);
        Ok(above / below)
    } else {
        Err(NullReason::TooLittleLight)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Identity: a limit compares the expanded uncertainty, and NaN never passes.
    #[test]
    fn a_limit_takes_the_larger_of_its_two_parts_and_refuses_nan() {
        let limit = Limit { relative: 0.1, absolute: 1.0, reason: "" };
        assert!(limit.allows(0.0, 0.5) && !limit.allows(0.0, 0.51));
        assert!(limit.allows(-100.0, 5.0) && !limit.allows(100.0, 5.01));
        assert!(!limit.allows(f64::NAN, 0.1) && !limit.allows(1.0, f64::NAN) && !limit.allows(f64::INFINITY, 1.0));
    }
}
