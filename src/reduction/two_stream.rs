//! Daylight through a scattering atmosphere, by the delta-Eddington two-stream approximation.
//!
//! One homogeneous layer above a Lambertian ground. Scaling of the forward peak: Joseph, Wiscombe & Weinman 1976, J. Atmos. Sci.
//! 33:2452, equations 5 and 6; solution of the two-stream equations: Meador & Weaver 1980, J. Atmos. Sci. 37:630, equation 15 and the
//! Eddington coefficients of their table 1. Pure.

/// Single-scattering albedo above which the layer counts as not absorbing [1]: the general solution is singular at 1.
const CONSERVATIVE: f64 = 1.0 - 1e-6;

/// A scattering layer.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Layer {
    /// Vertical optical depth [1].
    pub depth: f64,
    /// Single-scattering albedo [1].
    pub scattering_albedo: f64,
    /// Asymmetry factor of the scattering [1].
    pub asymmetry: f64,
}

/// Horizontal irradiance below a layer over that above it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Transmitted {
    /// Direct beam [1].
    pub beam: f64,
    /// Direct and diffuse light [1].
    pub total: f64,
}

/// Light of the sun below a layer.
///
/// cos_zenith: cosine of the sun's zenith angle, or the inverse of its air mass [1], above 0. albedo: of the ground [1].
pub fn transmitted(layer: Layer, cos_zenith: f64, albedo: f64) -> Transmitted {
    let Layer { depth, scattering_albedo, asymmetry } = layer;
    let omega = scattering_albedo.min(CONSERVATIVE);
    // A share g² of the scattered light continues in the direction of the beam.
    let forward = asymmetry * asymmetry;
    let tau = (1.0 - omega * forward) * depth;
    let omega = omega * (1.0 - forward) / (1.0 - omega * forward);
    let g = asymmetry / (1.0 + asymmetry);

    let gamma_1 = 0.25 * (7.0 - omega * (4.0 + 3.0 * g));
    let gamma_2 = -0.25 * (1.0 - omega * (4.0 - 3.0 * g));
    let gamma_3 = 0.25 * (2.0 - 3.0 * g * cos_zenith);
    let gamma_4 = 1.0 - gamma_3;
    let alpha_1 = gamma_1 * gamma_4 + gamma_2 * gamma_3;
    let k = (gamma_1 * gamma_1 - gamma_2 * gamma_2).sqrt();
    // The solution is regular at k·µ = 1; its formula is not.
    let mu = if (k * cos_zenith - 1.0).abs() < 1e-4 { cos_zenith * (1.0 + 2e-4) } else { cos_zenith };
    // Numerator and denominator divided by exp(kτ), which overflows in thick cloud.
    let falling = (-2.0 * k * tau).exp();
    let bare = (k + gamma_1) + (k - gamma_1) * falling;
    let direct = (-tau / mu).exp();
    let scattered = (1.0 + k * mu) * (alpha_1 + k * gamma_4) * direct
        - (1.0 - k * mu) * (alpha_1 - k * gamma_4) * direct * falling
        - 2.0 * k * (gamma_4 + alpha_1 * mu) * (-k * tau).exp();
    let downwards = direct - omega * scattered / ((1.0 - k * k * mu * mu) * bare);
    let from_below = gamma_2 * (1.0 - falling) / bare;
    Transmitted { beam: (-depth / cos_zenith).exp(), total: downwards / (1.0 - albedo * from_below) }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Independent: the closed form of a layer that does not absorb (Meador & Weaver 1980, equation 24, Eddington coefficients), over
    /// black ground.
    #[test]
    fn a_layer_that_does_not_absorb_follows_its_closed_form() {
        for asymmetry in [0.0, 0.3, 0.65] {
            for depth in [0.05, 0.5, 3.0, 20.0] {
                for mu in [0.07, 0.3, 0.6, 1.0] {
                    let got = transmitted(Layer { depth, scattering_albedo: 1.0, asymmetry }, mu, 0.0).total;
                    let (tau, g) = ((1.0 - asymmetry * asymmetry) * depth, asymmetry / (1.0 + asymmetry));
                    let gamma = 0.75 * (1.0 - g);
                    let backwards = 0.25 * (2.0 - 3.0 * g * mu);
                    let reflected =
                        (gamma * tau + (backwards - gamma * mu) * (1.0 - (-tau / mu).exp())) / (1.0 + gamma * tau);
                    let want = 1.0 - reflected;
                    assert!((got - want).abs() < 1e-4, "g {asymmetry}, depth {depth}, µ {mu}: want {want}, got {got}");
                }
            }
        }
    }

    /// Independent: the two-stream equations integrated numerically (2 000 steps of the classical Runge–Kutta method and superposition of
    /// two solutions), over black ground and over ground with albedo 0.3.
    #[test]
    fn an_absorbing_layer_follows_its_differential_equations() {
        let layer = Layer { depth: 0.8, scattering_albedo: 0.9, asymmetry: 0.5 };
        for (mu, albedo) in [(0.1, 0.0), (0.5, 0.0), (0.5, 0.3), (0.9, 0.3)] {
            let got = transmitted(layer, mu, albedo).total;
            let want = integrated(layer, mu, albedo);
            assert!((got - want).abs() < 1e-5, "µ {mu}, albedo {albedo}: want {want}, got {got}");
        }
    }

    /// Total transmittance from the differential equations, upward and downward fluxes for a beam of unit horizontal irradiance.
    fn integrated(layer: Layer, mu: f64, albedo: f64) -> f64 {
        let f = layer.asymmetry * layer.asymmetry;
        let tau = (1.0 - layer.scattering_albedo * f) * layer.depth;
        let omega = layer.scattering_albedo * (1.0 - f) / (1.0 - layer.scattering_albedo * f);
        let g = layer.asymmetry / (1.0 + layer.asymmetry);
        let (g1, g2) = (0.25 * (7.0 - omega * (4.0 + 3.0 * g)), -0.25 * (1.0 - omega * (4.0 - 3.0 * g)));
        let g3 = 0.25 * (2.0 - 3.0 * g * mu);
        let slope = |t: f64, [up, down]: [f64; 2], source: f64| {
            let s = source * omega * (-t / mu).exp() / mu;
            [g1 * up - g2 * down - g3 * s, g2 * up - g1 * down + (1.0 - g3) * s]
        };
        // From the top, where no diffuse light comes down, to the ground.
        let run = |up: f64, source: f64| {
            let (n, mut y) = (2000, [up, 0.0]);
            let h = tau / f64::from(n);
            let plus = |y: [f64; 2], k: [f64; 2], h: f64| [y[0] + h * k[0], y[1] + h * k[1]];
            for i in 0..n {
                let t = h * f64::from(i);
                let k1 = slope(t, y, source);
                let k2 = slope(t + 0.5 * h, plus(y, k1, 0.5 * h), source);
                let k3 = slope(t + 0.5 * h, plus(y, k2, 0.5 * h), source);
                let k4 = slope(t + h, plus(y, k3, h), source);
                for j in 0..2 {
                    y[j] += h / 6.0 * (k1[j] + 2.0 * k2[j] + 2.0 * k3[j] + k4[j]);
                }
            }
            y
        };
        let (free, particular) = (run(1.0, 0.0), run(0.0, 1.0));
        let direct = (-tau / mu).exp();
        // up = albedo·(down + direct) at the ground.
        let c = (albedo * (particular[1] + direct) - particular[0]) / (free[0] - albedo * free[1]);
        particular[1] + c * free[1] + direct
    }
}
