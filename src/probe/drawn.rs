//! Drawn detectors for tests: counts with a known truth, by a generator of their own.

use rand::{Rng, SeedableRng};
use rand_distr::StandardNormal;
use rand_pcg::Pcg64Mcg;

/// A detector whose every property is known.
#[derive(Clone)]
pub struct Drawn {
    pub pixels: usize,
    pub electrons_per_count: f64,
    pub read_noise_counts: f64,
    pub offset_counts: f64,
    /// Dark rate [counts/s].
    pub dark_counts_per_s: f64,
    /// counts / (1 + c·counts) is proportional to charge.
    pub coefficient: f64,
    pub time_offset_s: f64,
    pub full_scale: f64,
    /// Widths of a running mean inside the instrument, 1 for none.
    pub smoothing: usize,
    pub random: Pcg64Mcg,
}

impl Drawn {
    pub fn new(seed: u64) -> Self {
        Self {
            pixels: 1000,
            electrons_per_count: 3.0,
            read_noise_counts: 7.0,
            offset_counts: 1200.0,
            dark_counts_per_s: 0.0,
            coefficient: 0.0,
            time_offset_s: 0.0,
            full_scale: 65_535.0,
            smoothing: 1,
            random: Pcg64Mcg::seed_from_u64(seed),
        }
    }

    /// What a pixel reads without light [counts].
    pub fn dark(&self, integration_s: f64) -> Vec<f64> {
        let pattern = |i: usize| self.offset_counts + 5.0 * ((i * 37 % 101) as f64 / 50.0 - 1.0);
        (0..self.pixels).map(|i| pattern(i) + self.dark_counts_per_s * integration_s).collect()
    }

    /// Light rate of a pixel [linear counts/s]: a hill over the pixels with a top of `top`.
    pub fn rate(&self, i: usize, top: f64) -> f64 {
        let x = (i as f64 / self.pixels as f64 - 0.5) / 0.25;
        top * (-x * x).exp()
    }

    /// A frame of `integration_s` under light whose brightest pixel has `top` [linear counts/s].
    pub fn frame(&mut self, integration_s: f64, top: f64) -> Vec<u32> {
        let dark = self.dark(integration_s);
        let mut random = self.random.clone();
        let mut exact: Vec<f64> = (0..self.pixels)
            .map(|i| {
                let charge = self.rate(i, top) * (integration_s + self.time_offset_s);
                // counts = charge·(1 + c·counts)
                let signal = charge / (1.0 - self.coefficient * charge);
                let slope = 1.0 / (1.0 - self.coefficient * charge).powi(2);
                let collected = charge + self.dark_counts_per_s * integration_s;
                let shot = collected.max(0.0) / self.electrons_per_count * slope * slope;
                let noise: f64 = random.sample(StandardNormal);
                dark[i] + signal + (shot + self.read_noise_counts.powi(2)).sqrt() * noise
            })
            .collect();
        self.random = random;
        if self.smoothing > 1 {
            let reach = self.smoothing / 2;
            exact = (0..self.pixels)
                .map(|i| {
                    let near = &exact[i.saturating_sub(reach)..(i + reach + 1).min(self.pixels)];
                    near.iter().sum::<f64>() / near.len() as f64
                })
                .collect();
        }
        exact.iter().map(|v| v.round().clamp(0.0, self.full_scale) as u32).collect()
    }
}
