//! Light of a scene: horizontal spectral irradiance on a 1 nm grid, beam and diffuse light separately.
//!
//! The truth uses the same grid. Light is linear between the nodes and zero beyond them.

/// Whole-nanometre wavelengths in air, one node a nanometre.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Grid {
    /// Wavelength of the first node [nm].
    pub first_nm: i32,
    /// Number of nodes.
    pub nodes: usize,
}

impl Grid {
    /// A grid from `low` to `high` [nm], extended by `margin` [nm] at both ends.
    pub fn around(low: f64, high: f64, margin: f64) -> Self {
        let first = (low - margin).floor() as i32;
        let last = (high + margin).ceil() as i32;
        Self { first_nm: first, nodes: (last - first).max(0) as usize + 1 }
    }

    /// Wavelength of a node [nm].
    pub fn nm(&self, node: usize) -> f64 {
        f64::from(self.first_nm) + node as f64
    }

    /// Values of a curve at the nodes; the curve is linear between points of rising wavelength and zero beyond them.
    pub fn sample(&self, wavelength_nm: &[f64], value: &[f64]) -> Vec<f64> {
        (0..self.nodes)
            .map(|i| {
                let x = self.nm(i);
                let above = wavelength_nm.partition_point(|w| *w < x);
                match (above.checked_sub(1), wavelength_nm.get(above)) {
                    (_, Some(&w)) if w == x => value[above],
                    (Some(below), Some(&w)) => {
                        let share = (x - wavelength_nm[below]) / (w - wavelength_nm[below]);
                        value[below] * (1.0 - share) + value[above] * share
                    }
                    _ => 0.0,
                }
            })
            .collect()
    }
}

/// Horizontal spectral irradiance [W m⁻² nm⁻¹], mean over an interval.
#[derive(Clone, Debug, PartialEq)]
pub struct Light {
    /// Direct beam.
    pub beam: Vec<f64>,
    /// Zenith angle of the beam [degrees].
    pub beam_zenith_deg: f64,
    /// Diffuse light.
    pub sky: Vec<f64>,
}

impl Light {
    /// No light.
    pub fn dark(grid: Grid) -> Self {
        Self { beam: vec![0.0; grid.nodes], beam_zenith_deg: 0.0, sky: vec![0.0; grid.nodes] }
    }

    /// Sum of beam and diffuse light.
    pub fn total(&self) -> Vec<f64> {
        self.beam.iter().zip(&self.sky).map(|(b, s)| b + s).collect()
    }

    /// Sets everything to zero.
    pub fn clear(&mut self) {
        self.beam.fill(0.0);
        self.sky.fill(0.0);
    }
}
