//! Wavelength bins for errors that are correlated over a length.
//!
//! A relative error with the correlation exp(−|Δλ|/length) is represented by one amplitude of unit variance per bin, with
//! the correlation of the bin centres. The amplitudes form a first-order autoregression along the axis, so one recursion
//! gives the variance of any weighted sum of them; no matrix is needed. Bins are at most a fifth of the length wide:
//! holding the error constant within a bin overstates its standard deviation there by at most 3.3 %.

/// Bins of an axis.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Bins {
    /// First sample of every bin, rising from 0; the last bin ends with the axis.
    pub starts: Vec<usize>,
    /// Correlation between each bin and the next [1]; one entry fewer than bins.
    pub correlation: Vec<f64>,
    /// Correlation length [nm]; 0 for full correlation in a single bin.
    pub length_nm: f64,
}

/// Minimum width of a bin [nm].
const NARROWEST_NM: f64 = 1.0;
/// Maximum width of a bin [nm].
const WIDEST_NM: f64 = 10.0;

impl Bins {
    /// Bins for a correlation length [nm] on a rising axis [nm], with an additional edge at `edge_nm`.
    pub fn new(axis_nm: &[f64], length_nm: f64, edge_nm: f64) -> Self {
        let (Some(first), Some(last)) = (axis_nm.first(), axis_nm.last()) else { return Self::default() };
        if !(length_nm > 0.0 && last.is_finite() && first.is_finite()) {
            return Self { starts: vec![0], correlation: Vec::new(), length_nm: 0.0 };
        }
        let width = (length_nm / 5.0).clamp(NARROWEST_NM, WIDEST_NM);
        let (low, high) = ((first / width).floor() as i64, (last / width).ceil() as i64);
        let mut edges: Vec<f64> = (low..=high).map(|k| k as f64 * width).chain([edge_nm]).collect();
        edges.sort_unstable_by(f64::total_cmp);
        let mut starts = vec![0];
        for edge in edges {
            let start = axis_nm.partition_point(|nm| *nm < edge);
            if start > *starts.last().unwrap_or(&0) && start < axis_nm.len() {
                starts.push(start);
            }
        }
        let centre = |b: usize| {
            let end = starts.get(b + 1).copied().unwrap_or(axis_nm.len());
            0.5 * (axis_nm[starts[b]] + axis_nm[end - 1])
        };
        let correlation = (1..starts.len()).map(|b| ((centre(b - 1) - centre(b)) / length_nm).exp()).collect();
        Self { starts, correlation, length_nm }
    }

    /// Correlation of two wavelengths at a distance [1], without binning.
    pub fn correlation_over(&self, distance_nm: f64) -> f64 {
        if self.length_nm > 0.0 { (-distance_nm.abs() / self.length_nm).exp() } else { 1.0 }
    }

    /// Number of bins.
    pub fn count(&self) -> usize {
        self.starts.len()
    }

    /// The bin that a sample is in.
    pub fn of(&self, sample: usize) -> usize {
        self.starts.partition_point(|start| *start <= sample).saturating_sub(1)
    }

    /// Variance of Σ weightₖ·amplitudeₖ over consecutive bins from `first` on [unit of a weight, squared].
    ///
    /// With x₁ = ε₁ and xₖ = ρₖ·xₖ₋₁ + √(1 − ρₖ²)·εₖ the sum is Σ sⱼ·√(1 − ρⱼ²)·εⱼ, where sⱼ = weightⱼ + ρⱼ₊₁·sⱼ₊₁.
    pub fn variance(&self, first: usize, weights: &[f64]) -> f64 {
        let (mut sum, mut total) = (0.0, 0.0);
        for (k, weight) in weights.iter().enumerate().rev() {
            sum += weight;
            if k == 0 {
                total += sum * sum;
            } else {
                let rho = self.correlation.get(first + k - 1).copied().unwrap_or(0.0);
                total += (1.0 - rho * rho) * (sum * sum);
                sum *= rho;
            }
        }
        total
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn axis() -> Vec<f64> {
        (0..2048).map(|i| 280.0 + 0.376 * f64::from(i)).collect()
    }

    /// Independent: the double sum over the covariance of the bin centres.
    #[test]
    fn the_recursion_equals_the_double_sum_over_the_covariance() {
        let (axis, length) = (axis(), 50.0);
        let bins = Bins::new(&axis, length, 403.0);
        let ends: Vec<usize> = bins.starts[1..].iter().copied().chain([axis.len()]).collect();
        let centres: Vec<f64> = bins.starts.iter().zip(&ends).map(|(a, b)| 0.5 * (axis[*a] + axis[b - 1])).collect();
        let weights: Vec<f64> = (0..bins.count()).map(|k| (k as f64 * 0.7).sin() + 0.2).collect();
        for (first, n) in [(0, bins.count()), (7, 20), (30, 1), (5, 0)] {
            let mut want = 0.0;
            for i in first..first + n {
                for j in first..first + n {
                    want += weights[i] * weights[j] * (-(centres[i] - centres[j]).abs() / length).exp();
                }
            }
            let got = bins.variance(first, &weights[first..first + n]);
            assert!((got - want).abs() < 1e-10 * want.max(1.0), "from {first}, {n} bins: want {want}, got {got}");
        }
    }

    /// Independent: the double sum over the samples, for one band and for a difference of two, within the 3.3 % of the
    /// standard deviation that binning may add.
    #[test]
    fn bins_approximate_the_covariance_of_the_samples() {
        let axis = axis();
        for length in [20.0, 50.0, 120.0] {
            let bins = Bins::new(&axis, length, 400.0);
            for (low, high, low2, high2) in
                [(400.0, 700.0, 0.0, 0.0), (655.0, 665.0, 725.0, 735.0), (311.0, 317.0, 0.0, 0.0)]
            {
                let weight = |nm: f64| f64::from((low..high).contains(&nm)) - f64::from((low2..high2).contains(&nm));
                let mut weights = vec![0.0; bins.count()];
                for (i, nm) in axis.iter().enumerate() {
                    weights[bins.starts.partition_point(|s| *s <= i) - 1] += weight(*nm);
                }
                let got = bins.variance(0, &weights).sqrt();
                let used: Vec<f64> = axis.iter().copied().filter(|nm| weight(*nm) != 0.0).collect();
                let want: f64 = used
                    .iter()
                    .flat_map(|a| used.iter().map(move |b| weight(*a) * weight(*b) * (-(a - b).abs() / length).exp()))
                    .sum::<f64>()
                    .sqrt();
                assert!((got / want - 1.0).abs() < 0.034, "{length} nm, {low} to {high}: want {want}, got {got}");
            }
        }
    }

    /// Empty axis, correlation length 0 or NaN, and a length beyond the axis.
    #[test]
    fn degenerate_input_gives_one_bin_or_none() {
        assert_eq!(Bins::new(&[], 50.0, 400.0), Bins::default());
        assert_eq!(Bins::new(&axis(), 0.0, 400.0).count(), 1);
        assert_eq!(Bins::new(&axis(), f64::NAN, 400.0).count(), 1);
        assert_eq!(Bins::new(&[500.0, 501.0], 50.0, 400.0).variance(0, &[3.0]), 9.0);
        let wide = Bins::new(&axis(), 1e9, 403.0);
        let edge = axis().partition_point(|nm| *nm < 403.0);
        assert_eq!(wide.of(edge), wide.of(edge - 1) + 1);
        assert!((wide.variance(0, &vec![1.0; wide.count()]).sqrt() - wide.count() as f64).abs() < 1e-4);
    }
}
