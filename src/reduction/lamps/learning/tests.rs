//! Shapes are learned from lamps, and from nothing else.

use super::*;
use crate::calibration::file;
use crate::record::{Detector, PixelRanges};
use std::path::Path;

const PIXELS: usize = 700;

/// A detector from 280 to 980 nm with a flat response, and readings a minute apart.
struct Bench {
    scale: Scale,
    daylight: Daylight,
    learner: Learner,
    known: Vec<LampShape>,
    minute: i64,
}

impl Bench {
    fn new() -> Self {
        let text = include_str!("../../../../tests/bad_input/good_calibration.toml");
        let mut c = file::parse(Path::new("good.toml"), text).unwrap();
        c.wavelength.coefficients = vec![280.0, 1.0];
        c.response.wavelength_nm = vec![285.0, 970.0];
        c.response.counts_per_s_per_w_m2_nm = vec![1e5, 1e5];
        c.response.relative_uncertainty = vec![0.02, 0.02];
        let detector = Detector {
            pixels: PIXELS,
            full_scale: 65_535,
            shielded: PixelRanges(vec![]),
            integration_min_s: 1e-3,
            integration_max_s: 60.0,
            has_shutter: true,
            transfer_s: 0.3,
        };
        let daylight = Daylight::new(c.wavelength.fwhm_nm);
        Self {
            scale: Scale::new(&c, &detector, 0),
            daylight,
            learner: Learner::default(),
            known: Vec::new(),
            minute: 0,
        }
    }

    /// Rates of lamps and daylight of so many µmol m⁻² s⁻¹.
    fn rate(&self, parts: &[(&dyn Fn(f64) -> f64, f64)]) -> Vec<f64> {
        let mut rate = vec![0.0; PIXELS];
        for (spectrum, ppfd) in parts {
            let one: Vec<f64> =
                self.scale.wavelength_nm.iter().zip(&self.scale.response).map(|(nm, r)| spectrum(*nm) * r).collect();
            let factor = ppfd / ppfd_of(&one, &self.scale);
            rate.iter_mut().zip(one).for_each(|(sum, r)| *sum += factor * r);
        }
        rate
    }

    fn see(&mut self, sun_deg: f64, rate: &[f64]) -> bool {
        self.minute += 1;
        let observation = Observation {
            time: UtcMicros(self.minute * 60_000_000),
            sun_elevation_deg: Some(sun_deg),
            rate,
            saturated: &[false; PIXELS],
            signal_to_noise: 200.0,
        };
        let found = self.learner.observe(&observation, &self.scale, &self.daylight, &self.known);
        let learned = found.is_some();
        self.known = found.unwrap_or(std::mem::take(&mut self.known));
        learned
    }

    /// Largest difference of the last shape from a spectrum, both with the PPFD 1, relative to the spectrum's maximum.
    fn off(&self, spectrum: &dyn Fn(f64) -> f64) -> f64 {
        let got: Vec<f64> = self.known.last().unwrap().rate.iter().map(|r| f64::from(*r)).collect();
        let size = ppfd_of(&got, &self.scale);
        let want = self.rate(&[(spectrum, 1.0)]);
        let highest = want.iter().copied().fold(0.0, f64::max);
        got.iter().zip(&want).map(|(g, w)| (g / size - w).abs() / highest).fold(0.0, f64::max)
    }
}

fn curve(nm: f64, centre: f64, width: f64) -> f64 {
    (-4.0 * std::f64::consts::LN_2 * ((nm - centre) / width).powi(2)).exp()
}
fn red_blue(nm: f64) -> f64 {
    0.3 * curve(nm, 450.0, 20.0) + curve(nm, 660.0, 20.0)
}
fn white(nm: f64) -> f64 {
    curve(nm, 450.0, 20.0) + 0.75 * curve(nm, 565.0, 120.0)
}

/// Identity: the shape is the light that was seen; warming lamps, and light as weak as that of the moon, teach nothing.
#[test]
fn lamps_are_learned_at_night_when_they_are_steady() {
    let mut bench = Bench::new();
    for level in [20.0, 120.0, 180.0, 195.0] {
        let rate = bench.rate(&[(&red_blue, level)]);
        assert!(!bench.see(-10.0, &rate), "warming at {level}");
    }
    let rate = bench.rate(&[(&red_blue, 200.0)]);
    let learned: Vec<bool> = (0..4).map(|_| bench.see(-10.0, &rate)).collect();
    assert_eq!(learned.iter().filter(|l| **l).count(), 1, "{learned:?}");
    assert!(bench.known.len() == 1 && bench.off(&red_blue) < 1e-6);
    let mut moon = Bench::new();
    let rate = moon.rate(&[(&white, 0.005)]);
    assert!((0..6).all(|_| !moon.see(-10.0, &rate)));
}

/// Identity: by day the shape of what was switched on or off, although the daylight changes meanwhile.
#[test]
fn lamps_that_never_burn_at_night_are_learned_when_they_are_switched() {
    for on in [true, false] {
        let mut bench = Bench::new();
        let daylight = bench.daylight.clone();
        let sky = |nm: f64| daylight.at(nm);
        for k in 0..8 {
            let lit = (k >= 4) == on;
            let rate = bench.rate(&[(&sky, 300.0 + 4.0 * f64::from(k)), (&red_blue, if lit { 150.0 } else { 0.0 })]);
            assert_eq!(bench.see(20.0, &rate), k == 5, "reading {k}");
        }
        assert!(bench.off(&red_blue) < 1e-3, "{}", bench.off(&red_blue));
    }
}

/// A cloud that leaves the sun is a step of daylight, and is not a lamp.
#[test]
fn changing_daylight_is_not_learned() {
    let mut bench = Bench::new();
    let daylight = bench.daylight.clone();
    let sky = |nm: f64| daylight.at(nm);
    let redder = |nm: f64| daylight.at(nm) * (1.0 + 0.001 * (nm - 550.0));
    for level in [300.0, 300.0, 300.0, 700.0, 700.0, 700.0, 250.0, 250.0, 250.0] {
        let rate = bench.rate(&[(&sky, 200.0), (&redder, level)]);
        assert!(!bench.see(20.0, &rate), "{level}");
    }
}

/// Identity: a mixture of known lamps is not another lamp; another lamp is; the same one takes its own place after a week.
#[test]
fn a_shape_is_learned_once_and_renewed() {
    let mut bench = Bench::new();
    let steady = |bench: &mut Bench, parts: &[(&dyn Fn(f64) -> f64, f64)]| -> usize {
        let rate = bench.rate(parts);
        (0..3).filter(|_| bench.see(-12.0, &rate)).count()
    };
    assert_eq!(steady(&mut bench, &[(&red_blue, 100.0)]), 1);
    assert_eq!(steady(&mut bench, &[(&white, 80.0)]), 1);
    assert_eq!(steady(&mut bench, &[(&red_blue, 70.0), (&white, 80.0)]), 0);
    assert_eq!(steady(&mut bench, &[(&red_blue, 50.0)]), 0);
    assert_eq!(bench.known.len(), 2);
    bench.minute += 8 * 24 * 60;
    assert_eq!(steady(&mut bench, &[(&red_blue, 90.0)]), 1);
    assert_eq!(bench.known.len(), 2);
    assert!(bench.known[0].seen > bench.known[1].seen);
}

/// No more than four shapes: the oldest makes room.
#[test]
fn the_oldest_shape_makes_room() {
    let mut bench = Bench::new();
    for k in 0..6 {
        let lamp = move |nm: f64| curve(nm, 430.0 + 45.0 * f64::from(k), 20.0);
        let rate = bench.rate(&[(&lamp, 50.0)]);
        (0..3).for_each(|_| {
            bench.see(-12.0, &rate);
        });
        assert_eq!(bench.known.len(), (k as usize + 1).min(4));
        assert!(bench.off(&lamp) < 1e-6);
    }
}

/// Clipped readings, a gap, and a clock that was set back are not compared across.
#[test]
fn an_interruption_starts_anew() {
    let mut bench = Bench::new();
    let rate = bench.rate(&[(&red_blue, 200.0)]);
    assert!(!bench.see(-10.0, &rate) && !bench.see(-10.0, &rate));
    bench.minute += 60;
    assert!(!bench.see(-10.0, &rate) && !bench.see(-10.0, &rate));
    bench.minute -= 30;
    assert!(!bench.see(-10.0, &rate) && !bench.see(-10.0, &rate));
    assert!(bench.see(-10.0, &rate));
}
