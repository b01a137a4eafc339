//! `vigilux show`: the latest readings for people, or as JSON for scripts.
//!
//! Text is made by pure functions of what was read and of the present instant.

mod computations;

use super::monitors::{MonitorState, monitor_states};
use super::source::{Archive, Named, Source};
use super::{Failure, print};
use crate::clock::{Clock, RealClock, UtcMicros};
use crate::quantities::{self, Group};
use crate::record::{Event, QuantityValue, Reading, Verdict};
use crate::store::StoredReading;
use serde_json::{Value, json};
use std::collections::BTreeMap;
use std::fmt::Write;

/// Quantities of the short list of several readings.
const KEY_QUANTITIES: [&str; 3] = ["ppfd", "illuminance", "uv_index"];

/// Arguments of `show`.
#[derive(Clone, Debug, clap::Args)]
pub struct ShowArgs {
    #[command(flatten)]
    source: Source,
    #[command(flatten)]
    named: Named,
    /// How many of the newest readings to show
    #[arg(long, value_name = "N", default_value_t = 1, value_parser = clap::value_parser!(u32).range(1..=10_000))]
    last: u32,
    /// List the computations on record instead: what made them, of which readings, where they are in force
    #[arg(long, conflicts_with_all = ["computation", "last"])]
    computations: bool,
    /// Print JSON
    #[arg(long)]
    json: bool,
}

/// Runs `show`.
pub fn run(args: ShowArgs) -> Result<(), Failure> {
    let now = RealClock::new().now();
    let archive = args.named.turn(args.source.open(now)?)?;
    if args.computations {
        return computations::run(&archive.reader, args.json);
    }
    let readings = archive.reader.latest(args.last as usize)?;
    let events = archive.reader.latest_events(1)?;
    let gaps = archive.reader.latest_gaps(1)?;
    let view = View { archive: &archive, readings: &readings, event: events.last(), gap: gaps.last(), now };
    if args.json {
        return print(&format!("{:#}\n", view.json()?));
    }
    print(&view.text()?)
}

/// Everything that is shown.
struct View<'a> {
    archive: &'a Archive,
    readings: &'a [StoredReading],
    event: Option<&'a Event>,
    gap: Option<&'a Event>,
    now: UtcMicros,
}

impl View<'_> {
    fn text(&self) -> Result<String, Failure> {
        let mut out = String::new();
        let name = self.archive.config.as_ref().map_or("a station without a known name", |c| &c.station.name);
        let counts = self.archive.reader.counts()?;
        put(
            &mut out,
            format_args!(
                "{name}: {} readings, {} darks, {} gaps on record",
                counts.readings, counts.darks, counts.gaps
            ),
        );
        match self.readings.split_last() {
            None => put(&mut out, format_args!("no reading yet")),
            Some((newest, earlier)) => {
                if !earlier.is_empty() {
                    out.push('\n');
                    self.list(&mut out, self.readings);
                }
                out.push('\n');
                self.details(&mut out, newest)?;
            }
        }
        self.saved_states(&mut out)?;
        out.push('\n');
        for (label, event) in [("last gap", self.gap), ("last event", self.event)] {
            match event {
                Some(e) => put(&mut out, format_args!("{label:<14}{}", self.event_line(e))),
                None => put(&mut out, format_args!("{label:<14}none")),
            }
        }
        Ok(out)
    }

    /// What each monitor estimate, its limit, when it last within limit and what it detection limit.
    fn saved_states(&self, out: &mut String) -> Result<(), Failure> {
        let monitor_states = monitor_states(&self.archive.reader, self.archive.config.as_ref())?;
        if !monitor_states.is_empty() {
            put(out, format_args!("\n{:<18} estimate, limit, last within limit, detection limit", "monitor"));
        }
        for MonitorState { monitor, estimate, limit, detection_limit, last_within_limit, exceeded_since, .. } in
            monitor_states
        {
            let limit = limit.map_or(String::new(), |l| format!("; limit {l}"));
            let passed = match (exceeded_since, last_within_limit) {
                (Some(since), _) => format!("PAST ITS LIMIT, in doubt since {}", self.local(since)),
                (None, Some(at)) => format!("last within limit {}", age_in_words(self.now.seconds_since(at))),
                (None, None) => "never checked yet".to_owned(),
            };
            put(out, format_args!("{monitor:<18} {estimate}{limit}; {passed}; detection limit: {detection_limit}"));
        }
        Ok(())
    }

    fn local(&self, t: UtcMicros) -> String {
        match &self.archive.config {
            Some(c) => t.to_chrono().with_timezone(&c.station.time_zone).format("%Y-%m-%d %H:%M:%S %Z").to_string(),
            None => t.to_chrono().format("%Y-%m-%d %H:%M:%S UTC").to_string(),
        }
    }

    fn event_line(&self, e: &Event) -> String {
        let cause = e.kind.cause_name().map(|c| format!(" ({c})")).unwrap_or_default();
        let until = e.until.map(|u| format!(" to {}", self.local(u))).unwrap_or_default();
        let whose = e.instrument.as_ref().map(|i| format!(", {i}")).unwrap_or_default();
        format!("{}{until}{whose}: {}{cause}: {}", self.local(e.time), e.kind.name(), e.text)
    }

    /// One line a reading.
    fn list(&self, out: &mut String, readings: &[StoredReading]) {
        let keys: Vec<usize> = KEY_QUANTITIES.iter().filter_map(|q| self.archive.reader.position(q)).collect();
        let _ = write!(out, "{:>8}  {:<25} {:>6}", "reading", "time", "sun");
        for &k in &keys {
            let _ = write!(out, "  {:>24}", self.archive.reader.quantities()[k].0);
        }
        put(out, format_args!("  flags"));
        for StoredReading { reading: r, .. } in readings {
            let sun = r.sun_elevation.map_or("-".into(), |s| format!("{s:.1}°"));
            let _ = write!(out, "{:>8}  {:<25} {sun:>6}", r.id, self.local(r.time_mid));
            for &k in &keys {
                let cell = match r.values.get(k) {
                    Some(QuantityValue::Value { value, uncertainty, verdict }) => {
                        format!("{} {}", rounded(*value, 2.0 * uncertainty), mark(*verdict))
                    }
                    _ => "null".into(),
                };
                // Verdicts are words, never colour alone.
                let _ = write!(out, "  {cell:>24}");
            }
            put(out, format_args!("  {}", names_of_flags(r)));
        }
    }

    /// Everything of one reading.
    fn details(&self, out: &mut String, stored: &StoredReading) -> Result<(), Failure> {
        let r = &stored.reading;
        let utc = match self.archive.config {
            Some(_) => r.time_mid.to_chrono().format(" (%H:%M:%S UTC)").to_string(),
            None => String::new(),
        };
        let age = age_in_words(self.now.seconds_since(r.time_end));
        put(out, format_args!("reading {}     {}{utc}, {age}", r.id, self.local(r.time_mid)));
        let calibration = match stored.made_with.calibration {
            Some(id) => self.archive.reader.calibration(id)?.map_or("not on record".into(), |c| c.name),
            None => "none in force".into(),
        };
        put(out, format_args!("{:<14}{}, calibration {calibration}", "instrument", r.instrument));
        if let Some(id) = self.archive.reader.named_computation() {
            put(out, format_args!("{:<14}as computation {id} made them, in force or not", "values"));
        }
        if let (Some(height), Some(azimuth)) = (r.sun_elevation, r.sun_azimuth) {
            let mass = r.relative_air_mass.map_or(String::new(), |m| format!(", air mass {m:.2}"));
            put(out, format_args!("{:<14}{height:.1}° high, azimuth {azimuth:.1}°{mass}", "sun"));
        }
        let mut taken: Vec<String> =
            r.exposures.iter().map(|e| format!("{} × {}", e.exposures, milliseconds(e.integration_s))).collect();
        taken.push(format!("peak_level {:.2}", r.peak_level));
        taken.extend(r.signal_to_noise.map(|s| format!("signal/noise {s:.0}")));
        taken.extend(r.detector_temperature.map(|t| format!("detector {t:.1} °C")));
        taken.extend(r.dark_age.map(|a| format!("dark {} old", span_in_words(a))));
        put(out, format_args!("{:<14}{}", "taken", taken.join(", ")));
        put(out, format_args!("{:<14}{}", "flags", names_of_flags(r)));
        let unit_width = self.archive.reader.quantities().iter().map(|q| pretty_unit(&q.1).chars().count()).max();
        let unit_width = unit_width.unwrap_or(0);
        put(
            out,
            format_args!("\n{:<28} {:>12}   {:<12} {:<unit_width$}  verdict", "quantity", "value", "U (k = 2)", "unit"),
        );
        // A database keeps its columns in the order they were added; people look for groups.
        let group_of = |id: &str| quantities::index_of(id).map(|i| quantities::registry()[i].group);
        for group in Group::ALL.into_iter().map(Some).chain([None]) {
            let ours: Vec<usize> = (0..self.archive.reader.quantities().len())
                .filter(|k| group_of(&self.archive.reader.quantities()[*k].0) == group && r.values.get(*k).is_some())
                .collect();
            if ours.is_empty() {
                continue;
            }
            put(out, format_args!("{}", group.map_or("other", Group::name)));
            if let Some(caution) = group.and_then(|g| g.caution(self.archive.source_rule())) {
                put(out, format_args!("  caution: {caution}"));
            }
            ours.into_iter().for_each(|k| self.quantity(out, r, k, unit_width));
        }
        Ok(())
    }

    /// One quantity of a reading, by its place in the database.
    fn quantity(&self, out: &mut String, r: &Reading, k: usize, unit_width: usize) {
        let (id, unit) = &self.archive.reader.quantities()[k];
        let unit = pretty_unit(unit);
        match r.values.get(k) {
            Some(QuantityValue::Value { value, uncertainty, verdict }) => {
                let expanded = 2.0 * uncertainty;
                let (value, around) = (rounded(*value, expanded), rounded(expanded, expanded));
                put(out, format_args!("{id:<28} {value:>12} ± {around:<12} {unit:<unit_width$}  {}", verdict.name()));
                if let Some(Some(w)) = r.window.get(k) {
                    let [low, high, deviation] =
                        [w.minimum, w.maximum, w.deviation].map(|x| rounded(x, expanded.max(w.deviation)));
                    put(out, format_args!("{:<28} {low} to {high}, deviation {deviation}", "  in the window"));
                }
            }
            Some(QuantityValue::Null(reason)) => {
                put(out, format_args!("{id:<28} {:>12}   {:<12} {unit:<unit_width$}  null: {reason}", "-", ""));
            }
            None => {}
        }
    }

    fn json(&self) -> Result<Value, Failure> {
        let event = |e: &Event| {
            json!({
                "time": e.time.to_string(), "until": e.until.map(|t| t.to_string()), "instrument": e.instrument,
                "kind": e.kind.name(), "cause": e.kind.cause_name(), "text": e.text,
            })
        };
        let readings: Result<Vec<Value>, Failure> = self.readings.iter().map(|r| self.reading_json(r)).collect();
        Ok(json!({
            "station": self.archive.config.as_ref().map(|c| &c.station.name),
            "database": self.archive.reader.path().to_string_lossy(),
            "cautions": self.archive.cautions().into_iter().collect::<BTreeMap<_, _>>(),
            "readings": readings?,
            "saved_states": monitor_states(&self.archive.reader, self.archive.config.as_ref())?.iter().map(MonitorState::json).collect::<Vec<_>>(),
            "last_event": self.event.map(event),
            "last_gap": self.gap.map(event),
        }))
    }

    fn reading_json(&self, stored: &StoredReading) -> Result<Value, Failure> {
        let (r, m) = (&stored.reading, stored.made_with);
        let mut quantities = serde_json::Map::new();
        for (k, (id, unit)) in self.archive.reader.quantities().iter().enumerate() {
            let mut entry = match r.values.get(k) {
                Some(QuantityValue::Value { value, uncertainty, verdict }) => json!({
                    "value": value, "uncertainty": uncertainty, "verdict": verdict.name(), "unit": unit,
                }),
                Some(QuantityValue::Null(reason)) => json!({ "value": null, "unit": unit, "reason": reason }),
                None => continue,
            };
            if let Some(Some(w)) = r.window.get(k) {
                entry["minimum"] = json!(w.minimum);
                entry["maximum"] = json!(w.maximum);
                entry["deviation"] = json!(w.deviation);
            }
            quantities.insert(id.clone(), entry);
        }
        let calibration = match m.calibration {
            Some(id) => self.archive.reader.calibration(id)?.map(|c| c.name),
            None => None,
        };
        let exposures: Vec<Value> =
            r.exposures.iter().map(|e| json!({ "integration_s": e.integration_s, "exposures": e.exposures })).collect();
        Ok(json!({
            "id": r.id, "time_start": r.time_start.to_string(), "time_mid": r.time_mid.to_string(),
            "time_end": r.time_end.to_string(), "instrument": r.instrument, "calibration": calibration,
            "configuration": m.configuration, "computation": m.computation, "sun_elevation": r.sun_elevation,
            "sun_azimuth": r.sun_azimuth, "relative_air_mass": r.relative_air_mass,
            "detector_temperature": r.detector_temperature, "exposures": exposures, "peak_level": r.peak_level,
            "signal_to_noise": r.signal_to_noise, "stray_floor": r.stray_floor, "dark_age": r.dark_age,
            "flags": r.flags.names(), "quantities": quantities,
        }))
    }
}

/// Appends a line.
pub(super) fn put(out: &mut String, line: std::fmt::Arguments<'_>) {
    // Writing to a string cannot fail. Trailing blanks come from empty last columns.
    let start = out.len();
    let _ = out.write_fmt(line);
    out.truncate(start + out[start..].trim_end().len());
    out.push('\n');
}

fn names_of_flags(r: &Reading) -> String {
    let names = r.flags.names();
    if names.is_empty() { "none".into() } else { names.join(" ") }
}

/// A verdict beside a number: nothing has to be said of a good one.
fn mark(verdict: Verdict) -> &'static str {
    match verdict {
        Verdict::Good => "good   ",
        Verdict::Suspect => "suspect",
        Verdict::Bad => "bad    ",
    }
}

/// A number with as many digits as its uncertainty allows: two of the uncertainty's.
pub(super) fn rounded(value: f64, uncertainty: f64) -> String {
    if !(uncertainty > 0.0 && uncertainty.is_finite() && value.is_finite()) {
        return format!("{value}");
    }
    let digits = 1 - uncertainty.log10().floor() as i32;
    let size = value.abs().max(uncertainty);
    if !(1e-6..1e9).contains(&size) {
        let significant = (size.log10().floor() as i32 + digits).clamp(1, 16) as usize;
        return format!("{value:.significant$e}");
    }
    if digits >= 0 {
        let text = format!("{value:.*}", digits as usize);
        // A zero has no sign.
        return if text.contains(|c| ('1'..='9').contains(&c)) { text } else { text.replace('-', "") };
    }
    let step = 10f64.powi(-digits);
    format!("{:.0}", (value / step).round() * step)
}

/// A unit as people write it: `umol m-2 s-1` becomes `µmol m⁻² s⁻¹`, and nothing stands for 1.
pub(super) fn pretty_unit(unit: &str) -> String {
    if unit == "1" {
        return String::new();
    }
    let raised = |c: char| match c {
        '-' => '⁻',
        '1' => '¹',
        '2' => '²',
        '3' => '³',
        other => other,
    };
    let words = unit.split(' ').map(|word| {
        let word = if let Some(rest) = word.strip_prefix("umol") { format!("µmol{rest}") } else { word.to_owned() };
        word.chars().map(raised).collect::<String>()
    });
    words.collect::<Vec<_>>().join(" ")
}

/// An integration time, without zeros that say nothing.
fn milliseconds(seconds: f64) -> String {
    let (number, unit) = if seconds < 1.0 { (seconds * 1e3, "ms") } else { (seconds, "s") };
    let text = format!("{number:.3}");
    format!("{} {unit}", text.trim_end_matches('0').trim_end_matches('.'))
}

fn span_in_words(seconds: f64) -> String {
    match seconds {
        s if s < 120.0 => format!("{s:.0} s"),
        s if s < 7200.0 => format!("{:.0} min", s / 60.0),
        s if s < 172_800.0 => format!("{:.1} h", s / 3600.0),
        s => format!("{:.1} d", s / 86_400.0),
    }
}

fn age_in_words(seconds: f64) -> String {
    if seconds < -1.0 {
        return format!("{} ahead of this machine's clock", span_in_words(-seconds));
    }
    format!("{} ago", span_in_words(seconds.max(0.0)))
}

#[cfg(test)]
mod tests {
    use super::super::example_archive::archive;
    use super::*;

    /// Identity: two digits of the uncertainty are kept, whatever the size.
    #[test]
    fn a_number_shows_the_digits_its_uncertainty_allows() {
        for (value, uncertainty, want) in [
            (1234.5678, 24.0, "1235"),
            (1234.5678, 240.0, "1230"),
            (7.0361, 0.42, "7.04"),
            (-0.0004, 0.01, "0.000"),
            (98_765.4, 1900.0, "98800"),
            (2.5e-8, 1.2e-9, "2.50e-8"),
            (0.25, 0.0, "0.25"),
            (0.25, f64::NAN, "0.25"),
        ] {
            assert_eq!(rounded(value, uncertainty), want, "{value} ± {uncertainty}");
        }
    }

    /// Identity: units keep their meaning.
    #[test]
    fn a_unit_is_written_as_people_do() {
        assert_eq!(pretty_unit("umol m-2 s-1"), "µmol m⁻² s⁻¹");
        assert_eq!(pretty_unit("W m-2"), "W m⁻²");
        assert_eq!((pretty_unit("1"), pretty_unit("lx")), (String::new(), "lx".to_owned()));
    }

    /// Identity: an age is told in the unit that suits it, also when the clocks disagree.
    #[test]
    fn an_age_is_told_in_words() {
        assert_eq!(age_in_words(35.2), "35 s ago");
        assert_eq!(age_in_words(5400.0), "90 min ago");
        assert_eq!(age_in_words(864_000.0), "10.0 d ago");
        assert_eq!(age_in_words(-3_600.0), "60 min ahead of this machine's clock");
    }

    fn view<'a>(archive: &'a Archive, readings: &'a [StoredReading]) -> View<'a> {
        View { archive, readings, event: None, gap: None, now: UtcMicros::parse("2026-06-21T12:02:35.5Z").unwrap() }
    }

    /// Identity: the newest reading with units, expanded uncertainty, verdicts and reasons in words.
    #[test]
    fn the_newest_reading_is_shown_with_units_uncertainty_and_verdicts() {
        let (_folder, archive) = archive(true);
        let readings = archive.reader.latest(2).unwrap();
        let text = view(&archive, &readings).text().unwrap();
        for want in [
            "a station without a known name: 3 readings, 0 darks, 0 gaps on record",
            "       2  2026-06-21 12:01:00 UTC    -3.2°              -0.1 suspect  warming low_sun",
            "reading 3     2026-06-21 12:02:00 UTC, 35 s ago",
            "instrument    roof, head, calibration lab-7",
            "taken         4 × 50 ms, 1 × 5 s, peak_level 0.50, detector 0.0 °C, dark 60 s old",
            "flags         warming low_sun",
            "plants",
            "ppfd                                 -0.1 ± 1.0          µmol m⁻² s⁻¹  suspect",
            "  in the window              1.5 to 2.5, deviation 0.2",
            "cct                                     -                K             null: too little \"light\", it says",
            "last gap      none",
        ] {
            assert!(text.lines().any(|l| l == want), "no line `{want}` in\n{text}");
        }
        assert!(!text.contains("caution"), "nothing ultraviolet is on record");
        let empty = view(&archive, &[]).text().unwrap();
        assert!(empty.contains("no reading yet"), "{empty}");
    }

    /// Identity: names and forms in JSON are interface.
    #[test]
    fn json_carries_the_columns_with_units_and_flags_by_name() {
        let (_folder, archive) = archive(false);
        let readings = archive.reader.latest(1).unwrap();
        let json = view(&archive, &readings).json().unwrap();
        let r = &json["readings"][0];
        assert_eq!((&r["id"], &r["time_mid"]), (&json!(3), &json!("2026-06-21T12:02:00Z")));
        assert_eq!(r["flags"], json!(["warming", "low_sun"]));
        assert_eq!(
            r["quantities"]["ppfd"],
            json!({ "value": -0.125, "uncertainty": 0.5, "verdict": "suspect", "unit": "umol m-2 s-1" })
        );
        assert_eq!(
            r["quantities"]["cct"],
            json!({ "value": null, "unit": "K", "reason": "too little \"light\", it says" })
        );
        assert_eq!(r["exposures"][1], json!({ "integration_s": 5.0, "exposures": 1 }));
    }
}
