//! Clouds as a function of time: what they leave of the beam and what they add to the sky.
//!
//! Hashed from seed and time in cells with jittered borders; no state, so any order of questions gives one answer.

use super::SkyKind;
use crate::clock::UtcMicros;
use crate::simulator::hash_noise;

/// Shares of the cloudless beam and sky that arrive.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Cover {
    /// Of the beam, as beam [1].
    pub beam: f64,
    /// Of the beam, as light from the sky [1].
    pub beam_to_sky: f64,
    /// Of the sky [1].
    pub sky: f64,
}

/// The clouds.
#[derive(Clone, Copy, Debug)]
pub struct Clouds {
    kind: SkyKind,
    seed: u64,
    /// Mean length of a cell [s].
    cell_s: f64,
    /// Mean solar time before UTC [s], for days of one kind.
    ahead_s: f64,
}

/// Of the beam a cloud takes away, this share comes down as light from the sky.
const SCATTERED: f64 = 0.35;

/// Steps no longer than this when a mean is taken [s].
const STEP_S: f64 = 0.5;

impl Clouds {
    /// Clouds of a kind; broken ones stay for `cell_s` [s] in the mean.
    pub fn new(kind: SkyKind, seed: u64, cell_s: f64) -> Self {
        Self { kind, seed, cell_s, ahead_s: 0.0 }
    }

    /// The same where days begin at mean solar midnight of a longitude [degrees].
    pub fn at_longitude(self, longitude_deg: f64) -> Self {
        Self { ahead_s: longitude_deg * 240.0, ..self }
    }

    /// The sky's mood at an instant; never `Changing`.
    fn kind_at(&self, t: UtcMicros) -> SkyKind {
        if self.kind != SkyKind::Changing {
            return self.kind;
        }
        match self.even(((t.seconds() + self.ahead_s) / 86_400.0).floor() as i64, 7) {
            x if x < 0.5 => SkyKind::Clear,
            x if x < 0.8 => SkyKind::Broken,
            _ => SkyKind::Overcast,
        }
    }

    /// An even number between 0 and 1 for a cell and a purpose.
    fn even(&self, cell: i64, purpose: u64) -> f64 {
        hash_noise::even(self.seed, cell, purpose)
    }

    /// When a cell begins, in cells: the jitter keeps neighbours at least 0.4 cells long.
    fn border(&self, cell: i64) -> f64 {
        cell as f64 + 0.6 * self.even(cell, 1)
    }

    /// What a cell leaves of the beam: nothing taken in half of them, 0.25 to 0.9 in the others.
    fn transmission(&self, cell: i64) -> f64 {
        if self.even(cell, 2) < 0.5 { 1.0 } else { 0.25 + 0.65 * self.even(cell, 3) }
    }

    /// Cover at an instant.
    pub fn at(&self, t: UtcMicros) -> Cover {
        match self.kind_at(t) {
            SkyKind::Clear | SkyKind::Changing => Cover { beam: 1.0, beam_to_sky: 0.0, sky: 1.0 },
            SkyKind::Broken => self.broken(t.seconds() / self.cell_s),
            SkyKind::Overcast => {
                // Knots every five minutes, smooth between: 0.10 to 0.45 of the cloudless light.
                let place = t.seconds() / 300.0;
                let cell = place.floor();
                let share = place - cell;
                let smooth = share * share * (3.0 - 2.0 * share);
                let (a, b) = (self.even(cell as i64, 4), self.even(cell as i64 + 1, 4));
                let level = 0.10 + 0.35 * (a + (b - a) * smooth);
                Cover { beam: 0.0, beam_to_sky: level, sky: level }
            }
        }
    }

    fn broken(&self, place: f64) -> Cover {
        let mut cell = place.floor() as i64;
        if place < self.border(cell) {
            cell -= 1;
        }
        let mut beam = self.transmission(cell);
        let mut glow: f64 = 0.0;
        for border_of in [cell, cell + 1] {
            let (before, after) = (self.transmission(border_of - 1), self.transmission(border_of));
            let away_s = (place - self.border(border_of)) * self.cell_s;
            // The edge passes in 10 to 30 s.
            let edge_s = 10.0 + 20.0 * self.even(border_of, 5);
            if away_s.abs() < 0.5 * edge_s {
                beam = before + (after - before) * (away_s / edge_s + 0.5);
            }
            // On the clear side of an edge the cloud's bright flank adds up to a fifth.
            let clear_s = if before < 1.0 && after == 1.0 { away_s } else { -away_s };
            if (before < 1.0) != (after < 1.0) && clear_s > 0.0 {
                let from_s = 0.5 * edge_s;
                let rise = (clear_s / from_s).min(1.0);
                let fall = (1.0 - (clear_s - from_s).max(0.0) / 20.0).max(0.0);
                glow = glow.max(0.2 * self.even(border_of, 6) * rise * fall);
            }
        }
        Cover { beam, beam_to_sky: SCATTERED * (1.0 - beam) + glow, sky: 1.0 + glow }
    }

    /// Mean cover over a span, by midpoints of steps of at most half a second.
    pub fn mean(&self, start: UtcMicros, length_s: f64) -> Cover {
        let steps = (length_s / STEP_S).ceil().clamp(1.0, 240.0);
        let mut sum = Cover::default();
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

    /// Identity: over a day the stated range is filled and never left, and the mood changes every few minutes.
    #[test]
    fn broken_clouds_stay_in_their_range_and_change_within_minutes() {
        let clouds = Clouds::new(SkyKind::Broken, 3, 180.0);
        let covers: Vec<Cover> = (0..86_400).map(|s| clouds.at(START.plus_seconds(f64::from(s)))).collect();
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

    /// Identity: any order of questions gets the same answers, another seed others.
    #[test]
    fn the_weather_is_a_function_of_time() {
        let clouds = Clouds::new(SkyKind::Broken, 3, 180.0);
        let times: Vec<UtcMicros> = (0..500).map(|i| START.plus_seconds(f64::from(i) * 7.3)).collect();
        let forth: Vec<Cover> = times.iter().map(|t| clouds.at(*t)).collect();
        let mut back: Vec<Cover> = times.iter().rev().map(|t| clouds.at(*t)).collect();
        back.reverse();
        assert_eq!(forth, back);
        let other = Clouds::new(SkyKind::Broken, 4, 180.0);
        assert!(times.iter().zip(&forth).filter(|(t, c)| other.at(**t) != **c).count() > 250);
    }

    /// Identity: under a closed deck there is no beam and the level moves slowly.
    #[test]
    fn an_overcast_sky_has_no_beam() {
        let clouds = Clouds::new(SkyKind::Overcast, 3, 180.0);
        for s in 0..5000 {
            let (a, b) = (clouds.at(START.plus_seconds(f64::from(s))), clouds.at(START.plus_seconds(f64::from(s + 1))));
            assert!(a.beam == 0.0 && (0.1..=0.45).contains(&a.sky) && (a.sky - b.sky).abs() < 0.002);
        }
    }
}
