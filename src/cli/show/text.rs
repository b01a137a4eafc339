//! The latest readings as text.

use super::View;
use crate::cli::Failure;
use crate::cli::format::{age, duration, fixed, integration_time, pretty_unit, put, rounded, shown};
use crate::cli::monitors::{MonitorState, monitor_states};
use crate::cli::verdict_line::{keys_of, verdict_line};
use crate::clock::UtcMicros;
use crate::quantities::{Group, index_of, registry};
use crate::record::{Event, QuantityValue, Reading, Verdict};
use crate::store::StoredReading;
use jiff::tz::TimeZone;
use std::fmt::Write;

impl View<'_> {
    /// Everything that is shown.
    pub(super) fn text(&self) -> Result<String, Failure> {
        let mut out = String::new();
        let name = shown(self.archive.config.as_ref().map_or("a station without a known name", |c| &c.station.name));
        let counts = self.archive.reader.counts()?;
        put(
            &mut out,
            format_args!("{name}: {} readings, {} darks, {} gaps stored", counts.readings, counts.darks, counts.gaps),
        );
        match self.readings.split_last() {
            None => put(&mut out, format_args!("no reading yet")),
            Some((newest, earlier)) => {
                if !earlier.is_empty() {
                    out.push('\n');
                    self.list(&mut out);
                }
                out.push('\n');
                self.context(&mut out, newest)?;
                self.quantities(&mut out, &newest.reading);
            }
        }
        self.monitors(&mut out)?;
        out.push('\n');
        for (label, event) in [("last gap", self.gap), ("last event", self.event)] {
            match event {
                Some(e) => put(&mut out, format_args!("{label:<14}{}", self.event_line(e))),
                None => put(&mut out, format_args!("{label:<14}none")),
            }
        }
        Ok(out)
    }

    /// Estimate, limit and detection limit of each monitor.
    fn monitors(&self, out: &mut String) -> Result<(), Failure> {
        let states = monitor_states(&self.archive.reader, self.archive.config.as_ref())?;
        if !states.is_empty() {
            put(out, format_args!("\n{:<18} estimate, limit, last within limit, detection limit", "monitor"));
        }
        for MonitorState { monitor, estimate, limit, detection_limit, last_within_limit, exceeded_since, .. } in states
        {
            let limit = limit.map_or(String::new(), |l| format!("; limit {l}"));
            let state = match (exceeded_since, last_within_limit) {
                (Some(since), _) => format!("LIMIT EXCEEDED, values flagged since {}", self.local(since)),
                (None, Some(at)) => format!("last within limit {}", age(self.now.seconds_since(at))),
                (None, None) => "not checked yet".to_owned(),
            };
            put(out, format_args!("{monitor:<18} {estimate}{limit}; {state}; detection limit: {detection_limit}"));
        }
        Ok(())
    }

    /// An instant in the station's time zone, or in UTC where the zone is not known.
    fn local(&self, t: UtcMicros) -> String {
        match &self.archive.config {
            Some(c) => t.in_zone(&c.station.time_zone).strftime("%Y-%m-%d %H:%M:%S %Z").to_string(),
            None => t.in_zone(&TimeZone::UTC).strftime("%Y-%m-%d %H:%M:%S UTC").to_string(),
        }
    }

    fn event_line(&self, e: &Event) -> String {
        let cause = e.kind.cause_name().map(|c| format!(" ({c})")).unwrap_or_default();
        let until = e.until.map(|u| format!(" to {}", self.local(u))).unwrap_or_default();
        let instrument = e.instrument.as_ref().map(|i| format!(", {}", shown(i))).unwrap_or_default();
        format!("{}{until}{instrument}: {}{cause}: {}", self.local(e.time), e.kind.name(), shown(&e.text))
    }

    /// One line for each reading.
    fn list(&self, out: &mut String) {
        let reader = &self.archive.reader;
        let keys: Vec<usize> =
            keys_of(self.archive.config.as_ref()).iter().filter_map(|q| reader.position(q)).collect();
        let _ = write!(out, "{:>8}  {:<25} {:>6}", "reading", "time", "sun");
        for &k in &keys {
            let _ = write!(out, "  {:>24}", reader.quantities()[k].0);
        }
        put(out, format_args!("  flags"));
        for StoredReading { reading: r, .. } in self.readings {
            let sun = r.sun_elevation.map_or("-".into(), |s| format!("{}°", fixed(s, 1)));
            let _ = write!(out, "{:>8}  {:<25} {sun:>6}", r.id, self.local(r.time_mid));
            for &k in &keys {
                let cell = match r.values.get(k) {
                    Some(QuantityValue::Value { value, uncertainty, verdict }) => {
                        format!("{} {}", rounded(*value, 2.0 * uncertainty), padded(*verdict))
                    }
                    _ => "null".into(),
                };
                let _ = write!(out, "  {cell:>24}");
            }
            put(out, format_args!("  {}", flags(r)));
        }
    }

    /// Time, instrument, sun and exposures of a reading.
    fn context(&self, out: &mut String, stored: &StoredReading) -> Result<(), Failure> {
        let r = &stored.reading;
        let utc = match self.archive.config {
            Some(_) => r.time_mid.in_zone(&TimeZone::UTC).strftime(" (%H:%M:%S UTC)").to_string(),
            None => String::new(),
        };
        let age = age(self.now.seconds_since(r.time_end));
        put(out, format_args!("reading {}     {}{utc}, {age}", r.id, self.local(r.time_mid)));
        let calibration = match stored.made_with.calibration {
            Some(id) => self.archive.reader.calibration(id)?.map_or("not stored".into(), |c| c.name),
            None => "none active".into(),
        };
        let (instrument, calibration) = (shown(&r.instrument), shown(&calibration));
        put(out, format_args!("{:<14}{instrument}, calibration {calibration}", "instrument"));
        if let Some(id) = self.archive.reader.named_computation() {
            put(out, format_args!("{:<14}of computation {id}, active or not", "values"));
        }
        if let (Some(height), Some(azimuth)) = (r.sun_elevation, r.sun_azimuth) {
            let mass = r.relative_air_mass.map_or(String::new(), |m| format!(", air mass {m:.2}"));
            let (height, azimuth) = (fixed(height, 1), fixed(azimuth, 1));
            put(out, format_args!("{:<14}elevation {height}°, azimuth {azimuth}°{mass}", "sun"));
        }
        let mut exposures: Vec<String> =
            r.exposures.iter().map(|e| format!("{} × {}", e.exposures, integration_time(e.integration_s))).collect();
        exposures.push(format!("peak level {:.2}", r.peak_level));
        exposures.extend(r.signal_to_noise.map(|s| format!("signal/noise {s:.0}")));
        exposures.extend(r.detector_temperature.map(|t| format!("detector {} °C", fixed(t, 1))));
        exposures.extend(r.dark_age.map(|a| format!("dark {} old", duration(a))));
        put(out, format_args!("{:<14}{}", "exposures", exposures.join(", ")));
        put(out, format_args!("{:<14}{}", "flags", flags(r)));
        Ok(())
    }

    /// All quantities of a reading by group; the database holds them in the order in which they were added.
    fn quantities(&self, out: &mut String, r: &Reading) {
        let known = self.archive.reader.quantities();
        let unit_width = known.iter().map(|q| pretty_unit(&q.1).chars().count()).max().unwrap_or(0);
        put(
            out,
            format_args!("\n{:<28} {:>12}   {:<12} {:<unit_width$}  verdict", "quantity", "value", "U (k = 2)", "unit"),
        );
        let group_of = |id: &str| index_of(id).map(|at| registry()[at].group);
        for group in Group::ALL.into_iter().map(Some).chain([None]) {
            let members: Vec<usize> =
                (0..known.len()).filter(|k| group_of(&known[*k].0) == group && r.values.get(*k).is_some()).collect();
            if members.is_empty() {
                continue;
            }
            put(out, format_args!("{}", group.map_or("other", Group::name)));
            if let Some(caution) = group.and_then(|g| g.caution(self.archive.source_rule())) {
                put(out, format_args!("  caution: {caution}"));
            }
            members.into_iter().for_each(|k| self.quantity(out, r, k, unit_width));
        }
        put(out, format_args!("\n{}", self.verdicts(r)));
    }

    /// The verdicts of a reading in one line.
    pub(super) fn verdicts(&self, r: &Reading) -> String {
        let ids = self.archive.reader.quantities().iter().map(|(id, _)| id.as_str());
        verdict_line(ids, r, keys_of(self.archive.config.as_ref()))
    }

    /// One quantity of a reading, by its position in the database.
    fn quantity(&self, out: &mut String, r: &Reading, k: usize, unit_width: usize) {
        let (id, unit) = &self.archive.reader.quantities()[k];
        let unit = pretty_unit(unit);
        match r.values.get(k) {
            Some(QuantityValue::Value { value, uncertainty, verdict }) => {
                let expanded = 2.0 * uncertainty;
                let (value, around) = (rounded(*value, expanded), rounded(expanded, expanded));
                let names = [&[verdict.name()][..], &r.flags_of(k).names()].concat().join(" ");
                put(out, format_args!("{id:<28} {value:>12} ± {around:<12} {unit:<unit_width$}  {names}"));
                if let Some(share) = r.uv_index_stray_share.filter(|_| id == "uv_index") {
                    let share = fixed(100.0 * share, 1);
                    put(out, format_args!("{:<28} {share} % of its signal was subtracted", "  stray light"));
                }
                if let Some(Some(w)) = r.window.get(k) {
                    let [low, high, deviation] =
                        [w.minimum, w.maximum, w.deviation].map(|x| rounded(x, expanded.max(w.deviation)));
                    put(out, format_args!("{:<28} {low} to {high}, deviation {deviation}", "  in the window"));
                }
            }
            Some(QuantityValue::Null(reason)) => {
                put(
                    out,
                    format_args!("{id:<28} {:>12}   {:<12} {unit:<unit_width$}  null: {}", "-", "", shown(reason)),
                );
            }
            None => {}
        }
    }
}

fn flags(r: &Reading) -> String {
    let names = r.flags.names();
    if names.is_empty() { "none".into() } else { names.join(" ") }
}

/// The name of a verdict, padded to a common width.
fn padded(verdict: Verdict) -> &'static str {
    match verdict {
        Verdict::Good => "good   ",
        Verdict::Suspect => "suspect",
        Verdict::Bad => "bad    ",
    }
}
