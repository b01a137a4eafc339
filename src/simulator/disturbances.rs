//! Disturbances in the field: soiling and rain, cleaning, snow, birds, dew, tilt, loss of response, wavelength shift, dark current.
//!
//! Pure: their effect at an instant is a function of settings, seed and that instant. They do not change the truth, which is the
//! light before the optic.

use super::faults::time;
use super::hash_noise::uniform;
use crate::clock::UtcMicros;
use crate::sun::Sun;
use serde::Deserialize;

const DAY_S: f64 = 86_400.0;

/// A kind of disturbance.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum DisturbanceKind {
    /// Soiling absorbs a further `share` of the light every day; rain (on `rain_share` of the days) washes off `washed` of it.
    Soiling,
    /// All soiling is removed at `from`.
    Cleaning,
    /// Snow on the optic: `share` of the light is lost and the rest is scattered.
    Snow,
    /// A bird on the optic: `share` of the light is lost.
    Bird,
    /// Dew from before sunrise until it has dried: up to `share` of the light is lost, and part of the beam is scattered.
    Dew,
    /// The optic is tilted by `degrees` towards `azimuth_deg`.
    Tilt,
    /// Permanent loss of `share` of the response, at once or linearly until `until`.
    ResponseLoss,
    /// Permanent shift of the wavelength scale by `nm`, at once or linearly until `until`.
    WavelengthShift,
    /// Dark current multiplied by `factor`.
    DarkCurrent,
}

/// One disturbance (`[[disturbance]]` of a simulator file).
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Disturbance {
    /// Its kind.
    pub kind: DisturbanceKind,
    /// Its start (RFC 3339); absent: from the beginning.
    #[serde(default, deserialize_with = "time")]
    pub from: Option<UtcMicros>,
    /// Its end (RFC 3339); absent: no end. Linear losses and shifts stay after it.
    #[serde(default, deserialize_with = "time")]
    pub until: Option<UtcMicros>,
    /// Share of the light [1], where the kind has one.
    #[serde(default)]
    pub share: f64,
    /// `soiling`: share of days on which it rains [1].
    #[serde(default)]
    pub rain_share: f64,
    /// `soiling`: share of the soiling that rain washes off [1].
    #[serde(default = "most")]
    pub washed: f64,
    /// `tilt`: angle [degrees].
    #[serde(default)]
    pub degrees: f64,
    /// `tilt`: azimuth, from north through east [degrees].
    #[serde(default)]
    pub azimuth_deg: f64,
    /// `wavelength_shift`: shift [nm]; positive: pixels receive longer wavelengths than before.
    #[serde(default)]
    pub nm: f64,
    /// `dark_current`: factor [1].
    #[serde(default = "double")]
    pub factor: f64,
}

fn most() -> f64 {
    0.8
}

fn double() -> f64 {
    2.0
}

impl Disturbance {
    /// A disturbance of a kind from an instant on, with defaults otherwise.
    pub fn new(kind: DisturbanceKind, from: UtcMicros) -> Self {
        Self {
            kind,
            from: Some(from),
            until: None,
            share: 0.0,
            rain_share: 0.0,
            washed: most(),
            degrees: 0.0,
            azimuth_deg: 0.0,
            nm: 0.0,
            factor: double(),
        }
    }

    fn has_started(&self, t: UtcMicros) -> bool {
        self.from.is_none_or(|from| t >= from)
    }

    fn is_active(&self, t: UtcMicros) -> bool {
        self.has_started(t) && self.until.is_none_or(|until| t < until)
    }

    /// Share of a linear loss or shift that is reached at `t` [1].
    fn progress(&self, t: UtcMicros) -> f64 {
        match (self.from, self.until) {
            (Some(from), Some(until)) if until > from => (t.seconds_since(from) / until.seconds_since(from)).min(1.0),
            _ => 1.0,
        }
    }

    pub(super) fn check(&self, i: usize, range: &mut impl FnMut(&str, f64, f64, f64)) {
        range(&format!("disturbance[{i}].share"), self.share, 0.0, 1.0);
        range(&format!("disturbance[{i}].rain_share"), self.rain_share, 0.0, 1.0);
        range(&format!("disturbance[{i}].washed"), self.washed, 0.0, 1.0);
        range(&format!("disturbance[{i}].degrees"), self.degrees, 0.0, 45.0);
        range(&format!("disturbance[{i}].azimuth_deg"), self.azimuth_deg, 0.0, 360.0);
        range(&format!("disturbance[{i}].nm"), self.nm, -20.0, 20.0);
        range(&format!("disturbance[{i}].factor"), self.factor, 0.0, 1e4);
    }
}

/// Effect of all disturbances at an instant.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Effect {
    /// Share of the beam that arrives as beam [1].
    pub beam: f64,
    /// Share of the beam that arrives as diffuse light [1].
    pub beam_to_sky: f64,
    /// Share of the diffuse light that arrives [1].
    pub sky: f64,
    /// Response relative to its initial value [1].
    pub response: f64,
    /// Shift of the wavelength scale [nm].
    pub shift_nm: f64,
    /// Dark current relative to its initial value [1].
    pub dark: f64,
}

/// All disturbances of a station.
#[derive(Clone, Debug, Default)]
pub struct Disturbances {
    list: Vec<Disturbance>,
    seed: u64,
}

impl Disturbances {
    /// Disturbances with the seed of the rain.
    pub fn new(list: Vec<Disturbance>, seed: u64) -> Self {
        Self { list, seed }
    }

    /// Whether there are no disturbances.
    pub fn is_empty(&self) -> bool {
        self.list.is_empty()
    }

    /// Effect at an instant for a position of the sun; `None` where it is not known.
    pub fn at(&self, t: UtcMicros, sun: Option<Sun>) -> Effect {
        let mut effect = Effect { beam: 1.0, beam_to_sky: 0.0, sky: 1.0, response: 1.0, shift_nm: 0.0, dark: 1.0 };
        for disturbance in self.list.iter().filter(|m| m.has_started(t)) {
            match disturbance.kind {
                DisturbanceKind::Soiling => effect.attenuate(1.0 - self.soiling_loss(disturbance, t)),
                DisturbanceKind::Snow if disturbance.is_active(t) => {
                    effect.attenuate(1.0 - disturbance.share);
                    effect.scatter(1.0);
                }
                DisturbanceKind::Bird if disturbance.is_active(t) => effect.attenuate(1.0 - disturbance.share),
                DisturbanceKind::Dew if disturbance.is_active(t) => {
                    // Morning only: forms from 8° below the horizon on and has dried at 12° above.
                    let dew = sun.filter(|s| s.azimuth_deg < 180.0).map_or(0.0, |s| {
                        ((s.elevation_deg + 8.0) / 3.0).clamp(0.0, 1.0)
                            * ((12.0 - s.elevation_deg) / 8.0).clamp(0.0, 1.0)
                    });
                    effect.attenuate(1.0 - disturbance.share * dew);
                    effect.scatter(0.5 * dew);
                }
                DisturbanceKind::Tilt if disturbance.is_active(t) => {
                    if let Some(s) = sun.filter(|s| s.elevation_deg > 0.0) {
                        let (tilt, height) = (disturbance.degrees.to_radians(), s.elevation_deg.to_radians());
                        let towards = (s.azimuth_deg - disturbance.azimuth_deg).to_radians().cos();
                        let gain = tilt.cos() + tilt.sin() * towards / height.tan();
                        effect.beam *= gain.clamp(0.0, 20.0);
                    }
                    effect.sky *= 0.5 * (1.0 + disturbance.degrees.to_radians().cos());
                }
                DisturbanceKind::ResponseLoss => effect.response *= 1.0 - disturbance.share * disturbance.progress(t),
                DisturbanceKind::WavelengthShift => effect.shift_nm += disturbance.nm * disturbance.progress(t),
                DisturbanceKind::DarkCurrent if disturbance.is_active(t) => effect.dark *= disturbance.factor,
                _ => {}
            }
        }
        effect
    }

    /// Share of the light that soiling absorbs: it grows continuously, is washed off at midnight after a day of rain, and is removed
    /// by cleaning.
    fn soiling_loss(&self, soiling: &Disturbance, t: UtcMicros) -> f64 {
        let t = soiling.until.map_or(t, |until| t.min(until));
        let cleaned = self
            .list
            .iter()
            .filter(|m| m.kind == DisturbanceKind::Cleaning && m.has_started(t))
            .filter_map(|m| m.from)
            .max();
        let Some(from) = soiling.from.max(cleaned) else { return 0.0 };
        let (begin, end) = (from.seconds() / DAY_S, t.seconds() / DAY_S);
        let (mut depth, mut at) = (0.0, begin);
        let mut day = begin.floor();
        while day < end.floor() {
            depth += soiling.share * (day + 1.0 - at);
            if uniform(self.seed ^ 0x5011, day as i64, 1) < soiling.rain_share {
                depth *= 1.0 - soiling.washed;
            }
            (day, at) = (day + 1.0, day + 1.0);
        }
        // Each layer absorbs its share of the light that the others transmit.
        1.0 - (-(depth + soiling.share * (end - at).max(0.0))).exp()
    }
}

impl Effect {
    fn attenuate(&mut self, share: f64) {
        self.beam *= share;
        self.beam_to_sky *= share;
        self.sky *= share;
    }

    /// Scatters `share` of the beam.
    fn scatter(&mut self, share: f64) {
        self.beam_to_sky += self.beam * share;
        self.beam *= 1.0 - share;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(text: &str) -> UtcMicros {
        UtcMicros::parse(text).unwrap()
    }

    /// Identity: soiling grows by its share a day, cleaning removes it, rain washes off most of it.
    #[test]
    fn soiling_grows_and_is_removed_by_cleaning_and_rain() {
        let soiling =
            Disturbance { share: 0.003, ..Disturbance::new(DisturbanceKind::Soiling, at("2026-06-01T00:00:00Z")) };
        let cleaning = Disturbance::new(DisturbanceKind::Cleaning, at("2026-07-01T00:00:00Z"));
        let disturbances = Disturbances::new(vec![soiling.clone(), cleaning], 1);
        let sky = |m: &Disturbances, t: &str| m.at(at(t), None).sky;
        assert!((sky(&disturbances, "2026-06-30T12:00:00Z") - (-0.003f64 * 29.5).exp()).abs() < 1e-9);
        assert!((sky(&disturbances, "2026-07-01T12:00:00Z") - (-0.0015f64).exp()).abs() < 1e-9);
        let rainy = Disturbances::new(vec![Disturbance { rain_share: 0.3, ..soiling }], 1);
        let left: Vec<f64> = (1..30).map(|d| rainy.at(at(&format!("2026-06-{d:02}T12:00:00Z")), None).sky).collect();
        assert!(left.windows(2).filter(|w| w[1] > w[0]).count() >= 3, "rain washes: {left:?}");
        assert!(left.iter().all(|s| *s > 0.93));
    }

    /// Identity: an optic tilted to the east receives more of the morning sun and less of the evening sun.
    #[test]
    fn a_tilt_raises_the_beam_from_its_side() {
        let tilt = Disturbance {
            degrees: 3.0,
            azimuth_deg: 90.0,
            ..Disturbance::new(DisturbanceKind::Tilt, at("2026-06-01T00:00:00Z"))
        };
        let disturbances = Disturbances::new(vec![tilt], 1);
        let beam = |azimuth_deg| {
            let sun = Sun { elevation_deg: 45.0, azimuth_deg };
            disturbances.at(at("2026-06-21T12:00:00Z"), Some(sun)).beam
        };
        let (s, c) = 3.0f64.to_radians().sin_cos();
        assert!((beam(90.0) - (c + s)).abs() < 1e-12 && (beam(270.0) - (c - s)).abs() < 1e-12);
        assert!((beam(180.0) - c).abs() < 1e-12);
    }

    /// Identity: losses and shifts grow linearly and stay; other disturbances have no effect before their start and after their end.
    #[test]
    fn losses_and_shifts_stay_and_other_disturbances_end() {
        let (from, until) = (at("2026-06-01T00:00:00Z"), at("2026-07-01T00:00:00Z"));
        let loss =
            Disturbance { share: 0.1, until: Some(until), ..Disturbance::new(DisturbanceKind::ResponseLoss, from) };
        let shift = Disturbance { nm: 0.2, ..Disturbance::new(DisturbanceKind::WavelengthShift, from) };
        let snow = Disturbance { share: 0.95, until: Some(until), ..Disturbance::new(DisturbanceKind::Snow, from) };
        let disturbances = Disturbances::new(vec![loss, shift, snow], 1);
        let (before, middle, after) =
            (at("2026-05-31T00:00:00Z"), at("2026-06-16T00:00:00Z"), at("2026-08-01T00:00:00Z"));
        assert_eq!(disturbances.at(before, None), Disturbances::default().at(before, None));
        let m = disturbances.at(middle, None);
        assert!((m.response - 0.95).abs() < 1e-12 && m.shift_nm == 0.2);
        assert!(m.beam == 0.0 && (m.beam_to_sky - 0.05).abs() < 1e-12 && (m.sky - 0.05).abs() < 1e-12);
        let m = disturbances.at(after, None);
        assert!((m.response - 0.9).abs() < 1e-12 && m.shift_nm == 0.2 && m.sky == 1.0);
    }
}
