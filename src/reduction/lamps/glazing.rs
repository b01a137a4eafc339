//! What glazing does to the share of the sun's beam.
//!
//! Glazing transmits a part of the light and scatters a part of the beam that it transmits (its haze), which then comes from everywhere.
//! Depends on the share of the beam under the open sky ([`crate::reduction::beam_share`]). The transmission is taken as equal for beam
//! and sky, so that it cancels in the share; it is needed for the brightness outside. Pure.

use crate::reduction::beam_share::{BeamShare, NODES};

/// Least transmission that is reckoned with [1]: the brightness outside is that inside over the transmission.
const LEAST_TRANSMISSION: f64 = 0.05;

/// Transmission and haze of glazing in the visible, with standard uncertainties [1].
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Glazing {
    /// Transmitted share of the light.
    pub transmission: f64,
    /// See `transmission`.
    pub transmission_uncertainty: f64,
    /// Scattered share of the transmitted beam.
    pub haze: f64,
    /// See `haze`.
    pub haze_uncertainty: f64,
}

impl Glazing {
    /// No glazing.
    pub const NONE: Self = Self { transmission: 1.0, transmission_uncertainty: 0.0, haze: 0.0, haze_uncertainty: 0.0 };

    /// The share of the beam under the glazing.
    ///
    /// ppfd: of sun and sky under the glazing, and its standard uncertainty [µmol m⁻² s⁻¹]; outside: the share of the beam under the open
    /// sky for a photon flux density there.
    pub fn share(&self, ppfd: (f64, f64), outside: impl Fn(f64) -> BeamShare) -> BeamShare {
        let brightness = ppfd.0 / self.transmission.max(LEAST_TRANSMISSION);
        let middle = outside(brightness);
        let of_light = if ppfd.0 > 0.0 { ppfd.1 / ppfd.0 } else { 0.0 };
        let relative = (self.transmission_uncertainty / self.transmission.max(LEAST_TRANSMISSION)).hypot(of_light);
        // One standard uncertainty of the brightness on either side; at most a factor of e.
        let factor = relative.min(1.0).exp();
        let (darker, brighter) = match factor > 1.0 {
            true => (outside(brightness / factor), outside(brightness * factor)),
            false => (middle, middle),
        };
        let clear = 1.0 - self.haze;
        let uncertainty = |i: usize| {
            let of_brightness = 0.5 * (brighter.share[i] - darker.share[i]);
            let of_haze = self.haze_uncertainty * middle.share[i];
            (clear * middle.uncertainty[i]).hypot(clear * of_brightness).hypot(of_haze)
        };
        let uncertainty: [f64; NODES] = std::array::from_fn(uncertainty);
        BeamShare { share: middle.share.map(|b| clear * b), uncertainty }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::reduction::beam_share::estimate;

    /// Identity: without glazing the share is that of the open sky; glazing that scatters everything leaves no beam; clear glazing leaves the
    /// share of the brighter light outside.
    #[test]
    fn glazing_scatters_the_beam_and_darkens_the_light() {
        let outside = |ppfd: f64| estimate(20.0, 1.0, ppfd);
        assert_eq!(Glazing::NONE.share((400.0, 0.0), outside), outside(400.0));
        let diffusing = Glazing { haze: 1.0, ..Glazing::NONE };
        assert_eq!(diffusing.share((400.0, 0.0), outside), BeamShare::NONE);
        let clear = Glazing { transmission: 0.8, ..Glazing::NONE };
        assert_eq!(clear.share((400.0, 0.0), outside), outside(500.0));
        let half = Glazing { haze: 0.5, ..Glazing::NONE };
        assert!((half.share((400.0, 0.0), outside).share[10] - 0.5 * outside(400.0).share[10]).abs() < 1e-15);
    }

    /// Identity: to first order, the stated uncertainty is the change of the share with haze, transmission and brightness.
    #[test]
    fn what_is_not_known_of_the_glazing_is_in_the_uncertainty() {
        let outside = |ppfd: f64| BeamShare { uncertainty: [0.0; NODES], ..estimate(20.0, 1.0, ppfd) };
        let known = Glazing { transmission: 0.8, haze: 0.3, ..Glazing::NONE };
        let share = |g: Glazing, ppfd: f64| g.share((ppfd, 0.0), outside).share[10];
        let of_haze = Glazing { haze_uncertainty: 0.1, ..known }.share((300.0, 0.0), outside).uncertainty[10];
        let moved = share(Glazing { haze: 0.2, ..known }, 300.0) - share(known, 300.0);
        assert!((of_haze / moved - 1.0).abs() < 1e-9, "{of_haze} {moved}");
        let dull = Glazing { transmission_uncertainty: 0.008, ..known };
        let of_transmission = dull.share((300.0, 0.0), outside).uncertainty[10];
        let of_light = known.share((300.0, 3.0), outside).uncertainty[10];
        let moved = share(known, 303.0) - share(known, 300.0);
        assert!(moved > 1e-4, "the test needs a brightness that matters: {moved}");
        assert!((of_transmission / moved - 1.0).abs() < 0.1, "{of_transmission} {moved}");
        assert!((of_light / of_transmission - 1.0).abs() < 1e-9, "{of_light} {of_transmission}");
    }

    /// Edge set: no sun, no light and NaN have answers.
    #[test]
    fn odd_light_has_no_beam() {
        let glazing = Glazing { transmission: 0.0, transmission_uncertainty: 0.1, ..Glazing::NONE };
        for ppfd in [0.0, -3.0, f64::NAN] {
            assert_eq!(glazing.share((ppfd, 1.0), |p| estimate(20.0, 1.0, p)), BeamShare::NONE, "{ppfd}");
        }
        assert_eq!(glazing.share((3.0, 1.0), |p| estimate(-3.0, 1.0, p)), BeamShare::NONE);
    }
}
