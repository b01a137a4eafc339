//! The entrance optic: its directional response relative to the ideal cosine.
//!
//! Pure. Invariant: a `perfect` optic does not change the light.

use serde::Deserialize;

/// Directional response of the optic.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct OpticSettings {
    /// Whether the optic has no cosine error.
    pub perfect: bool,
    /// Zenith angles [degrees], rising from 0.
    pub zenith_deg: Vec<f64>,
    /// Response to a beam relative to the ideal cosine at these angles [1], linear between them.
    pub ratio: Vec<f64>,
    /// Response to an isotropic sky relative to the ideal cosine [1]; by default 2∫ratio·sinθ·cosθ dθ of the table.
    pub diffuse_ratio: f64,
}

impl Default for OpticSettings {
    fn default() -> Self {
        Self {
            perfect: false,
            zenith_deg: vec![0.0, 15.0, 30.0, 45.0, 60.0, 70.0, 75.0, 80.0, 85.0, 90.0],
            ratio: vec![1.0, 0.999, 0.996, 0.99, 0.975, 0.955, 0.935, 0.89, 0.78, 0.5],
            diffuse_ratio: 0.977,
        }
    }
}

impl OpticSettings {
    /// An optic without cosine error.
    pub fn perfect() -> Self {
        Self { perfect: true, ..Self::default() }
    }

    /// Response to a beam from `zenith_deg` [degrees] relative to the ideal cosine [1]; constant beyond the table.
    pub fn beam(&self, zenith_deg: f64) -> f64 {
        if self.perfect {
            return 1.0;
        }
        let above = self.zenith_deg.partition_point(|z| *z <= zenith_deg);
        match (above.checked_sub(1), self.zenith_deg.get(above)) {
            (None, _) => self.ratio[0],
            (Some(below), None) => self.ratio[below],
            (Some(below), Some(high)) => {
                let low = self.zenith_deg[below];
                let share = (zenith_deg - low) / (high - low);
                self.ratio[below] * (1.0 - share) + self.ratio[above] * share
            }
        }
    }

    /// Response to the sky relative to the ideal cosine [1].
    pub fn sky(&self) -> f64 {
        if self.perfect { 1.0 } else { self.diffuse_ratio }
    }

    pub(super) fn check(&self, faults: &mut Vec<String>) {
        let fits = self.zenith_deg.len() == self.ratio.len()
            && self.zenith_deg.first() == Some(&0.0)
            && self.zenith_deg.windows(2).all(|w| w[1] > w[0])
            && self.ratio.iter().all(|r| (0.0..=2.0).contains(r));
        if !fits {
            faults.push(format!(
                "optic.zenith_deg, optic.ratio: expected as many ratios (0 to 2) as angles rising from 0, but found {:?} \
                 and {:?}",
                self.zenith_deg, self.ratio
            ));
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Identity: the diffuse ratio is the integral of the beam table over an isotropic sky.
    #[test]
    fn the_diffuse_ratio_agrees_with_the_beam_table() {
        let optic = OpticSettings::default();
        let n = 9000;
        let sum: f64 = (0..n)
            .map(|i| {
                let theta = (f64::from(i) + 0.5) * 90.0 / f64::from(n);
                let (s, c) = theta.to_radians().sin_cos();
                2.0 * optic.beam(theta) * s * c * (90.0 / f64::from(n)).to_radians()
            })
            .sum();
        assert!((sum - optic.diffuse_ratio).abs() < 5e-4, "integral {sum}");
    }

    #[test]
    fn a_perfect_optic_does_not_change_light() {
        let optic = OpticSettings::perfect();
        assert_eq!((optic.beam(89.0), optic.sky()), (1.0, 1.0));
    }
}
