//! The slit function: converts light that is linear between the nodes of a grid to the light in each pixel's band.
//!
//! The weights are the convolution of the Gaussian slit function with the triangle of a node, computed once for each wavelength
//! shift. Shifts are rounded to [`SHIFT_STEP_NM`], so that the weights depend on the shift alone.

use super::light::Grid;
use crate::spectrum::wide;

/// Step of wavelength shifts [nm]; it changes a UV index by 0.01 %.
pub const SHIFT_STEP_NM: f64 = 5e-4;

/// Entries of the kernel table per nanometre.
const STEPS: usize = 500;

/// Samples summed side by side; rows of weights are padded to multiples of it.
const SIDE: usize = 4;

/// The convolved kernel: response to a node at distance x, normalised so that the sum over nodes is 1.
///
/// Nodes are whole nanometres apart, so all nodes of a row have the same position between two table entries. The table is ordered
/// by this phase, the entries of one row side by side.
#[derive(Clone, Debug)]
struct Kernel {
    /// For each phase from 0 to [`STEPS`] of the first node beyond −`half_width`: its value and the values of all later nodes.
    phases: Vec<f64>,
    /// Number of values per phase.
    width: usize,
    /// Zero beyond this distance [nm].
    half_width: f64,
}

impl Kernel {
    fn new(fwhm_nm: f64) -> Self {
        // The Gaussian is truncated at 2.5 FWHM, where it is 3e-8 of its maximum.
        let half = (2.5 * fwhm_nm).ceil() as usize + 1;
        let n = 2 * half * STEPS + 1;
        let h = 1.0 / STEPS as f64;
        let x = |i: usize| (i as f64 - (half * STEPS) as f64) * h;
        let sharpness = 4.0 * std::f64::consts::LN_2 / (fwhm_nm * fwhm_nm);
        let gauss = |x: f64| if x.abs() <= 2.5 * fwhm_nm { (-sharpness * x * x).exp() } else { 0.0 };
        // A triangle is the second difference of a ramp, so the convolution is the second difference of a double integral.
        let sum: f64 = (0..n).map(|i| gauss(x(i)) * h).sum();
        let mut once = 0.0;
        let mut twice = Vec::with_capacity(n);
        let mut ramp = 0.0;
        for i in 0..n {
            let before = once;
            let density = |j: usize| gauss(x(j)) / sum;
            if i > 0 {
                once += 0.5 * h * (density(i - 1) + density(i));
                ramp += 0.5 * h * (before + once);
            }
            twice.push(ramp);
        }
        let at = |i: isize| -> f64 {
            if i < 0 {
                0.0
            } else if (i as usize) < n {
                twice[i as usize]
            } else {
                twice[n - 1] + once * (i as usize - (n - 1)) as f64 * h
            }
        };
        let value = |i: usize| match i as isize {
            i if i < n as isize => at(i + STEPS as isize) - 2.0 * at(i) + at(i - STEPS as isize),
            _ => 0.0,
        };
        let width = (2 * half + 1).next_multiple_of(SIDE);
        let phases = (0..=STEPS).flat_map(|phase| (0..width).map(move |k| phase + k * STEPS)).map(value).collect();
        Self { phases, width, half_width: half as f64 }
    }

    /// Values of consecutive nodes, the first `x` [nm] beyond −`half_width`, times `gain`.
    fn row(&self, x: f64, gain: f64, row: &mut [f64]) {
        let whole = x.floor();
        let place = (x - whole) * STEPS as f64;
        let phase = (place as usize).min(STEPS - 1);
        let share = place - phase as f64;
        let (low, high) = self.phases[phase * self.width..(phase + 2) * self.width].split_at(self.width);
        let between = |low: f64, high: f64| gain * (low * (1.0 - share) + high * share);
        if whole == 0.0 {
            for (w, (low, high)) in row.iter_mut().zip(low.iter().zip(high)) {
                *w = between(*low, *high);
            }
            return;
        }
        // At an end of the grid the row starts inside or before the kernel.
        for (k, w) in row.iter_mut().enumerate() {
            let node = k as f64 + whole;
            let inside = node >= 0.0 && node < self.width as f64;
            *w = if inside { between(low[node as usize], high[node as usize]) } else { 0.0 };
        }
    }
}

/// Weights of every pixel on the grid.
#[derive(Clone, Debug)]
pub struct Slit {
    kernel: Kernel,
    grid: Grid,
    /// Weights of each pixel, `stride` of them.
    weights: Vec<f64>,
    first: Vec<usize>,
    stride: usize,
}

impl Slit {
    /// A Gaussian slit of `fwhm_nm` [nm], without weights yet.
    pub fn new(fwhm_nm: f64, grid: Grid) -> Self {
        let kernel = Kernel::new(fwhm_nm);
        let stride = kernel.width.min(grid.nodes);
        Self { kernel, grid, weights: Vec::new(), first: Vec::new(), stride }
    }

    /// Computes the weights of pixels at `wavelength_nm` + `shift_nm`, each row multiplied by `gain`.
    pub fn build_weights(&mut self, wavelength_nm: &[f64], shift_nm: f64, gain: &[f64]) {
        let last_start = self.grid.nodes - self.stride;
        self.first.clear();
        self.weights.resize(wavelength_nm.len() * self.stride, 0.0);
        for ((nm, gain), row) in wavelength_nm.iter().zip(gain).zip(self.weights.chunks_exact_mut(self.stride)) {
            let nm = nm + shift_nm;
            let nearest = (nm - f64::from(self.grid.first_nm) - self.kernel.half_width).ceil();
            let first = (nearest.max(0.0) as usize).min(last_start);
            self.first.push(first);
            self.kernel.row(self.grid.nm(first) - nm + self.kernel.half_width, *gain, row);
        }
    }

    /// Light in the band of each pixel, from `light` at the nodes.
    pub fn apply(&self, light: &[f64], in_band: &mut [f64]) {
        wide::run(WeightedSums { slit: self, light, in_band });
    }
}

/// Sums of weights times light.
struct WeightedSums<'a> {
    slit: &'a Slit,
    light: &'a [f64],
    in_band: &'a mut [f64],
}

impl wide::Loops for WeightedSums<'_> {
    type Output = ();
    #[inline(always)]
    fn call(self) {
        let (slit, stride) = (self.slit, self.slit.stride);
        for ((row, &first), in_band) in slit.weights.chunks_exact(stride).zip(&slit.first).zip(self.in_band) {
            let light = &self.light[first..first + stride];
            let ((weights, w), (nodes, e)) = (row.as_chunks::<SIDE>(), light.as_chunks::<SIDE>());
            let mut sums = [0.0; SIDE];
            for (weights, nodes) in weights.iter().zip(nodes) {
                for k in 0..SIDE {
                    sums[k] += weights[k] * nodes[k];
                }
            }
            let rest: f64 = w.iter().zip(e).map(|(w, e)| w * e).sum();
            *in_band = (sums[0] + sums[1]) + (sums[2] + sums[3]) + rest;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Independent: direct numerical convolution of Gaussian and spectrum on a 0.001 nm grid.
    #[test]
    fn a_pixel_receives_the_convolution_of_spectrum_and_slit() {
        let grid = Grid { first_nm: 270, nodes: 100 };
        let light: Vec<f64> =
            (0..100).map(|i| (0.4 * f64::from(i)).exp().min(1e6) * (1.0 + f64::from(i % 3))).collect();
        let at = [300.0, 311.234, 320.77];
        let mut slit = Slit::new(2.0, grid);
        slit.build_weights(&at, 0.1, &[1.0; 3]);
        let mut seen = [0.0; 3];
        slit.apply(&light, &mut seen);
        for (nm, got) in at.iter().zip(seen) {
            let nm = nm + 0.1;
            let (mut sum, mut norm) = (0.0, 0.0);
            for k in -5000..=5000 {
                let x = f64::from(k) * 1e-3;
                let place = nm + x - 270.0;
                let i = place.floor() as usize;
                let e = light[i] + (light[i + 1] - light[i]) * (place - place.floor());
                let w = (-4.0 * std::f64::consts::LN_2 * x * x / 4.0).exp();
                sum += w * e;
                norm += w;
            }
            let want = sum / norm;
            assert!((got / want - 1.0).abs() < 2e-5, "{nm} nm: want {want}, got {got}");
        }
    }

    /// Identity: pixels at the ends of a short grid weight its nodes as they do in the middle of a longer grid.
    #[test]
    fn weights_at_the_ends_of_the_grid_are_those_in_its_middle() {
        let (whole, cut) = (Grid { first_nm: 400, nodes: 80 }, Grid { first_nm: 428, nodes: 25 });
        let at = [428.3, 431.9, 440.0, 449.2, 452.0];
        let seen = |grid: Grid, light: &[f64]| {
            let mut slit = Slit::new(2.0, grid);
            slit.build_weights(&at, 0.0, &[1.0; 5]);
            let mut seen = [0.0; 5];
            slit.apply(light, &mut seen);
            seen
        };
        let light: Vec<f64> =
            (0..80).map(|i| if (28..53).contains(&i) { 1.0 + f64::from(i % 7) } else { 0.0 }).collect();
        for (want, got) in seen(whole, &light).iter().zip(seen(cut, &light[28..53])) {
            assert!((want - got).abs() < 1e-12, "want {want}, got {got}");
        }
    }

    /// Identity: a flat spectrum is unchanged, also between nodes.
    #[test]
    fn a_flat_spectrum_is_unchanged() {
        let grid = Grid { first_nm: 400, nodes: 60 };
        let mut slit = Slit::new(2.0, grid);
        slit.build_weights(&[420.0, 420.5, 430.123], 0.0, &[1.0, 2.0, 3.0]);
        let mut seen = [0.0; 3];
        slit.apply(&[5.0; 60], &mut seen);
        for (got, want) in seen.iter().zip([5.0, 10.0, 15.0]) {
            assert!((got / want - 1.0).abs() < 1e-6, "{got} for {want}");
        }
    }
}
