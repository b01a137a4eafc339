//! The settings on which daily figures depend.

use super::calendar::{self, DayBounds};
use crate::clock::{UtcMicros, zone_name};
use crate::config::{DailyConfig, Station, StationKind, in_window};
use crate::sun::{self, Place};
use jiff::civil::Date;
use jiff::tz::TimeZone;

/// Version of the computation of figures; a change makes stored figures recomputed.
const VERSION: u32 = 4;
/// Elevation of the sun below which the sky is treated as dark [degrees]: the end of civil twilight, with a PPFD of about 0.1
/// µmol m⁻² s⁻¹ (3.4 lx: bevy_light 0.20.1, `light_consts::lux::CIVIL_TWILIGHT`).
pub(super) const DARK_BELOW_DEG: f64 = -6.0;
/// Resolution of the times at which darkness begins and ends [µs].
const BORDER: i64 = 1_000_000;
/// Step of the search for darkness [µs]; the sun crosses the limit at most twice a day.
const STEP: i64 = 600_000_000;
const MINUTE: i64 = 60_000_000;

/// Everything on which daily figures depend other than readings.
#[derive(Clone, Debug, PartialEq)]
pub struct Rules {
    /// Kind of the station.
    pub kind: StationKind,
    /// Location.
    pub place: Place,
    /// Time zone.
    pub time_zone: TimeZone,
    /// Start of the day, in local standard time [s after midnight].
    pub day_starts_at_s: u32,
    /// Schedule of the lamps in local clock time [s after midnight]; empty if unknown.
    pub lamps_s: Vec<(u32, u32)>,
    /// The section `[daily]`.
    pub days: DailyConfig,
}

impl Rules {
    /// The rules of a station.
    pub fn of(s: &Station) -> Self {
        Self {
            kind: s.kind,
            place: s.place,
            time_zone: s.time_zone.clone(),
            day_starts_at_s: s.day_starts_at_s,
            lamps_s: s.lamps_s.clone(),
            days: s.days,
        }
    }

    /// The rules as text; figures computed under equal texts are equal.
    pub fn text(&self) -> String {
        let Place { latitude_deg, longitude_deg, altitude_m } = self.place;
        let DailyConfig { interpolate_up_to_s, photoperiod_ppfd, hours_above_ppfd } = self.days;
        serde_json::json!({
            "version": VERSION, "kind": self.kind.name(), "place": [latitude_deg, longitude_deg, altitude_m],
            "time_zone": zone_name(&self.time_zone), "day_starts_at_s": self.day_starts_at_s, "lamps_s": self.lamps_s,
            "interpolate_up_to_s": interpolate_up_to_s, "photoperiod_ppfd": photoperiod_ppfd, "hours_above_ppfd": hours_above_ppfd,
        })
        .to_string()
    }

    /// Description of the rules for users, one rule per line.
    pub fn description(&self) -> Vec<String> {
        let clock = |s: u32| format!("{:02}:{:02}", s / 3600, s / 60 % 60);
        let DailyConfig { interpolate_up_to_s, photoperiod_ppfd, hours_above_ppfd } = self.days;
        let mut lines = vec![
            format!("days from {} in the standard time of {}", clock(self.day_starts_at_s), zone_name(&self.time_zone)),
            format!(
                "light is interpolated over at most {} min without a reading; a longer gap makes a day partial",
                interpolate_up_to_s / 60.0
            ),
            format!("photoperiod above {photoperiod_ppfd}, hours above {hours_above_ppfd} umol m-2 s-1 of ppfd"),
        ];
        if self.kind == StationKind::Roof {
            lines.push(format!(
                "without readings, light is taken as zero while the sun is below {DARK_BELOW_DEG} degrees"
            ));
        }
        if !self.lamps_s.is_empty() {
            let spans: Vec<String> = self.lamps_s.iter().map(|(a, b)| format!("{}-{}", clock(*a), clock(*b))).collect();
            lines.push(format!("lamps on {} local clock time", spans.join(" and ")));
        }
        lines
    }

    /// The day that contains an instant.
    pub fn day_of(&self, t: UtcMicros) -> DayBounds {
        calendar::day_of(&self.time_zone, self.day_starts_at_s, t)
    }

    /// The day of a date.
    pub fn day_on(&self, date: Date) -> DayBounds {
        calendar::day_on(&self.time_zone, self.day_starts_at_s, date)
    }

    /// Range of readings that a day depends on: the day and the interpolation time on either side.
    pub fn reads(&self, day: &DayBounds) -> (UtcMicros, UtcMicros) {
        let margin = self.interpolate_up_to_us();
        (UtcMicros(day.starts.0.saturating_sub(margin)), UtcMicros(day.ends.0.saturating_add(margin).saturating_add(1)))
    }

    pub(super) fn interpolate_up_to_us(&self) -> i64 {
        (self.days.interpolate_up_to_s * 1e6).round() as i64
    }

    /// Whether the lamps are on by schedule.
    pub(super) fn lamps_on(&self, t: i64) -> bool {
        let local = UtcMicros(t).local_second(&self.time_zone);
        self.lamps_s.iter().any(|w| in_window(*w, local))
    }

    /// Periods of `from <= t < to` with lamps on by schedule, in whole minutes of UTC.
    pub(super) fn lamps_within(&self, from: i64, to: i64) -> Vec<(i64, i64)> {
        if self.lamps_s.is_empty() {
            return Vec::new();
        }
        periods(from, to, MINUTE, |t| self.lamps_on(t))
    }

    /// Periods of `from <= t < to` that are dark independent of readings: the sun is below [`DARK_BELOW_DEG`], and no lamp is on,
    /// which is known under the open sky or from the schedule.
    pub(super) fn dark_within(&self, from: i64, to: i64) -> Vec<(i64, i64)> {
        if !self.kind.sunlit() || (self.kind != StationKind::Roof && self.lamps_s.is_empty()) {
            return Vec::new();
        }
        let down = |t: i64| sun::position(self.place, UtcMicros(t)).is_some_and(|s| s.elevation_deg < DARK_BELOW_DEG);
        let mut dark = periods(from, to, STEP, down);
        for (a, b) in &mut dark {
            // A period begins at the first dark step and ends at the first step that is not dark.
            if *a > from {
                *a = bisect(*a - STEP, *a, |t| !down(t)).1;
            }
            if *b < to {
                *b = bisect(*b - STEP, *b, down).0;
            }
        }
        let lit = self.lamps_within(from, to);
        dark.into_iter().flat_map(|d| without(d, &lit)).filter(|(a, b)| a < b).collect()
    }
}

/// Periods in which a condition holds, evaluated in steps.
fn periods(from: i64, to: i64, step: i64, holds: impl Fn(i64) -> bool) -> Vec<(i64, i64)> {
    let mut found: Vec<(i64, i64)> = Vec::new();
    let mut t = from;
    while t < to {
        // Steps are multiples since 1970, so that adjacent ranges agree.
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

/// Bisection: the last instant at which a condition holds and the first at which it does not, given a single change.
fn bisect(mut yes: i64, mut no: i64, holds: impl Fn(i64) -> bool) -> (i64, i64) {
    while no - yes > BORDER {
        let middle = yes + (no - yes) / 2;
        if holds(middle) { yes = middle } else { no = middle }
    }
    (yes, no)
}

/// The parts of a period outside others, which are in order.
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
