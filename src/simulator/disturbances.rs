//! What befalls the head and the box between two visits: dirt and rain, snow, birds, dew, a wipe, a tilt, ageing, a knock.
//!
//! Pure: what holds at an instant is a function of the settings, the seed and that instant. The truth is the light before the
//! head, so nothing here changes it.

use super::faults::time;
use super::hash_noise::even;
use crate::clock::UtcMicros;
use crate::sun::Sun;
use serde::Deserialize;

const DAY_S: f64 = 86_400.0;

/// A kind of disturbance.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum DisturbanceKind {
    /// Dirt takes `share` of the light more every day; rain (on `rain_share` of the days) washes `washed` of it off.
    Soiling,
    /// All dirt is wiped off at `from`.
    Wipe,
    /// Snow lies on the optic: `share` of the light is lost and the rest is scattered.
    Snow,
    /// Something sits on the optic: `share` of the light is lost.
    Bird,
    /// Dew from before sunrise until it has dried: up to `share` of the light is lost, beam is scattered.
    Dew,
    /// The head leans by `degrees` towards `azimuth_deg`.
    Tilt,
    /// `share` of the response is lost, at once or evenly until `until`, and stays lost.
    ResponseLoss,
    /// The wavelength scale moves by `nm`, at once or evenly until `until`, and stays there.
    WavelengthShift,
    /// Dark current is `factor` times what it was.
    DarkCurrent,
}

/// One disturbance (bench file: `[[disturbance]]`).
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Disturbance {
    /// What happens.
    pub kind: DisturbanceKind,
    /// From then on (RFC 3339); absent: from the beginning.
    #[serde(default, deserialize_with = "time")]
    pub from: Option<UtcMicros>,
    /// Until then (RFC 3339); absent: for ever. What is lost evenly until then stays lost.
    #[serde(default, deserialize_with = "time")]
    pub until: Option<UtcMicros>,
    /// Share of the light [1], where the kind has one.
    #[serde(default)]
    pub share: f64,
    /// `soiling`: share of days on which it rains [1].
    #[serde(default)]
    pub rain_share: f64,
    /// `soiling`: share of the dirt that rain takes off [1].
    #[serde(default = "most")]
    pub washed: f64,
    /// `tilt`: by how much [degrees].
    #[serde(default)]
    pub degrees: f64,
    /// `tilt`: whereto, from north through east [degrees].
    #[serde(default)]
    pub azimuth_deg: f64,
    /// `wavelength_shift`: by how much [nm]; positive: pixels look at longer waves than before.
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
    /// A disturbance with nothing but its kind and beginning.
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

    fn begun(&self, t: UtcMicros) -> bool {
        self.from.is_none_or(|from| t >= from)
    }

    fn lasts(&self, t: UtcMicros) -> bool {
        self.begun(t) && self.until.is_none_or(|until| t < until)
    }

    /// How far a loss that comes evenly has come [1].
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

/// What holds at an instant.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Toll {
    /// Share of the beam that arrives as beam [1].
    pub beam: f64,
    /// Share of the beam that arrives as light from everywhere [1].
    pub beam_to_sky: f64,
    /// Share of the sky's light that arrives [1].
    pub sky: f64,
    /// Response over what it was [1].
    pub response: f64,
    /// Shift of the wavelength scale [nm].
    pub shift_nm: f64,
    /// Dark current over what it was [1].
    pub dark: f64,
}

/// All disturbances of a bench.
#[derive(Clone, Debug, Default)]
pub struct Disturbances {
    list: Vec<Disturbance>,
    seed: u64,
}

impl Disturbances {
    /// Disturbances with the seed of their weather.
    pub fn new(list: Vec<Disturbance>, seed: u64) -> Self {
        Self { list, seed }
    }

    /// Whether anything may befall it.
    pub fn is_empty(&self) -> bool {
        self.list.is_empty()
    }

    /// What holds at an instant, with the sun there; `None` where there is no sun to speak of.
    pub fn at(&self, t: UtcMicros, sun: Option<Sun>) -> Toll {
        let mut toll = Toll { beam: 1.0, beam_to_sky: 0.0, sky: 1.0, response: 1.0, shift_nm: 0.0, dark: 1.0 };
        for disturbance in self.list.iter().filter(|m| m.begun(t)) {
            match disturbance.kind {
                DisturbanceKind::Soiling => toll.dim(1.0 - self.dirt(disturbance, t)),
                DisturbanceKind::Snow if disturbance.lasts(t) => {
                    toll.dim(1.0 - disturbance.share);
                    toll.scatter(1.0);
                }
                DisturbanceKind::Bird if disturbance.lasts(t) => toll.dim(1.0 - disturbance.share),
                DisturbanceKind::Dew if disturbance.lasts(t) => {
                    // It lies from 8° below the horizon on and has dried at 12° above, in the morning alone.
                    let dew = sun.filter(|s| s.azimuth_deg < 180.0).map_or(0.0, |s| {
                        ((s.elevation_deg + 8.0) / 3.0).clamp(0.0, 1.0)
                            * ((12.0 - s.elevation_deg) / 8.0).clamp(0.0, 1.0)
                    });
                    toll.dim(1.0 - disturbance.share * dew);
                    toll.scatter(0.5 * dew);
                }
                DisturbanceKind::Tilt if disturbance.lasts(t) => {
                    if let Some(s) = sun.filter(|s| s.elevation_deg > 0.0) {
                        let (lean, height) = (disturbance.degrees.to_radians(), s.elevation_deg.to_radians());
                        let towards = (s.azimuth_deg - disturbance.azimuth_deg).to_radians().cos();
                        let gain = lean.cos() + lean.sin() * towards / height.tan();
                        toll.beam *= gain.clamp(0.0, 20.0);
                    }
                    toll.sky *= 0.5 * (1.0 + disturbance.degrees.to_radians().cos());
                }
                DisturbanceKind::ResponseLoss => toll.response *= 1.0 - disturbance.share * disturbance.progress(t),
                DisturbanceKind::WavelengthShift => toll.shift_nm += disturbance.nm * disturbance.progress(t),
                DisturbanceKind::DarkCurrent if disturbance.lasts(t) => toll.dark *= disturbance.factor,
                _ => {}
            }
        }
        toll
    }

    /// Share of the light that the dirt takes: it grows by the hour, is washed off at midnight after a day of rain, and
    /// wiped off by a wipe.
    fn dirt(&self, soiling: &Disturbance, t: UtcMicros) -> f64 {
        let t = soiling.until.map_or(t, |until| t.min(until));
        let wiped =
            self.list.iter().filter(|m| m.kind == DisturbanceKind::Wipe && m.begun(t)).filter_map(|m| m.from).max();
        let Some(from) = soiling.from.max(wiped) else { return 0.0 };
        let (begin, end) = (from.seconds() / DAY_S, t.seconds() / DAY_S);
        let (mut depth, mut at) = (0.0, begin);
        let mut day = begin.floor();
        while day < end.floor() {
            depth += soiling.share * (day + 1.0 - at);
            if even(self.seed ^ 0x5011, day as i64, 1) < soiling.rain_share {
                depth *= 1.0 - soiling.washed;
            }
            (day, at) = (day + 1.0, day + 1.0);
        }
        // Each layer takes its share of what the ones below let through.
        1.0 - (-(depth + soiling.share * (end - at).max(0.0))).exp()
    }
}

impl Toll {
    fn dim(&mut self, share: f64) {
        self.beam *= share;
        self.beam_to_sky *= share;
        self.sky *= share;
    }

    /// `share` of the beam is scattered.
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

    /// Identity: dirt grows by its share a day, a wipe takes it off, rain washes most of it away.
    #[test]
    fn dirt_builds_up_and_is_wiped_and_washed_off() {
        let dirty =
            Disturbance { share: 0.003, ..Disturbance::new(DisturbanceKind::Soiling, at("2026-06-01T00:00:00Z")) };
        let wiped = Disturbance::new(DisturbanceKind::Wipe, at("2026-07-01T00:00:00Z"));
        let disturbances = Disturbances::new(vec![dirty.clone(), wiped], 1);
        let sky = |m: &Disturbances, t: &str| m.at(at(t), None).sky;
        assert!((sky(&disturbances, "2026-06-30T12:00:00Z") - (-0.003f64 * 29.5).exp()).abs() < 1e-9);
        assert!((sky(&disturbances, "2026-07-01T12:00:00Z") - (-0.0015f64).exp()).abs() < 1e-9);
        let rainy = Disturbances::new(vec![Disturbance { rain_share: 0.3, ..dirty }], 1);
        let left: Vec<f64> = (1..30).map(|d| rainy.at(at(&format!("2026-06-{d:02}T12:00:00Z")), None).sky).collect();
        assert!(left.windows(2).filter(|w| w[1] > w[0]).count() >= 3, "rain washes: {left:?}");
        assert!(left.iter().all(|s| *s > 0.93));
    }

    /// Identity: a head that leans to the east sees more of the morning sun and less of the evening one.
    #[test]
    fn a_leaning_head_favours_its_side() {
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

    /// Identity: losses and shifts come evenly and stay; before and after their time the others leave no trace.
    #[test]
    fn what_is_lost_evenly_stays_lost_and_what_passes_leaves_no_trace() {
        let (from, until) = (at("2026-06-01T00:00:00Z"), at("2026-07-01T00:00:00Z"));
        let loss =
            Disturbance { share: 0.1, until: Some(until), ..Disturbance::new(DisturbanceKind::ResponseLoss, from) };
        let knock = Disturbance { nm: 0.2, ..Disturbance::new(DisturbanceKind::WavelengthShift, from) };
        let snow = Disturbance { share: 0.95, until: Some(until), ..Disturbance::new(DisturbanceKind::Snow, from) };
        let disturbances = Disturbances::new(vec![loss, knock, snow], 1);
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
