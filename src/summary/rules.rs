//! By which settings figures of days are made: what of the configuration bears on them.

use super::calendar::{self, DayBounds};
use crate::clock::UtcMicros;
use crate::config::{DailyConfig, Station, StationKind, in_window};
use crate::sun::{self, Place};
use chrono::{NaiveDate, Timelike};

/// Raised whenever the program makes figures otherwise, so that older ones are made anew.
const VERSION: u32 = 1;
/// Elevation of the sun below which the open sky counts as dark [degrees]: the end of civil twilight, where some 0.1 µmol
/// m⁻² s⁻¹ are left (3.4 lx: bevy_light 0.20.1, `light_consts::lux::CIVIL_TWILIGHT`).
pub(super) const DARK_BELOW_DEG: f64 = -6.0;
/// How closely the border between light and dark is found [µs].
const BORDER: i64 = 1_000_000;
/// The sun is looked at so often [µs]; it crosses the border at most twice in a day.
const STEP: i64 = 600_000_000;
const MINUTE: i64 = 60_000_000;

/// What figures of days depend on beside the readings.
#[derive(Clone, Debug, PartialEq)]
pub struct Rules {
    /// What lights the station.
    pub kind: StationKind,
    /// Where it is.
    pub place: Place,
    /// Its time zone.
    pub time_zone: crate::zone::Zone,
    /// Start of the day, in local standard time [s after midnight].
    pub day_starts_at_s: u32,
    /// When lamps shine, by the clock on the wall [s after midnight]; empty where that is not known.
    pub lamps_s: Vec<(u32, u32)>,
    /// The rest.
    pub days: DailyConfig,
}

impl Rules {
    /// Those of a station.
    pub fn of(s: &Station) -> Self {
        Self {
            kind: s.kind,
            place: s.place,
            time_zone: s.time_zone,
            day_starts_at_s: s.day_starts_at_s,
            lamps_s: s.lamps_s.clone(),
            days: s.days,
        }
    }

    /// All of it as text: figures made under equal texts are the same.
    pub fn text(&self) -> String {
        let Place { latitude_deg, longitude_deg, altitude_m } = self.place;
        let DailyConfig { interpolate_up_to_s, photoperiod_ppfd, hours_above_ppfd } = self.days;
        serde_json::json!({
            "version": VERSION, "kind": self.kind.name(), "place": [latitude_deg, longitude_deg, altitude_m],
            "time_zone": self.time_zone.name(), "day_starts_at_s": self.day_starts_at_s, "lamps_s": self.lamps_s,
            "interpolate_up_to_s": interpolate_up_to_s, "photoperiod_ppfd": photoperiod_ppfd, "hours_above_ppfd": hours_above_ppfd,
        })
        .to_string()
    }

    /// What people have to know of them beside the figures, a line each.
    pub fn in_words(&self) -> Vec<String> {
        let clock = |s: u32| format!("{:02}:{:02}", s / 3600, s / 60 % 60);
        let DailyConfig { interpolate_up_to_s, photoperiod_ppfd, hours_above_ppfd } = self.days;
        let mut lines = vec![
            format!("days from {} in the standard time of {}", clock(self.day_starts_at_s), self.time_zone.name()),
            format!(
                "light is taken as straight over at most {} min without a reading; a longer gap makes a day partial",
                interpolate_up_to_s / 60.0
            ),
            format!("photoperiod above {photoperiod_ppfd}, hours above {hours_above_ppfd} umol m-2 s-1 of ppfd"),
        ];
        if self.kind == StationKind::Roof {
            lines.push(format!("where nobody looks while the sun is below {DARK_BELOW_DEG} degrees it is dark"));
        }
        if !self.lamps_s.is_empty() {
            let spans: Vec<String> = self.lamps_s.iter().map(|(a, b)| format!("{}-{}", clock(*a), clock(*b))).collect();
            lines.push(format!("lamps shine {} by the clock on the wall", spans.join(" and ")));
        }
        lines
    }

    /// The day an instant lies in.
    pub fn day_of(&self, t: UtcMicros) -> DayBounds {
        calendar::day_of(self.time_zone, self.day_starts_at_s, t)
    }

    /// The day of a date.
    pub fn day_on(&self, date: NaiveDate) -> DayBounds {
        calendar::day_on(self.time_zone, self.day_starts_at_s, date)
    }

    /// Which readings bear on a day: those within it, and as far beyond it as light is bridged.
    pub fn reads(&self, day: &DayBounds) -> (UtcMicros, UtcMicros) {
        let bridge = self.bridge_us();
        (UtcMicros(day.starts.0.saturating_sub(bridge)), UtcMicros(day.ends.0.saturating_add(bridge).saturating_add(1)))
    }

    pub(super) fn bridge_us(&self) -> i64 {
        (self.days.interpolate_up_to_s * 1e6).round() as i64
    }

    /// Whether the lamps' schedule has them shine.
    pub(super) fn lamps_on(&self, t: i64) -> bool {
        let local = UtcMicros(t).to_chrono().with_timezone(&self.time_zone).time().num_seconds_from_midnight();
        self.lamps_s.iter().any(|w| in_window(*w, local))
    }

    /// The stretches of `from <= t < to` in which the schedule has lamps shine; on whole minutes of UTC.
    pub(super) fn lamps_within(&self, from: i64, to: i64) -> Vec<(i64, i64)> {
        if self.lamps_s.is_empty() {
            return Vec::new();
        }
        stretches(from, to, MINUTE, |t| self.lamps_on(t))
    }

    /// The stretches of `from <= t < to` that are dark whether or not anybody looks: the sun is below [`DARK_BELOW_DEG`], and
    /// no lamp shines, which is known under the open sky or by the lamps' schedule.
    pub(super) fn dark_within(&self, from: i64, to: i64) -> Vec<(i64, i64)> {
        if !self.kind.sunlit() || (self.kind != StationKind::Roof && self.lamps_s.is_empty()) {
            return Vec::new();
        }
        let down = |t: i64| sun::position(self.place, UtcMicros(t)).is_some_and(|s| s.elevation_deg < DARK_BELOW_DEG);
        let mut dark = stretches(from, to, STEP, down);
        for (a, b) in &mut dark {
            // A stretch begins at the first look that found it dark, and ends at the first that did not.
            if *a > from {
                *a = border(*a - STEP, *a, |t| !down(t)).1;
            }
            if *b < to {
                *b = border(*b - STEP, *b, down).0;
            }
        }
        let lit = self.lamps_within(from, to);
        dark.into_iter().flat_map(|d| without(d, &lit)).filter(|(a, b)| a < b).collect()
    }
}

/// Where something holds, looked at in steps from `from` on.
fn stretches(from: i64, to: i64, step: i64, holds: impl Fn(i64) -> bool) -> Vec<(i64, i64)> {
    let mut found: Vec<(i64, i64)> = Vec::new();
    let mut t = from;
    while t < to {
        // Looks lie on whole steps since 1970, so that neighbouring stretches agree.
        let next = ((t.div_euclid(step) + 1) * step).min(to);
        if holds(t) {
            match found.last_mut() {
                Some(last) if last.1 == t => last.1 = next,
                _ => found.push((t, next)),
            }
        }
        t = next;
    }
    found
}

/// The last instant at which something holds and the first at which it does not, given that it changes once.
fn border(mut yes: i64, mut no: i64, holds: impl Fn(i64) -> bool) -> (i64, i64) {
    while no - yes > BORDER {
        let middle = yes + (no - yes) / 2;
        if holds(middle) { yes = middle } else { no = middle }
    }
    (yes, no)
}

/// What is left of a stretch outside others, which are in order.
fn without((mut a, b): (i64, i64), others: &[(i64, i64)]) -> Vec<(i64, i64)> {
    let mut left = Vec::new();
    for &(c, d) in others {
        if c > a {
            left.push((a, c.min(b)));
        }
        a = a.max(d);
        if a >= b {
            return left;
        }
    }
    left.push((a, b));
    left
}
