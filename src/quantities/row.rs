//! A row: one weighting function over one band, and its weights on the samples of an axis.
//!
//! Does not sum; the meaning of a sum is defined by the quantity.

use super::constants::PHOTONS;
use super::reason::NullReason;
use crate::spectrum::weights::{self, SparseRow, Table};

/// Tolerance when a band is compared with the calibrated range [nm], for the rounding of the wavelength polynomial.
pub(super) const SLACK_NM: f64 = 1e-6;

/// The kind of light source: it decides where ultraviolet integrals start and which range they need.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum SourceRule {
    /// Sun and sky, also under glazing: no light reaches the ground below 290 nm, so integrals start there.
    Sun,
    /// Lamps, which may emit at any wavelength: integrals need the whole range of the weighting, so that none understates a hazard.
    Lamp,
}

impl SourceRule {
    /// The name on the command line.
    pub fn name(self) -> &'static str {
        match self {
            Self::Sun => "sun",
            Self::Lamp => "lamp",
        }
    }
}

/// A weighting function.
#[derive(Clone, Copy, Debug)]
pub enum Curve {
    /// 1 everywhere.
    Flat,
    /// A formula of the wavelength [nm], evaluated every 0.1 nm besides the samples.
    Formula(fn(f64) -> f64),
    /// A table, linear between entries.
    Tabulated(fn() -> &'static Table),
}

/// The band of a row.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Band {
    /// Integration starts here [nm]; −∞ starts where the range starts.
    pub from: f64,
    /// Integration ends here [nm]; ∞ ends where the range ends.
    pub to: f64,
    /// The range that must be calibrated [nm]; `None` accepts any.
    pub needs: Option<(f64, f64)>,
}

impl Band {
    /// From edge to edge, all of it required.
    pub const fn whole(from: f64, to: f64) -> Self {
        Self { from, to, needs: Some((from, to)) }
    }
    /// The whole calibrated range.
    pub const RANGE: Self = Self { from: f64::NEG_INFINITY, to: f64::INFINITY, needs: None };
}

/// One weighting function over one band.
#[derive(Clone, Copy, Debug)]
pub struct Row {
    /// Its name; two rows with one name are the same row.
    pub name: &'static str,
    /// The weighting.
    pub curve: Curve,
    /// Whether photons are counted [µmol] instead of energy [J].
    pub photons: bool,
    /// The band under the sun; `None` where the row is for lamps only.
    pub sun: Option<Band>,
    /// The band under lamps.
    pub lamp: Band,
}

impl Row {
    /// A row with one band for all sources.
    pub const fn new(name: &'static str, curve: Curve, photons: bool, band: Band) -> Self {
        Self { name, curve, photons, sun: Some(band), lamp: band }
    }

    /// The band for a source; `None` where the row is not defined for it.
    pub fn band(&self, source: SourceRule) -> Option<Band> {
        match source {
            SourceRule::Sun => self.sun,
            SourceRule::Lamp => Some(self.lamp),
        }
    }

    /// Weight of the spectral irradiance [1, or µmol J⁻¹] at a wavelength [nm].
    fn weight(&self, table: Option<&Table>, wavelength_nm: f64) -> f64 {
        let curve = match (self.curve, table) {
            (Curve::Flat, _) => 1.0,
            (Curve::Formula(f), _) => f(wavelength_nm),
            (Curve::Tabulated(_), table) => table.map_or(0.0, |t| t.at(wavelength_nm)),
        };
        if self.photons { curve * wavelength_nm * PHOTONS } else { curve }
    }

    /// The weights on the samples of an axis of which `available` [nm] is calibrated (inside the axis, from < to).
    pub(super) fn fold(
        &self,
        axis: &[f64],
        available: (f64, f64),
        source: SourceRule,
    ) -> Result<SparseRow, NullReason> {
        let band = self.band(source).ok_or(NullReason::LampsOnly)?;
        let out_of_range = |needed| NullReason::Range { needed, available };
        if let Some(needed) = band.needs
            && !(available.0 <= needed.0 + SLACK_NM && available.1 >= needed.1 - SLACK_NM)
        {
            return Err(out_of_range(needed));
        }
        let clipped = (band.from.max(available.0), band.to.min(available.1));
        let table = match self.curve {
            Curve::Tabulated(table) => Some(table()),
            _ => None,
        };
        // Photons are weighted by λ, which is a formula as well.
        let mut nodes = match self.curve {
            Curve::Formula(_) => weights::formula_nodes(clipped),
            _ if self.photons => weights::formula_nodes(clipped),
            _ => Vec::new(),
        };
        if let Some(table) = table {
            nodes.extend_from_slice(&table.wavelength_nm);
        }
        weights::fold(axis, clipped, &nodes, |x| self.weight(table, x))
            .ok_or_else(|| out_of_range((band.from, band.to)))
    }
}
