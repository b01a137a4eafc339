//! A white LED on an ageing rack: cycled on and off, with light loss and colour shift over its burning hours.

use super::glasshouse::Ripple;
use super::{Scene, SceneSettings};
use crate::clock::UtcMicros;
use crate::simulator::integrals;
use crate::simulator::light::{Grid, Light};

/// The lamp, in the direction of the optic's axis.
pub struct Lamp {
    grid: Grid,
    /// Start of the first cycle.
    since: UtcMicros,
    on_s: f64,
    off_s: f64,
    burnt_s: f64,
    level: f64,
    fade: f64,
    phosphor_fade: f64,
    blue_shift: f64,
    ripple: Ripple,
    /// Burning time of `light` [quarters of an hour].
    at: Option<i64>,
    light: Vec<f64>,
}

/// Seconds in a thousand hours.
const THOUSAND_HOURS_S: f64 = 3.6e6;

impl Lamp {
    /// A lamp whose first cycle begins at `since`.
    pub fn new(settings: &SceneSettings, since: UtcMicros, grid: Grid) -> Self {
        let mut lamp = Self {
            grid,
            since,
            on_s: 60.0 * settings.lamp_on_min,
            off_s: 60.0 * settings.lamp_off_min,
            burnt_s: 3600.0 * settings.lamp_burnt_h,
            level: 1.0,
            fade: settings.lamp_fade_per_1000h,
            phosphor_fade: settings.lamp_phosphor_fade_per_1000h,
            blue_shift: settings.lamp_blue_shift_nm_per_1000h,
            ripple: Ripple { mains_hz: settings.mains_hz, depth: settings.lamp_ripple },
            at: None,
            light: Vec::new(),
        };
        lamp.level = settings.lamp_lux / integrals::lux(&lamp.spectrum(0.0), grid);
        lamp
    }

    /// The spectrum after `hours` thousand burning hours.
    fn spectrum(&self, hours: f64) -> Vec<f64> {
        let blue_nm = 450.0 + self.blue_shift * hours;
        let phosphor = (-self.phosphor_fade * hours).exp();
        let level = self.level * (-self.fade * hours).exp();
        (0..self.grid.nodes)
            .map(|i| {
                let nm = self.grid.nm(i);
                let blue = (-4.0 * std::f64::consts::LN_2 * ((nm - blue_nm) / 22.0).powi(2)).exp();
                // The phosphor's band is a normal curve of ln λ.
                let broad = (-((nm / 565.0).ln() / 0.16).powi(2)).exp();
                level * (blue + 0.55 * phosphor * broad)
            })
            .collect()
    }

    /// Burning time by `t` [s].
    fn burnt(&self, t: UtcMicros) -> f64 {
        let passed = t.seconds_since(self.since).max(0.0);
        let cycle = self.on_s + self.off_s;
        let full = (passed / cycle).floor();
        self.burnt_s + full * self.on_s + (passed - full * cycle).min(self.on_s)
    }
}

impl Scene for Lamp {
    fn mean_light(&mut self, start: UtcMicros, length_s: f64, light: &mut Light) {
        light.clear();
        light.beam_zenith_deg = 0.0;
        let (before, after) = (self.burnt(start), self.burnt(start.plus_seconds(length_s)));
        let share = if length_s > 0.0 { ((after - before) / length_s).clamp(0.0, 1.0) } else { 0.0 };
        if share < 1e-9 {
            return;
        }
        let quarter = (before / 900.0).floor() as i64;
        if self.at != Some(quarter) {
            self.at = Some(quarter);
            self.light = self.spectrum(quarter as f64 * 900.0 / THOUSAND_HOURS_S);
        }
        let factor = share * self.ripple.mean(start, length_s);
        light.beam.iter_mut().zip(&self.light).for_each(|(b, e)| *b = factor * e);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Identity: cycle, level, light loss and colour shift follow the settings.
    #[test]
    fn the_lamp_cycles_fades_and_shifts_in_colour() {
        let grid = Grid { first_nm: 270, nodes: 800 };
        let since = UtcMicros::parse("2026-01-01T00:00:00Z").unwrap();
        let settings = SceneSettings { lamp_on_min: 60.0, lamp_off_min: 60.0, ..SceneSettings::default() };
        let mut lamp = Lamp::new(&settings, since, grid);
        let mut light = Light::dark(grid);
        lamp.mean_light(since.plus_seconds(60.0), 0.1, &mut light);
        let young = light.total();
        assert!((integrals::lux(&young, grid) - 10_000.0).abs() < 1.0);
        lamp.mean_light(since.plus_seconds(5400.0), 0.1, &mut light);
        assert_eq!(integrals::lux(&light.total(), grid), 0.0);
        lamp.mean_light(since.plus_seconds(3599.0), 2.0, &mut light);
        assert!((integrals::lux(&light.total(), grid) - 5000.0).abs() < 1.0);
        // 1000 burning hours are 2000 hours of cycles.
        lamp.mean_light(since.plus_seconds(7.2e6 + 60.0), 0.1, &mut light);
        let old = light.total();
        let want = (-0.03f64).exp() * (old[180] / young[180]) / (old[180] / young[180]);
        assert!((old[180] / young[180] / want - 1.0).abs() < 0.01, "blue fades by 3 %");
        assert!(old[330] / young[330] < 0.96 * 1.0, "the phosphor fades more: {}", old[330] / young[330]);
    }
}
