//! The lamps' part of the light of one reading, before the cosine correction.
//!
//! With the sun below −6° all light is that of lamps. By day the lamps are separated by their spectra ([`super::separation`]). Pure.
//!
//! Invariant: light that neither daylight nor the known lamps explain is never attributed; it is reported as unknown.

use super::daylight::Daylight;
use super::glazing::Glazing;
use super::separation::{Light, STRUCTURE, Separation, separate};
use super::shape::LampShape;
use crate::reduction::scale::Scale;

/// Elevation of the sun below which all light counts as that of lamps [degrees]: the end of civil twilight, with a PPFD of about 0.1
/// µmol m⁻² s⁻¹.
pub const LAMPS_ALONE_BELOW_DEG: f64 = -6.0;

/// What is known of lamps and glazing at a station.
#[derive(Clone, Copy, Debug)]
pub struct LampContext<'a> {
    /// The spectra of the lamps.
    pub shapes: &'a [LampShape],
    /// The reference sun through the instrument's slit; `None` without sunlight.
    pub daylight: Option<&'a Daylight>,
    /// The glazing.
    pub glazing: Glazing,
    /// Angle between the light of the lamps and the vertical [degrees]; `None`: their light is diffuse.
    pub incidence_deg: Option<f64>,
    /// The lamps' part where it is known from a longer observation; `None`: it is estimated from the reading itself.
    pub part: Option<&'a LampLight>,
}

/// How far the lamps' part is known.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Knowledge {
    /// All light is that of lamps.
    Alone,
    /// Separated by the spectra of the lamps.
    Separated,
    /// No spectrum of a lamp is known, and the light looks like daylight.
    NoShapes,
    /// There is light that neither daylight nor the known lamps explain.
    UnknownLamps,
}

/// The lamps' part of the light of one reading.
#[derive(Clone, Debug, PartialEq)]
pub struct LampLight {
    /// How far it is known.
    pub knowledge: Knowledge,
    /// Rate of every pixel by known lamps [counts/s].
    pub rate: Vec<f64>,
    /// Effect of one standard uncertainty of the separation on `rate` [counts/s].
    pub rate_uncertainty: Vec<f64>,
    /// Approximate PPFD of all light, and of known lamps with its standard uncertainty, before the cosine correction [µmol m⁻² s⁻¹].
    pub all_ppfd: f64,
    /// See `all_ppfd`.
    pub ppfd: f64,
    /// See `all_ppfd`.
    pub ppfd_uncertainty: f64,
    /// Relative residual of the separation [1]; 0 where none was made.
    pub residual: f64,
    /// Averaged residuals, see [`Separation::averaged`]; empty where no separation was made.
    pub averaged: Vec<(f64, f64)>,
    /// Share of the lamps in the PPFD after the cosine correction, and its standard uncertainty [1]; `None` where it is not known.
    pub share: Option<(f64, f64)>,
}

impl LampLight {
    /// All light is that of lamps.
    pub fn alone(rate: &[f64], all_ppfd: f64) -> Self {
        Self {
            knowledge: Knowledge::Alone,
            rate: rate.to_vec(),
            rate_uncertainty: vec![0.0; rate.len()],
            all_ppfd,
            ppfd: all_ppfd,
            ppfd_uncertainty: 0.0,
            residual: 0.0,
            averaged: Vec::new(),
            share: Some((1.0, 0.0)),
        }
    }

    /// Separated from daylight. `light` has the irradiance before the cosine correction.
    pub fn of(light: &Light<'_>, scale: &Scale, daylight: &Daylight, shapes: &[LampShape]) -> Option<Self> {
        let separation = separate(light, scale, daylight, shapes)?;
        let knowledge = match shapes.is_empty() {
            _ if separation.residual > STRUCTURE => Knowledge::UnknownLamps,
            true => Knowledge::NoShapes,
            false => Knowledge::Separated,
        };
        let Separation { irradiance, uncertainty, ppfd, lamps_ppfd, lamps_uncertainty, residual, averaged } =
            separation;
        let rates =
            |of: &[f64]| of.iter().zip(light.inverse).map(|(e, k)| if *k > 0.0 { e / k } else { 0.0 }).collect();
        Some(Self {
            knowledge,
            rate: rates(&irradiance),
            rate_uncertainty: rates(&uncertainty),
            all_ppfd: ppfd,
            ppfd: lamps_ppfd,
            ppfd_uncertainty: lamps_uncertainty,
            residual,
            averaged,
            share: None,
        })
    }

    /// Approximate PPFD of the sun and sky with its standard uncertainty, before the cosine correction [µmol m⁻² s⁻¹].
    pub fn sun_ppfd(&self) -> (f64, f64) {
        (self.all_ppfd - self.ppfd, self.ppfd_uncertainty)
    }
}
