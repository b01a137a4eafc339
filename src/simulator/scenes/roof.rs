//! A roof: sun, sky and clouds over day and year, and the light of street lamp and moon at night.

use super::clouds::Clouds;
use super::{Scene, SceneSettings};
use crate::clock::UtcMicros;
use crate::simulator::integrals;
use crate::simulator::light::{Grid, Light};
use crate::simulator::moon;
use crate::simulator::sky::ClearSky;
use crate::sun::Place;

/// Longest part of an exposure with a constant sky [s]; the sun moves by 0.02° in it.
const PART_S: f64 = 5.0;

/// The moon below this sends no light [degrees].
const MOON_FROM_DEG: f64 = -2.0;

/// Sun, sky and clouds.
pub struct Roof {
    sky: ClearSky,
    clouds: Clouds,
    /// Light of the street lamp.
    lamp: Vec<f64>,
    moon: Moonlight,
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
        // A sodium-like lamp: one broad yellow band.
        let mut lamp: Vec<f64> = (0..grid.nodes).map(|i| (-((grid.nm(i) - 595.0) / 25.0).powi(2)).exp()).collect();
        let unit = integrals::lux(&lamp, grid);
        scale(&mut lamp, settings.street_lamp_lux / unit);
        // The moon shines through the same air as the sun.
        let mut high = Light::dark(grid);
        sky.compute(90.0, 1.0, &mut high);
        let moon = Moonlight {
            per_sun: settings.moon_lux / integrals::lux(&high.total(), grid),
            place,
            minute: None,
            light: high,
        };
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

/// The moon's light on the ground.
struct Moonlight {
    /// Light of the full moon at mean distance relative to the sun's [1].
    per_sun: f64,
    place: Place,
    /// Minute that `light` was computed for; the moon moves by a quarter of a degree in one.
    minute: Option<i64>,
    light: Light,
}

impl Moonlight {
    /// At an instant; `None` where there is no moon.
    fn at(&mut self, sky: &ClearSky, t: UtcMicros) -> Option<&Light> {
        if !(self.per_sun > 0.0) {
            return None;
        }
        let minute = t.0.div_euclid(60_000_000);
        if self.minute != Some(minute) {
            self.minute = Some(minute);
            let moon = moon::moon(self.place, UtcMicros(minute * 60_000_000 + 30_000_000));
            let level = if moon.elevation_deg > MOON_FROM_DEG { self.per_sun * moon.brightness } else { 0.0 };
            sky.compute(moon.elevation_deg, level, &mut self.light);
        }
        Some(&self.light)
    }
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
            if elevation < -2.0 {
                light.sky.iter_mut().zip(&self.lamp).for_each(|(s, lamp)| *s += lamp / parts);
                if let Some(moon) = self.moon.at(&self.sky, from) {
                    // Without the optic's difference between beam and sky, which matters little to so weak a light.
                    for (s, (moon_beam, moon_sky)) in light.sky.iter_mut().zip(moon.beam.iter().zip(&moon.sky)) {
                        *s += beam * moon_beam + to_sky * moon_beam + sky * moon_sky;
                    }
                }
            }
        }
    }
}
