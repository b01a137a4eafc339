//! The slit: what a pixel sees of light that is linear between the nodes of a grid.
//!
//! Weights are the Gaussian slit function folded with a node's triangle, worked out once a wavelength shift. Shifts are
//! rounded to [`SHIFT_STEP_NM`] so that weights are a function of the shift alone, whatever came before.

use super::light::Grid;
use crate::spectrum::wide;

/// Wavelength shifts are rounded to this [nm]; it moves a UV index by 0.01 %.
pub const SHIFT_STEP_NM: f64 = 5e-4;

/// Steps of the kernel table in a nanometre.
const STEPS: usize = 500;

/// Samples that are summed side by side; rows of weights are whole multiples of it long.
const SIDE: usize = 4;

/// The folded kernel: response to a node at distance x, normalised so that the sum over nodes is 1.
///
/// Nodes are whole nanometres apart, so all of a row share their place between two entries of the table: it is kept phase by
/// phase, the entries of one row side by side.
#[derive(Clone, Debug)]
struct Kernel {
    /// For each phase from 0 to [`STEPS`] of the first node beyond −reach: its value and that of every node after it.
    phases: Vec<f64>,
    /// Values of a phase.
    width: usize,
    /// Zero beyond this distance [nm].
    reach: f64,
}

impl Kernel {
    fn new(fwhm_nm: f64) -> Self {
        // The Gaussian is cut at 2.5 FWHM, where it is 3e-8 of its top.
        let half = (2.5 * fwhm_nm).ceil() as usize + 1;
        let n = 2 * half * STEPS + 1;
        let h = 1.0 / STEPS as f64;
        let x = |i: usize| (i as f64 - (half * STEPS) as f64) * h;
        let sharpness = 4.0 * std::f64::consts::LN_2 / (fwhm_nm * fwhm_nm);
        let gauss = |x: f64| if x.abs() <= 2.5 * fwhm_nm { (-sharpness * x * x).exp() } else { 0.0 };
        // A triangle is the second difference of a ramp, so folding with it is the second difference of a double integral.
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
        Self { phases, width, reach: half as f64 }
    }

    /// Values of nodes from one on that lies `x` [nm] beyond −reach, times `gain`.
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
        // At an end of the grid: the row begins so many nodes into the kernel, or before it.
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
    /// Weights a pixel, `stride` each.
    weights: Vec<f64>,
    first: Vec<usize>,
    stride: usize,
}

impl Slit {
    /// A Gaussian slit of `fwhm_nm` [nm]; weights are for no pixel yet.
    pub fn new(fwhm_nm: f64, grid: Grid) -> Self {
        let kernel = Kernel::new(fwhm_nm);
        let stride = kernel.width.min(grid.nodes);
        Self { kernel, grid, weights: Vec::new(), first: Vec::new(), stride }
    }

    /// Works out the weights for pixels that look at `wavelength_nm`, each row multiplied by `gain`.
    pub fn aim(&mut self, wavelength_nm: &[f64], shift_nm: f64, gain: &[f64]) {
        let last_start = self.grid.nodes - self.stride;
        self.first.clear();
        self.weights.resize(wavelength_nm.len() * self.stride, 0.0);
        for ((nm, gain), row) in wavelength_nm.iter().zip(gain).zip(self.weights.chunks_exact_mut(self.stride)) {
            let nm = nm + shift_nm;
            let nearest = (nm - f64::from(self.grid.first_nm) - self.kernel.reach).ceil();
            let first = (nearest.max(0.0) as usize).min(last_start);
            self.first.push(first);
            self.kernel.row(self.grid.nm(first) - nm + self.kernel.reach, *gain, row);
        }
    }

    /// What each pixel sees of `light` (one value a node).
    pub fn see(&self, light: &[f64], seen: &mut [f64]) {
        wide::run(See { slit: self, light, seen });
    }
}

/// Sums of weights times light.
struct See<'a> {
    slit: &'a Slit,
    light: &'a [f64],
    seen: &'a mut [f64],
}

impl wide::Loops for See<'_> {
    type Output = ();
    #[inline(always)]
    fn call(self) {
        let (slit, stride) = (self.slit, self.slit.stride);
        for ((row, &first), seen) in slit.weights.chunks_exact(stride).zip(&slit.first).zip(self.seen) {
            let light = &self.light[first..first + stride];
            let ((weights, w), (nodes, e)) = (row.as_chunks::<SIDE>(), light.as_chunks::<SIDE>());
            let mut sums = [0.0; SIDE];
            for (weights, nodes) in weights.iter().zip(nodes) {
                for k in 0..SIDE {
                    sums[k] += weights[k] * nodes[k];
                }
            }
            let rest: f64 = w.iter().zip(e).map(|(w, e)| w * e).sum();
            *seen = (sums[0] + sums[1]) + (sums[2] + sums[3]) + rest;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Independent: the folded kernel against direct numerical folding of Gaussian and spectrum on a 0.001 nm grid.
    #[test]
    fn a_pixel_sees_the_spectrum_folded_with_the_slit() {
        let grid = Grid { first_nm: 270, nodes: 100 };
        let light: Vec<f64> =
            (0..100).map(|i| (0.4 * f64::from(i)).exp().min(1e6) * (1.0 + f64::from(i % 3))).collect();
        let at = [300.0, 311.234, 320.77];
        let mut slit = Slit::new(2.0, grid);
        slit.aim(&at, 0.1, &[1.0; 3]);
        let mut seen = [0.0; 3];
        slit.see(&light, &mut seen);
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

    /// Identity: a pixel at either end of the grid weighs the nodes that are there as one in its middle weighs the same nodes.
    #[test]
    fn at_the_ends_of_the_grid_weights_are_what_they_are_elsewhere() {
        let (whole, cut) = (Grid { first_nm: 400, nodes: 80 }, Grid { first_nm: 428, nodes: 25 });
        let at = [428.3, 431.9, 440.0, 449.2, 452.0];
        let seen = |grid: Grid, light: &[f64]| {
            let mut slit = Slit::new(2.0, grid);
            slit.aim(&at, 0.0, &[1.0; 5]);
            let mut seen = [0.0; 5];
            slit.see(light, &mut seen);
            seen
        };
        let light: Vec<f64> =
            (0..80).map(|i| if (28..53).contains(&i) { 1.0 + f64::from(i % 7) } else { 0.0 }).collect();
        for (want, got) in seen(whole, &light).iter().zip(seen(cut, &light[28..53])) {
            assert!((want - got).abs() < 1e-12, "want {want}, got {got}");
        }
    }

    /// Identity: even light is seen as it is, also between nodes.
    #[test]
    fn even_light_is_seen_unchanged() {
        let grid = Grid { first_nm: 400, nodes: 60 };
        let mut slit = Slit::new(2.0, grid);
        slit.aim(&[420.0, 420.5, 430.123], 0.0, &[1.0, 2.0, 3.0]);
        let mut seen = [0.0; 3];
        slit.see(&[5.0; 60], &mut seen);
        for (got, want) in seen.iter().zip([5.0, 10.0, 15.0]) {
            assert!((got / want - 1.0).abs() < 1e-6, "{got} for {want}");
        }
    }
}
