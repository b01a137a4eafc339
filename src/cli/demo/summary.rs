//! Summary of the demo, with commands to continue.

use super::super::format::{fixed, signed};
use super::super::wrapped;
use super::site;
use crate::clock::UtcMicros;
use crate::config::{Config, StationKind};
use crate::quality::key_quantities;
use crate::quantities;
use crate::record::{Event, EventKind, Reading, Verdict};
use std::collections::BTreeMap;
use std::path::Path;

/// Longest interval over which the light integral interpolates [s].
const INTERPOLATE_UP_TO_S: f64 = 900.0;
/// Quantities whose largest error is shown: identifier, unit, and the value below which the error is absolute instead of relative.
const COMPARED: [(&str, &str, f64); 3] =
    [("ppfd", "µmol m⁻² s⁻¹", 20.0), ("illuminance", "lx", 1000.0), ("uv_index", "", 2.5)];

/// Quantities with the most doubtful values that are listed.
const MOST_DOUBTFUL: usize = 3;

/// Counts over the demo.
#[derive(Default)]
pub struct Tally {
    readings: u64,
    gaps: BTreeMap<&'static str, u64>,
    refused: u64,
    flags: BTreeMap<&'static str, u64>,
    verdicts: BTreeMap<(&'static str, &'static str), u64>,
    /// Readings whose key values are all good.
    good_readings: u64,
    /// Number of doubtful values of each quantity.
    doubtful: BTreeMap<&'static str, u64>,
    largest_errors: BTreeMap<&'static str, LargestError>,
    light_integral: f64,
    last_ppfd: Option<(UtcMicros, f64)>,
    peak_uv: Option<(f64, UtcMicros)>,
}

/// The good value with the largest error.
struct LargestError {
    /// Error relative to the larger of the truth and the quantity's floor [1].
    relative: f64,
    error: f64,
    truth: f64,
    time: UtcMicros,
}

impl Tally {
    /// Counts a reading; `truth` has the true value of each quantity in the order of the registry.
    pub fn reading(&mut self, reading: &Reading, truth: Option<&[Option<f64>]>) {
        self.readings += 1;
        for flag in reading.flags.names() {
            *self.flags.entry(flag).or_insert(0) += 1;
        }
        for (q, value) in quantities::registry().iter().zip(&reading.values) {
            if value.verdict().is_some_and(|verdict| verdict != Verdict::Good) {
                *self.doubtful.entry(q.id).or_insert(0) += 1;
            }
        }
        let is_good = |id: &&str| quantities::index_of(id).is_some_and(|q| reading.values[q].is_good());
        self.good_readings += u64::from(key_quantities(StationKind::Roof).iter().all(is_good));
        for (id, _, floor) in COMPARED {
            let Some(q) = quantities::index_of(id) else { continue };
            let verdict = reading.values[q].verdict().map_or("null", Verdict::name);
            *self.verdicts.entry((id, verdict)).or_insert(0) += 1;
            if let (true, Some(value), Some(Some(truth))) =
                (reading.values[q].is_good(), reading.values[q].value(), truth.map(|t| t[q]))
            {
                let error = value - truth;
                let relative = error.abs() / truth.abs().max(floor);
                if self.largest_errors.get(id).is_none_or(|w| relative > w.relative) {
                    self.largest_errors.insert(id, LargestError { relative, error, truth, time: reading.time_mid });
                }
            }
        }
        let good = |id| {
            let value = &reading.values[quantities::index_of(id)?];
            value.value().filter(|_| value.is_good())
        };
        if let Some(ppfd) = good("ppfd") {
            if let Some((then, before)) = self.last_ppfd {
                let interval_s = reading.time_mid.seconds_since(then);
                if interval_s > 0.0 && interval_s <= INTERPOLATE_UP_TO_S {
                    self.light_integral += 0.5 * (ppfd + before) * interval_s * 1e-6;
                }
            }
            self.last_ppfd = Some((reading.time_mid, ppfd));
        }
        if let Some(uv) = good("uv_index")
            && self.peak_uv.is_none_or(|(peak, _)| uv > peak)
        {
            self.peak_uv = Some((uv, reading.time_mid));
        }
    }

    /// Counts an event; each extension of a gap is one more missed reading.
    pub fn event(&mut self, event: &Event) {
        match event.kind {
            EventKind::Gap(cause) => *self.gaps.entry(cause.name()).or_insert(0) += 1,
            EventKind::DarkRefused => self.refused += 1,
            _ => {}
        }
    }

    /// The summary.
    pub fn report(&self, dir: &Path, config: &Config) -> String {
        let mut text = String::new();
        let mut line = |label: &str, value: String| text.push_str(&format!("  {label:<29}{value}\n"));
        let zone = &config.station.time_zone;
        let at = |t: UtcMicros| t.in_zone(zone).strftime("%H:%M").to_string();
        let list = |counts: &BTreeMap<&'static str, u64>, none: &str| match counts.len() {
            0 => none.to_owned(),
            _ => counts.iter().map(|(name, n)| format!("{name} {n}")).collect::<Vec<_>>().join(", "),
        };
        line("readings stored", self.readings.to_string());
        line("with all key values good", self.good_readings.to_string());
        line("gaps by cause", list(&self.gaps, "none"));
        line("flags by count", list(&self.flags, "none"));
        for (id, _, _) in COMPARED {
            let of = |verdict| self.verdicts.get(&(id, verdict)).copied().unwrap_or(0);
            line(
                &format!("{id} verdicts"),
                format!("good {}, suspect {}, bad {}, none {}", of("good"), of("suspect"), of("bad"), of("null")),
            );
        }
        let mut doubtful: Vec<(&str, u64)> = self.doubtful.iter().map(|(id, n)| (*id, *n)).collect();
        doubtful.sort_by_key(|(_, n)| std::cmp::Reverse(*n));
        doubtful.truncate(MOST_DOUBTFUL);
        let doubtful: Vec<String> = doubtful.iter().map(|(id, n)| format!("{id} {n}")).collect();
        line("doubtful most often", if doubtful.is_empty() { "none".to_owned() } else { doubtful.join(", ") });
        line("darks refused", self.refused.to_string());
        line("daily light integral", format!("{} mol m⁻² d⁻¹ (good readings only)", fixed(self.light_integral, 2)));
        line("peak UV index", self.peak_uv.map_or("none".into(), |(uv, t)| format!("{} at {}", fixed(uv, 1), at(t))));
        for (id, unit, floor) in COMPARED {
            let text = self.largest_errors.get(id).map_or("no good value".to_owned(), |w| {
                let error = if w.truth.abs() < floor {
                    format!("{} {unit}", signed(w.error, 3)).trim_end().to_owned()
                } else {
                    format!("{} %", signed(100.0 * w.error / w.truth, 2))
                };
                format!("{error} at {}, true value {} {unit}", at(w.time), fixed(w.truth, 2)).trim_end().to_owned()
            });
            line(&format!("largest error of {id}"), text);
        }
        let here = dir.display();
        format!(
            "Summary of the day:\n{text}\
             \n{}\
             \nThe database is {here}/{db}. To continue:\n  \
             vigilux show --database {here}/{db}\n  \
             vigilux daily --database {here}/{db}\n  \
             vigilux export --database {here}/{db} --format csv --output day.csv\n  \
             vigilux check --config {here}/station.toml\n\
             A station of your own starts from the files in config/.\n",
            wrapped(&format!("Ultraviolet: {}.", super::caution()), 0),
            db = site::DATABASE
        )
    }
}
