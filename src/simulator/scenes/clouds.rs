//! Clouds as a function of time: their transmission of the beam and their contribution to the sky.
//!
//! A hash of seed and time in cells with jittered borders; stateless.

use super::SkyKind;
use crate::clock::UtcMicros;
use crate::simulator::hash_noise;

/// Transmission of the cloudless beam and sky.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Transmission {
    /// Share of the beam that arrives as beam [1].
    pub beam: f64,
    /// Share of the beam that arrives as light from the sky [1].
    pub beam_to_sky: f64,
    /// Share of the sky's light that arrives [1].
    pub sky: f64,
}

/// The clouds.
#[derive(Clone, Copy, Debug)]
pub struct Clouds {
    kind: SkyKind,
    seed: u64,
    /// Mean duration of a cell [s].
    cell_s: f64,
    /// Mean solar time minus UTC [s], for days with one cloud cover.
    solar_offset_s: f64,
}

/// Share of the beam removed by a cloud that arrives as light from the sky.
const SCATTERED: f64 = 0.35;

/// Longest step of a mean [s].
const STEP_S: f64 = 0.5;

impl Clouds {
    /// Clouds of a kind; broken clouds and gaps last `cell_s` [s] on average.
    pub fn new(kind: SkyKind, seed: u64, cell_s: f64) -> Self {
        Self { kind, seed, cell_s, solar_offset_s: 0.0 }
    }

    /// Clouds whose days begin at mean solar midnight of a longitude [degrees].
    pub fn at_longitude(self, longitude_deg: f64) -> Self {
        Self { solar_offset_s: longitude_deg * 240.0, ..self }
    }

    /// Cloud cover at an instant; never `Changing`.
    fn kind_at(&self, t: UtcMicros) -> SkyKind {
        if self.kind != SkyKind::Changing {
            return self.kind;
        }
        match self.uniform(((t.seconds() + self.solar_offset_s) / 86_400.0).floor() as i64, 7) {
            x if x < 0.5 => SkyKind::Clear,
            x if x < 0.8 => SkyKind::Broken,
            _ => SkyKind::Overcast,
        }
    }

    /// A uniform number from 0 to 1 for a cell and a purpose.
    fn uniform(&self, cell: i64, purpose: u64) -> f64 {
        hash_noise::uniform(self.seed, cell, purpose)
    }

    /// Start of a cell, in cells. With its jitter, each cell is at least 0.4 cells long.
    fn border(&self, cell: i64) -> f64 {
        cell as f64 + 0.6 * self.uniform(cell, 1)
    }

    /// Transmission of a cell: 1 in half of the cells, 0.25 to 0.9 in the others.
    fn transmission(&self, cell: i64) -> f64 {
        if self.uniform(cell, 2) < 0.5 { 1.0 } else { 0.25 + 0.65 * self.uniform(cell, 3) }
    }

    /// Transmission at an instant.
    pub fn at(&self, t: UtcMicros) -> Transmission {
        match self.kind_at(t) {
            SkyKind::Clear | SkyKind::Changing => Transmission { beam: 1.0, beam_to_sky: 0.0, sky: 1.0 },
            SkyKind::Broken => self.broken(t.seconds() / self.cell_s),
            SkyKind::Overcast => {
                // Values every five minutes, smooth between them: 0.10 to 0.45 of the cloudless light.
                let place = t.seconds() / 300.0;
                let cell = place.floor();
                let share = place - cell;
                let smooth = share * share * (3.0 - 2.0 * share);
                let (a, b) = (self.uniform(cell as i64, 4), self.uniform(cell as i64 + 1, 4));
                let level = 0.10 + 0.35 * (a + (b - a) * smooth);
                Transmission { beam: 0.0, beam_to_sky: level, sky: level }
            }
        }
    }

    fn broken(&self, place: f64) -> Transmission {
        let mut cell = place.floor() as i64;
        if place < self.border(cell) {
            cell -= 1;
        }
        let mut beam = self.transmission(cell);
        let mut reflected: f64 = 0.0;
        for border_of in [cell, cell + 1] {
            let (before, after) = (self.transmission(border_of - 1), self.transmission(border_of));
            let away_s = (place - self.border(border_of)) * self.cell_s;
            // An edge takes 10 to 30 s to pass.
            let edge_s = 10.0 + 20.0 * self.uniform(border_of, 5);
            if away_s.abs() < 0.5 * edge_s {
                beam = before + (after - before) * (away_s / edge_s + 0.5);
            }
            // On the clear side of an edge, light reflected by the cloud adds up to a fifth.
            let clear_s = if before < 1.0 && after == 1.0 { away_s } else { -away_s };
            if (before < 1.0) != (after < 1.0) && clear_s > 0.0 {
                let from_s = 0.5 * edge_s;
                let rise = (clear_s / from_s).min(1.0);
                let fall = (1.0 - (clear_s - from_s).max(0.0) / 20.0).max(0.0);
                reflected = reflected.max(0.2 * self.uniform(border_of, 6) * rise * fall);
            }
        }
        Transmission { beam, beam_to_sky: SCATTERED * (1.0 - beam) + reflected, sky: 1.0 + reflected }
    }

    /// Mean transmission over an interval, by midpoints of steps of at most half a second.
    pub fn mean(&self, start: UtcMicros, length_s: f64) -> Transmission {
        let steps = (length_s / STEP_S).ceil().clamp(1.0, 240.0);
        let mut sum = Transmission::default();
        for i in 0..steps as u32 {
            let c = self.at(start.plus_seconds(length_s * (f64::from(i) + 0.5) / steps));
            sum.beam += c.beam / steps;
            sum.beam_to_sky += c.beam_to_sky / steps;
            sum.sky += c.sky / steps;
        }
        sum
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const START: UtcMicros = UtcMicros(1_782_036_000_000_000);

    /// Identity: over a day the stated range is covered and not exceeded, with a change every few minutes.
    #[test]
    fn broken_clouds_stay_in_their_range_and_change_within_minutes() {
        let clouds = Clouds::new(SkyKind::Broken, 3, 180.0);
        let covers: Vec<Transmission> = (0..86_400).map(|s| clouds.at(START.plus_seconds(f64::from(s)))).collect();
        let (mut low, mut high, mut turns) = (9.0f64, 0.0f64, 0);
        for pair in covers.windows(2) {
            assert!((0.25..=1.0).contains(&pair[0].beam), "{:?}", pair[0]);
            assert!((pair[1].beam - pair[0].beam).abs() <= 0.076, "an edge takes ten seconds at least: {pair:?}");
            assert!((pair[1].sky - pair[0].sky).abs() <= 0.045, "{pair:?}");
            low = low.min(pair[0].beam);
            high = high.max(pair[0].beam + pair[0].beam_to_sky);
            turns += u32::from((pair[0].beam < 0.95) != (pair[1].beam < 0.95));
        }
        assert!(low < 0.3 && high > 1.15 && high <= 1.2 + 1e-9, "{low} {high}");
        let minutes = 1440.0 / f64::from(turns);
        assert!((2.0..12.0).contains(&minutes), "a turn every {minutes} min");
    }

    #[test]
    fn the_weather_is_a_function_of_seed_and_time() {
        let clouds = Clouds::new(SkyKind::Broken, 3, 180.0);
        let times: Vec<UtcMicros> = (0..500).map(|i| START.plus_seconds(f64::from(i) * 7.3)).collect();
        let forth: Vec<Transmission> = times.iter().map(|t| clouds.at(*t)).collect();
        let mut back: Vec<Transmission> = times.iter().rev().map(|t| clouds.at(*t)).collect();
        back.reverse();
        assert_eq!(forth, back);
        let other = Clouds::new(SkyKind::Broken, 4, 180.0);
        assert!(times.iter().zip(&forth).filter(|(t, c)| other.at(**t) != **c).count() > 250);
    }

    /// Identity: no beam, and a level that changes slowly.
    #[test]
    fn an_overcast_sky_has_no_beam() {
        let clouds = Clouds::new(SkyKind::Overcast, 3, 180.0);
        for s in 0..5000 {
            let (a, b) = (clouds.at(START.plus_seconds(f64::from(s))), clouds.at(START.plus_seconds(f64::from(s + 1))));
            assert!(a.beam == 0.0 && (0.1..=0.45).contains(&a.sky) && (a.sky - b.sky).abs() < 0.002);
        }
    }
}
