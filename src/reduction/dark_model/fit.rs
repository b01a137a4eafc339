//! The least-squares fit behind the dark model.
//!
//! All pixels share times, temperatures and weights, so the normal equations are inverted once. The search for β needs only
//! the sums over pixels of products between darks.
//!
//! Invariants:
//! - The same darks in the same order give the same bits.
//! - The uncertainty of β counts darks, not pixels, because an error of a dark (above all of its temperature) is common to all
//!   its pixels.

use super::{FittingDark, mean_counts};
use crate::calibration::Noise;
use crate::record::Frame;
use crate::reduction::blooming::widened_mask;
use crate::reduction::linearity;

/// Minimum range of temperatures for a fit of β [K].
const MIN_TEMPERATURE_SPAN_K: f64 = 0.2;
/// Largest standard uncertainty at which a fitted β is used [1/K].
const MAX_EXPONENT_UNCERTAINTY: f64 = 0.03;
/// Standard uncertainty of the temperature difference between darks [K]: noise and resolution of usual sensors.
const TEMPERATURE_K: f64 = 0.03;
/// Bounds of the search for β [1/K]: doubling temperatures of 23 K to 2.3 K, wider than for any known detector.
const BETA_BOUNDS: (f64, f64) = (0.03, 0.30);
/// Start of the search [1/K].
const BETA_START: f64 = 0.1;

/// The result of a fit.
pub(super) struct Fitted {
    /// Offset [counts] and rate [counts/s] of every pixel at T₀.
    pub pixels: Vec<(f64, f64)>,
    /// κ [counts/K]; zero if the temperatures are too close together.
    pub offset_per_k: f64,
    /// β and its standard uncertainty [1/K]; `None` if it cannot be fitted.
    pub exponent: Option<(f64, f64)>,
    /// Covariance of (offset, rate) for a pixel of unit weight.
    pub covariance: [f64; 3],
}

/// Fits at least two darks of one detector about a reference temperature [°C].
pub(super) fn fit(fitting_darks: &[FittingDark<'_>], reference_c: f64, noise: &Noise, linearity: &[f64]) -> Fitted {
    let mut darks = Darks::of(fitting_darks, reference_c, noise);
    let known = darks.temperature_span_k() >= MIN_TEMPERATURE_SPAN_K;
    // The first fit gives the offsets, with which every dark is linearised for the second fit.
    let design = Design::of(&darks.samples, if known { BETA_START } else { 0.0 }, known);
    let first = design.solve(&darks);
    darks.linearise(&first, linearity);
    let products = Products::of(&darks);
    let exponent = known.then(|| best_beta(&darks, &products)).filter(|(_, u)| *u <= MAX_EXPONENT_UNCERTAINTY);
    let design = Design::of(&darks.samples, exponent.map_or(0.0, |(b, _)| b), exponent.is_some());
    let solved = design.solve(&darks);
    let residual = design.residual(&darks.samples, &products, solved.kappa);
    let degrees = (products.pixels * (darks.samples.len() as f64 - 2.0)).max(1.0);
    let scale = (residual / degrees).max(1.0);
    let mut pixels = solved.pixels;
    for i in (0..pixels.len()).filter(|i| darks.ever_clipped[*i]) {
        pixels[i] = darks.unclipped(i, &design, solved.kappa);
    }
    pixels.iter_mut().zip(&darks.base).for_each(|(p, base)| p.0 += base);
    let [s0, s1, s2] = design.sums;
    let covariance = [scale * s2 / design.det, -scale * s1 / design.det, scale * s0 / design.det];
    Fitted { pixels, offset_per_k: solved.kappa, exponent, covariance }
}

/// The quantities of a dark that are common to its pixels.
struct Sample {
    t: f64,
    dt: f64,
    weight: f64,
}

/// The darks prepared for the fit: counts above a base per pixel, one dark after another.
struct Darks {
    samples: Vec<Sample>,
    pixels: usize,
    /// Counts above `base`; single precision resolves a thousandth of a count of a hot pixel.
    counts: Vec<f32>,
    base: Vec<f64>,
    clipped: Vec<Vec<bool>>,
    ever_clipped: Vec<bool>,
}

impl Darks {
    fn of(fitting_darks: &[FittingDark<'_>], reference_c: f64, noise: &Noise) -> Self {
        let pixels = fitting_darks[0].frame.sums.len();
        let samples = fitting_darks
            .iter()
            .map(|d| Sample {
                t: d.frame.integration_s,
                dt: d.temperature_c - reference_c,
                weight: d.frame.exposures() as f64 / noise.read_noise_counts.max(0.5).powi(2),
            })
            .collect();
        let base = mean_counts(fitting_darks[0].frame);
        let mut counts = Vec::with_capacity(fitting_darks.len() * pixels);
        for dark in fitting_darks {
            counts.extend(mean_counts(dark.frame).iter().zip(&base).map(|(c, b)| (c - b) as f32));
        }
        let clipped: Vec<Vec<bool>> = fitting_darks.iter().map(|d| clipped(d.frame, pixels, noise)).collect();
        let ever_clipped = (0..pixels).map(|i| clipped.iter().any(|c| c.get(i) == Some(&true))).collect();
        Self { samples, pixels, counts, base, clipped, ever_clipped }
    }

    fn temperature_span_k(&self) -> f64 {
        let (lo, hi) = super::range(self.samples.iter().map(|s| s.dt));
        hi - lo
    }

    /// The darks, each as counts above the base.
    fn rows(&self) -> impl Iterator<Item = &[f32]> {
        self.counts.chunks_exact(self.pixels.max(1))
    }

    /// Whether a pixel is clipped in no dark; only these pixels determine the common terms.
    fn kept(&self, pixel: usize) -> bool {
        !self.ever_clipped[pixel]
    }

    /// Linearises the counts about the offsets of the first fit, which become the base.
    fn linearise(&mut self, first: &Solved, coefficients: &[f64]) {
        for (row, s) in self.counts.chunks_exact_mut(self.pixels.max(1)).zip(&self.samples) {
            let shift = first.kappa * s.dt;
            for (count, (offset, _)) in row.iter_mut().zip(&first.pixels) {
                let above = f64::from(*count) - offset - shift;
                *count = (shift + linearity::correct(above, coefficients)) as f32;
            }
        }
        self.base.iter_mut().zip(&first.pixels).for_each(|(b, p)| *b += p.0);
    }

    /// Offset above the base and rate of one pixel, from the darks in which it is not clipped.
    fn unclipped(&self, pixel: usize, design: &Design, kappa: f64) -> (f64, f64) {
        let (mut s0, mut s1, mut s2, mut b0, mut b1) = (0.0, 0.0, 0.0, 0.0, 0.0);
        for (k, row) in self.rows().enumerate().filter(|(k, _)| self.clipped[*k].get(pixel) != Some(&true)) {
            let s = &self.samples[k];
            let (x, v, w) = (design.x[k], f64::from(row[pixel]) - kappa * s.dt, s.weight);
            s0 += w;
            s1 += w * x;
            s2 += w * x * x;
            b0 += w * v;
            b1 += w * x * v;
        }
        let det = s0 * s2 - s1 * s1;
        if det > 1e-9 * s0 * s2 {
            ((s2 * b0 - s1 * b1) / det, (s0 * b1 - s1 * b0) / det)
        } else if s0 > 0.0 {
            (b0 / s0, 0.0)
        } else {
            (0.0, 0.0)
        }
    }
}

/// Mask of the clipped pixels of a dark and their neighbours within the blooming length. Empty if none is clipped.
fn clipped(frame: &Frame, pixels: usize, noise: &Noise) -> Vec<bool> {
    if frame.clipped.is_empty() { Vec::new() } else { widened_mask(&frame.clipped, noise.blooming_pixels, pixels) }
}

/// Sums of products over the kept pixels.
struct Products {
    /// Number of kept pixels.
    pixels: f64,
    /// Sums of products of every pair of darks.
    pairs: Vec<f64>,
    /// Sum of every dark.
    totals: Vec<f64>,
}

impl Products {
    fn of(darks: &Darks) -> Self {
        let n = darks.samples.len();
        let kept: Vec<f64> = (0..darks.pixels).map(|i| f64::from(u8::from(darks.kept(i)))).collect();
        let rows: Vec<&[f32]> = darks.rows().collect();
        let mut pairs = vec![0.0; n * n];
        let mut row = vec![0.0; darks.pixels];
        let mut totals = vec![0.0; n];
        for k in 0..n {
            for ((r, c), keep) in row.iter_mut().zip(rows[k]).zip(&kept) {
                *r = f64::from(*c) * keep;
            }
            totals[k] = row.iter().sum();
            for l in 0..=k {
                let sum = dot(&row, rows[l]);
                (pairs[k * n + l], pairs[l * n + k]) = (sum, sum);
            }
        }
        Self { pixels: kept.iter().sum(), pairs, totals }
    }
}

/// Dot product in eight partial sums, in a fixed order.
fn dot(a: &[f64], b: &[f32]) -> f64 {
    let mut lanes = [0.0; 8];
    let (mut a, mut b) = (a.chunks_exact(8), b.chunks_exact(8));
    for (a, b) in a.by_ref().zip(b.by_ref()) {
        for (lane, (x, y)) in lanes.iter_mut().zip(a.iter().zip(b)) {
            *lane += x * f64::from(*y);
        }
    }
    let rest: f64 = a.remainder().iter().zip(b.remainder()).map(|(x, y)| x * f64::from(*y)).sum();
    lanes.iter().sum::<f64>() + rest
}

/// The linear part of the fit for one β.
struct Design {
    /// t·exp(β·(T − T₀)) of every dark.
    x: Vec<f64>,
    /// Σw, Σwx, Σwx².
    sums: [f64; 3],
    det: f64,
    /// Whether κ is fitted.
    shifts: bool,
}

/// Solution of the linear part.
struct Solved {
    kappa: f64,
    /// Offset above the base, and rate.
    pixels: Vec<(f64, f64)>,
}

impl Design {
    fn of(samples: &[Sample], beta: f64, shifts: bool) -> Self {
        let x: Vec<f64> = samples.iter().map(|s| s.t * (beta * s.dt).exp()).collect();
        let (mut s0, mut s1, mut s2) = (0.0, 0.0, 0.0);
        for (x, s) in x.iter().zip(samples) {
            s0 += s.weight;
            s1 += s.weight * x;
            s2 += s.weight * x * x;
        }
        let det = s0 * s2 - s1 * s1;
        Self { x, sums: [s0, s1, s2], det: if det > 0.0 { det } else { f64::MIN_POSITIVE }, shifts }
    }

    /// Coefficients that give offset and rate as weighted sums over the darks.
    fn rows(&self, samples: &[Sample]) -> Vec<(f64, f64)> {
        let [s0, s1, s2] = self.sums;
        let row = |(x, s): (&f64, &Sample)| (s.weight * (s2 - s1 * x) / self.det, s.weight * (s0 * x - s1) / self.det);
        self.x.iter().zip(samples).map(row).collect()
    }

    /// Residuals of a vector of one number per dark after fitting offset and rate to it.
    fn project(&self, rows: &[(f64, f64)], v: &[f64]) -> Vec<f64> {
        let (a, b) = rows.iter().zip(v).fold((0.0, 0.0), |(a, b), (r, v)| (a + r.0 * v, b + r.1 * v));
        v.iter().zip(&self.x).map(|(v, x)| v - a - b * x).collect()
    }

    /// κ = T'ᵀM D̄ / T'ᵀM T', M projecting out offset and rate; zero if temperature cannot be separated from the other terms.
    /// `mean` is the mean over pixels of every dark.
    fn kappa(&self, samples: &[Sample], rows: &[(f64, f64)], mean: &[f64]) -> f64 {
        let dt: Vec<f64> = samples.iter().map(|s| s.dt).collect();
        let projected = self.project(rows, &dt);
        let weighted =
            |v: &[f64]| projected.iter().zip(v).zip(samples).map(|((p, v), s)| s.weight * p * v).sum::<f64>();
        let (denominator, span) = (weighted(&dt), samples.iter().map(|s| s.weight * s.dt * s.dt).sum::<f64>());
        if self.shifts && denominator > 1e-6 * span && span > 0.0 { weighted(mean) / denominator } else { 0.0 }
    }

    fn solve(&self, darks: &Darks) -> Solved {
        let rows = self.rows(&darks.samples);
        let kept = (0..darks.pixels).filter(|i| darks.kept(*i)).count().max(1) as f64;
        let mean: Vec<f64> = darks
            .rows()
            .map(|row| (0..darks.pixels).filter(|i| darks.kept(*i)).map(|i| f64::from(row[i])).sum::<f64>() / kept)
            .collect();
        let kappa = self.kappa(&darks.samples, &rows, &mean);
        let mut pixels = vec![(0.0, 0.0); darks.pixels];
        for ((row, r), s) in darks.rows().zip(&rows).zip(&darks.samples) {
            let shift = kappa * s.dt;
            for (p, v) in pixels.iter_mut().zip(row) {
                let v = f64::from(*v) - shift;
                p.0 += r.0 * v;
                p.1 += r.1 * v;
            }
        }
        Solved { kappa, pixels }
    }

    /// Weighted residual sum of squares of the kept pixels after the fit of offset, rate and κ, from the products of darks.
    fn residual(&self, samples: &[Sample], products: &Products, kappa: f64) -> f64 {
        let n = samples.len();
        let [s0, s1, s2] = self.sums.map(|s| s / self.det);
        let (mut all, mut explained) = (0.0, 0.0);
        for (k, a) in samples.iter().enumerate() {
            for (l, b) in samples.iter().enumerate() {
                let product = products.pairs[k * n + l]
                    - kappa * (a.dt * products.totals[l] + b.dt * products.totals[k])
                    + kappa * kappa * a.dt * b.dt * products.pixels;
                let (x, y) = (self.x[k], self.x[l]);
                explained += a.weight * b.weight * (s2 - s1 * (x + y) + s0 * x * y) * product;
                if k == l {
                    all += a.weight * product;
                }
            }
        }
        (all - explained).max(0.0)
    }
}

/// The β with the smallest residual, and its standard uncertainty.
fn best_beta(darks: &Darks, products: &Products) -> (f64, f64) {
    let mean: Vec<f64> = products.totals.iter().map(|t| t / products.pixels.max(1.0)).collect();
    let cost = |beta: f64| {
        let design = Design::of(&darks.samples, beta, true);
        let kappa = design.kappa(&darks.samples, &design.rows(&darks.samples), &mean);
        design.residual(&darks.samples, products, kappa)
    };
    let (mut lo, mut hi) = BETA_BOUNDS;
    const GOLDEN: f64 = 0.618_033_988_749_894_9;
    let (mut a, mut b) = (hi - GOLDEN * (hi - lo), lo + GOLDEN * (hi - lo));
    let (mut fa, mut fb) = (cost(a), cost(b));
    for _ in 0..24 {
        if fa < fb {
            (hi, b, fb) = (b, a, fa);
            a = hi - GOLDEN * (hi - lo);
            fa = cost(a);
        } else {
            (lo, a, fa) = (a, b, fb);
            b = lo + GOLDEN * (hi - lo);
            fb = cost(b);
        }
    }
    let beta = 0.5 * (lo + hi);
    (beta, beta_uncertainty(beta, darks, products))
}

/// Standard uncertainty of β [1/K]: from the mean residual of each dark or from the uncertainty of its temperature, whichever is
/// larger; at least that due to pixel noise.
fn beta_uncertainty(beta: f64, darks: &Darks, products: &Products) -> f64 {
    let samples = &darks.samples;
    let design = Design::of(samples, beta, true);
    let solved = design.solve(darks);
    let rows = design.rows(samples);
    let project = |v: &dyn Fn(usize) -> f64| design.project(&rows, &(0..samples.len()).map(v).collect::<Vec<f64>>());
    // Derivatives of a pixel's counts: rate times `slope` for β, `shift` for κ.
    let (slope, shift) = (project(&|k| design.x[k] * samples[k].dt), project(&|k| samples[k].dt));
    let weighted =
        |a: &[f64], b: &[f64]| -> f64 { samples.iter().zip(a.iter().zip(b)).map(|(s, (a, b))| s.weight * a * b).sum() };
    let rates = || solved.pixels.iter().enumerate().filter(|(i, _)| darks.kept(*i)).map(|(_, p)| p.1);
    let (total, squares) = (rates().sum::<f64>(), rates().map(|r| r * r).sum::<f64>());
    let share = total * weighted(&slope, &shift) / (products.pixels * weighted(&shift, &shift)).max(f64::MIN_POSITIVE);
    let mut information = 0.0;
    let mut clusters = 0.0;
    for (k, row) in darks.rows().enumerate() {
        let (h, d, w) = (slope[k], share * shift[k], samples[k].weight);
        information += w * (squares * h * h - 2.0 * total * h * d + products.pixels * d * d);
        let (mut plain, mut by_rate) = (0.0, 0.0);
        for (_, (v, p)) in row.iter().zip(&solved.pixels).enumerate().filter(|(i, _)| darks.kept(*i)) {
            let left = f64::from(*v) - solved.kappa * samples[k].dt - p.0 - p.1 * design.x[k];
            plain += left;
            by_rate += left * p.1;
        }
        let found = w * (h * by_rate - d * plain);
        let temperature = w * beta * design.x[k] * TEMPERATURE_K * (squares * h - total * d);
        clusters += (found * found).max(temperature * temperature);
    }
    if !(information > 0.0) {
        return f64::INFINITY;
    }
    let degrees = (products.pixels * (samples.len() as f64 - 2.0)).max(1.0);
    let noise = (design.residual(samples, products, solved.kappa) / degrees).max(1.0) / information;
    (clusters / (information * information)).max(noise).sqrt()
}
