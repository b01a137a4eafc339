//! A glasshouse: sun and sky through glazing that absorbs the ultraviolet, and red-blue lamps on a photoperiod, whose light ripples at
//! twice the mains frequency.

use super::{Scene, SceneSettings};
use crate::clock::UtcMicros;
use crate::simulator::integrals;
use crate::simulator::light::{Grid, Light};

/// Share of the beam that the glazing scatters.
const HAZE: f64 = 0.5;

/// Ripple of light, 1 + depth·sin(2π·2f·t), t from the full second.
#[derive(Clone, Copy, Debug)]
pub struct Ripple {
    /// Mains frequency f [Hz], whole; 0 for none.
    pub mains_hz: u32,
    /// (max − min)/(max + min) [1].
    pub depth: f64,
}

impl Ripple {
    /// Mean over an interval [1], by the exact integral of the sine.
    pub fn mean(&self, start: UtcMicros, length_s: f64) -> f64 {
        let omega = std::f64::consts::TAU * 2.0 * f64::from(self.mains_hz);
        if omega == 0.0 || self.depth == 0.0 || length_s <= 0.0 {
            return 1.0;
        }
        let begins = omega * start.0.rem_euclid(1_000_000) as f64 * 1e-6;
        let angle = omega * length_s;
        // cos a − cos(a + s) = 2 sin(s/2) sin(a + s/2): no cancellation for short intervals.
        1.0 + self.depth * 2.0 * (0.5 * angle).sin() * (begins + 0.5 * angle).sin() / angle
    }
}

/// The glasshouse.
pub struct Glasshouse {
    outside: Box<dyn Scene>,
    glazing: Vec<f64>,
    lamps: Vec<f64>,
    ripple: Ripple,
    longitude_deg: f64,
    on_hour: f64,
    off_hour: f64,
}

impl Glasshouse {
    /// A glasshouse in the light of `outside`.
    pub fn new(settings: &SceneSettings, outside: Box<dyn Scene>, grid: Grid) -> Self {
        let (edge, clear) = (settings.glazing_edge_nm, settings.glazing_transmission);
        let glazing = (0..grid.nodes).map(|i| clear / (1.0 + (-(grid.nm(i) - edge) / 5.0).exp())).collect();
        // Normal curves: blue 450 nm and red 660 nm of 20 nm full width, and a white band; about 15, 75 and 10 % of the photons.
        let curve =
            |nm: f64, centre: f64, width: f64| (-4.0 * std::f64::consts::LN_2 * ((nm - centre) / width).powi(2)).exp();
        let mut lamps: Vec<f64> = (0..grid.nodes)
            .map(|i| {
                let nm = grid.nm(i);
                (0.30 * curve(nm, 450.0, 20.0) + curve(nm, 660.0, 20.0) + 0.026 * curve(nm, 560.0, 120.0)) / nm
            })
            .collect();
        let factor = settings.lamps_ppfd / integrals::ppfd(&lamps, grid);
        lamps.iter_mut().for_each(|v| *v *= factor);
        Self {
            outside,
            glazing,
            lamps,
            ripple: Ripple { mains_hz: settings.mains_hz, depth: settings.lamps_ripple },
            longitude_deg: settings.longitude_deg,
            on_hour: settings.lamps_on_hour,
            off_hour: settings.lamps_off_hour,
        }
    }

    /// Share of an interval in which the lamps are on [1].
    fn on_share(&self, start: UtcMicros, length_s: f64) -> f64 {
        let hour = |t: f64| t / 3600.0 + self.longitude_deg / 15.0;
        let (a, b) = (hour(start.seconds()), hour(start.seconds() + length_s));
        if b <= a {
            return 0.0;
        }
        let day = (a / 24.0).floor() * 24.0;
        // An exposure lasts a minute at most, so it overlaps only this photoperiod and that of the next day.
        let on = |from: f64| (b.min(from + self.off_hour) - a.max(from + self.on_hour)).max(0.0);
        (on(day) + on(day + 24.0)) / (b - a)
    }
}

impl Scene for Glasshouse {
    fn mean_light(&mut self, start: UtcMicros, length_s: f64, light: &mut Light) {
        self.outside.mean_light(start, length_s, light);
        let on = self.on_share(start, length_s);
        let lamps = if on > 0.0 { on * self.ripple.mean(start, length_s) } else { 0.0 };
        let target = light.beam.iter_mut().zip(&mut light.sky);
        for ((b, s), (glass, lamp)) in target.zip(self.glazing.iter().zip(&self.lamps)) {
            *s = glass * (*s + HAZE * *b) + lamps * lamp;
            *b *= glass * (1.0 - HAZE);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const START: UtcMicros = UtcMicros(1_782_036_000_000_000);

    /// Independent: the mean of the sine by a sum over 20 000 midpoints; and nothing is left over whole half-cycles.
    #[test]
    fn the_ripple_of_an_exposure_is_integrated_exactly() {
        let ripple = Ripple { mains_hz: 50, depth: 0.3 };
        for (offset_us, length) in [(0, 0.001), (1234, 0.003), (7777, 0.0123), (4500, 0.005)] {
            let start = UtcMicros(START.0 + offset_us);
            let n = 20_000;
            let sum: f64 = (0..n)
                .map(|i| {
                    let t = offset_us as f64 * 1e-6 + length * (f64::from(i) + 0.5) / f64::from(n);
                    1.0 + 0.3 * (std::f64::consts::TAU * 100.0 * t).sin()
                })
                .sum();
            let (want, got) = (sum / f64::from(n), ripple.mean(start, length));
            assert!((want - got).abs() < 1e-8, "want {want}, got {got}");
        }
        for length in [0.01, 0.05, 0.25] {
            assert!((ripple.mean(UtcMicros(START.0 + 3456), length) - 1.0).abs() < 1e-12);
        }
        let worst =
            (0..100).map(|i| (ripple.mean(UtcMicros(START.0 + i * 100), 0.003) - 1.0).abs()).fold(0.0, f64::max);
        assert!((0.25..0.27).contains(&worst), "3 ms of 30 % ripple err by up to 26 %, here {worst}");
    }

    /// Identity: the stated photon flux in the photoperiod, and no ultraviolet behind the glazing.
    #[test]
    fn lamps_follow_their_photoperiod_and_glazing_absorbs_the_ultraviolet() {
        let grid = Grid { first_nm: 270, nodes: 800 };
        let settings = SceneSettings { longitude_deg: 0.0, ..SceneSettings::default() };
        struct Even;
        impl Scene for Even {
            fn mean_light(&mut self, _: UtcMicros, _: f64, light: &mut Light) {
                light.beam.fill(0.5);
                light.sky.fill(0.5);
            }
        }
        struct Night;
        impl Scene for Night {
            fn mean_light(&mut self, _: UtcMicros, _: f64, light: &mut Light) {
                light.clear();
            }
        }
        let mut light = Light::dark(grid);
        let mut house = Glasshouse::new(&settings, Box::new(Night), grid);
        for (time, want) in [("03:00:00", 0.0), ("12:00:00", 200.0), ("22:00:00", 0.0)] {
            let t = UtcMicros::parse(&format!("2026-12-01T{time}Z")).unwrap();
            house.mean_light(t, 0.05, &mut light);
            let got = integrals::ppfd(&light.total(), grid);
            assert!((got - want).abs() < 1e-9 * 200.0, "{time}: want {want}, got {got}");
        }
        house.mean_light(UtcMicros::parse("2026-12-01T04:59:50Z").unwrap(), 20.0, &mut light);
        assert!((integrals::ppfd(&light.total(), grid) - 100.0).abs() < 1e-6, "on for half of the exposure");
        let mut house = Glasshouse::new(&settings, Box::new(Even), grid);
        house.mean_light(UtcMicros::parse("2026-12-01T03:00:00Z").unwrap(), 0.05, &mut light);
        let total = light.total();
        assert!(total[40] < 1e-5 && (total[330] - 0.88).abs() < 0.01, "{} {}", total[40], total[330]);
    }
}
