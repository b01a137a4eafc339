//! A roof: sun, sky and clouds over day and year, and the light of street lamp and moon at night.

use super::clouds::Clouds;
use super::{Scene, SceneSettings};
use crate::clock::UtcMicros;
use crate::simulator::integrals;
use crate::simulator::light::{Grid, Light};
use crate::simulator::sky::ClearSky;
use crate::sun::Place;

/// Longest part of an exposure with a constant sky [s]; the sun moves by 0.02° in it.
const PART_S: f64 = 5.0;

/// Sun, sky and clouds.
pub struct Roof {
    sky: ClearSky,
    clouds: Clouds,
    /// Light of the street lamp and of the full moon.
    lamp: Vec<f64>,
    moon: Vec<f64>,
}

impl Roof {
    /// A roof at the coordinates of the settings.
    pub fn new(settings: &SceneSettings, seed: u64, grid: Grid) -> Self {
        let place = Place {
            latitude_deg: settings.latitude_deg,
            longitude_deg: settings.longitude_deg,
            altitude_m: settings.altitude_m,
        };
        let sky = ClearSky::variable(place, settings.ozone_du, &settings.air, seed, grid);
        // A sodium-like lamp: one broad yellow band. The moon has the spectrum of the sun at 40°.
        let mut lamp: Vec<f64> = (0..grid.nodes).map(|i| (-((grid.nm(i) - 595.0) / 25.0).powi(2)).exp()).collect();
        let unit = integrals::lux(&lamp, grid);
        scale(&mut lamp, settings.street_lamp_lux / unit);
        let mut high = Light::dark(grid);
        sky.compute(40.0, 1.0, &mut high);
        let mut moon = high.total();
        let unit = integrals::lux(&moon, grid);
        scale(&mut moon, settings.moon_lux / unit);
        Self {
            sky,
            clouds: Clouds::new(settings.sky, seed, 60.0 * settings.cloud_min).at_longitude(settings.longitude_deg),
            lamp,
            moon,
        }
    }
}

fn scale(values: &mut [f64], factor: f64) {
    values.iter_mut().for_each(|v| *v *= factor);
}

/// Moonlight at an instant relative to the full moon [1]: the square of the illuminated share of the disc, by mean lunar months of
/// 29.530 59 d from the new moon of 2000-01-06T18:14Z (ephem 4.2.1, `next_new_moon`: 18:13:39, and 29.5305 d in the mean of
/// 8 000 months). The position of the moon is ignored.
fn moonlight(t: UtcMicros) -> f64 {
    let days = (t.seconds() - 947_182_440.0) / 86_400.0;
    let illuminated = 0.5 * (1.0 - (std::f64::consts::TAU * days / 29.530_59).cos());
    illuminated * illuminated
}

impl Scene for Roof {
    fn mean_light(&mut self, start: UtcMicros, length_s: f64, light: &mut Light) {
        light.clear();
        let parts = (length_s / PART_S).ceil().clamp(1.0, 60.0);
        let part_s = length_s / parts;
        for i in 0..parts as u32 {
            let from = start.plus_seconds(part_s * f64::from(i));
            let clouds = self.clouds.mean(from, part_s);
            let (clear, elevation) = self.sky.at(from.plus_seconds(0.5 * part_s));
            light.beam_zenith_deg = clear.beam_zenith_deg;
            let (beam, to_sky, sky) = (clouds.beam / parts, clouds.beam_to_sky / parts, clouds.sky / parts);
            let target = light.beam.iter_mut().zip(&mut light.sky);
            for ((b, s), (clear_beam, clear_sky)) in target.zip(clear.beam.iter().zip(&clear.sky)) {
                *b += beam * clear_beam;
                *s += to_sky * clear_beam + sky * clear_sky;
            }
            if elevation < -2.0 && self.lamp.iter().chain(&self.moon).any(|v| *v > 0.0) {
                let moon = moonlight(from);
                for (s, (lamp, full)) in light.sky.iter_mut().zip(self.lamp.iter().zip(&self.moon)) {
                    *s += (lamp + moon * full) / parts;
                }
            }
        }
    }
}
