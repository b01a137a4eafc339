//! `vigilux status`: is the daemon running, does it measure, and how is it, in at most eight lines for one instrument.
//!
//! Asks the daemon over its socket, and the database for everything that is stored. Exit status: 0 the daemon measures, 1 it runs and does not
//! measure, 3 it does not run.

use super::format::{duration, pretty_unit, put, rounded};
use super::monitors::monitor_states;
use super::source::{Archive, Source};
use super::{Failure, print};
use crate::acquisition::status_socket;
use crate::archive::daily;
use crate::calibration::file::parse_stored;
use crate::clock::{Clock, RealClock, UtcMicros};
use crate::record::QuantityValue;
use crate::summary::{Figure, Rules};
use jiff::tz::TimeZone;
use serde_json::{Value, json};

/// Newest readings of the station that are looked through for the last good value and the calibration in use.
const LOOKED_THROUGH: usize = 60;
/// Width of the first column [characters].
const LABEL: usize = 11;
/// A calibration that ends within so many days is worth a word.
const ENDS_SOON_DAYS: f64 = 30.0;

/// Arguments of `status`.
#[derive(Clone, Debug, clap::Args)]
pub struct StatusArgs {
    #[command(flatten)]
    source: Source,
    /// Print JSON
    #[arg(long)]
    json: bool,
}

/// What the daemon does.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum State {
    Measuring,
    NotMeasuring,
    NotRunning,
}

impl State {
    /// The state, from the daemon's answer. It measures while every instrument is connected and readings reach the database.
    fn of(daemon: Option<&Value>) -> Self {
        let Some(daemon) = daemon else { return Self::NotRunning };
        let instruments = daemon["instruments"].as_array().map_or(&[][..], Vec::as_slice);
        let measures = |i: &Value| i["serial"].is_string() && i["queued"] == json!(0);
        if !instruments.is_empty() && instruments.iter().all(measures) { Self::Measuring } else { Self::NotMeasuring }
    }
    fn exit_status(self) -> u8 {
        match self {
            Self::Measuring => 0,
            Self::NotMeasuring => 1,
            Self::NotRunning => 3,
        }
    }
    fn name(self) -> &'static str {
        match self {
            Self::Measuring => "measuring",
            Self::NotMeasuring => "not_measuring",
            Self::NotRunning => "not_running",
        }
    }
}

/// Runs `status`.
pub fn run(args: &StatusArgs) -> Result<(), Failure> {
    let now = RealClock::new().now();
    let database = args.source.database(now)?;
    let archive = args.source.open(now)?;
    let daemon = status_socket::ask(&database)
        .map_err(|e| Failure::from_error(&status_socket::path_of(&database).display().to_string(), &e))?;
    let state = State::of(daemon.as_ref());
    // A daemon in compressed time has a clock of its own.
    let now = daemon.as_ref().and_then(|d| instant(&d["now"])).unwrap_or(now);
    let view = View { archive: &archive, daemon: daemon.as_ref(), state, now };
    if args.json {
        super::print_json(&view.json()?)?;
    } else {
        print(&view.text()?)?;
    }
    if state == State::Measuring { archive.finish() } else { Err(Failure::Status(state.exit_status())) }
}

/// Appends text beside its label, in lines of the usual width.
fn labelled(out: &mut String, label: &str, text: &str) {
    for (k, line) in super::wrapped_to(text, 0, super::WIDTH - LABEL - 1).lines().enumerate() {
        put(out, format_args!("{:<LABEL$} {line}", if k == 0 { label } else { "" }));
    }
}

fn instant(value: &Value) -> Option<UtcMicros> {
    UtcMicros::parse(value.as_str()?).ok()
}

/// The last reading of an instrument with a good key quantity: its time, and those quantities as text.
struct LastGood {
    time: UtcMicros,
    values: Vec<(String, f64, f64)>,
}

struct View<'a> {
    archive: &'a Archive,
    daemon: Option<&'a Value>,
    state: State,
    now: UtcMicros,
}

impl View<'_> {
    fn zone(&self) -> TimeZone {
        self.archive.config.as_ref().map_or(TimeZone::UTC, |c| c.station.time_zone.clone())
    }

    fn local(&self, t: UtcMicros) -> String {
        t.in_zone(&self.zone()).strftime("%Y-%m-%d %H:%M").to_string()
    }

    fn text(&self) -> Result<String, Failure> {
        let mut out = String::new();
        let station = self.archive.config.as_ref().map_or("station", |c| c.station.name.as_str());
        out += &super::wrapped(&format!("{station}: {} ({})", self.sentence()?, self.zone_name()), 0);
        for name in self.archive.instruments(None)? {
            self.instrument(&mut out, &name)?;
        }
        labelled(&mut out, "monitors", &self.monitors()?);
        labelled(&mut out, "calibration", &self.calibrations()?.join("; "));
        if let Some(line) = self.disk() {
            labelled(&mut out, "disk", &line);
        }
        Ok(out)
    }

    fn zone_name(&self) -> String {
        format!("times: {}", self.zone().iana_name().unwrap_or("UTC"))
    }

    /// What the daemon does, since when and why.
    fn sentence(&self) -> Result<String, Failure> {
        let Some(daemon) = self.daemon else {
            let last = self.archive.reader.newest_start_or_stop()?;
            let stopped = last.filter(|e| e.kind == crate::record::EventKind::Stopped);
            return Ok(match stopped {
                Some(event) => format!("the daemon does not run, stopped {}", self.local(event.time)),
                None => "the daemon does not run, and was not stopped".into(),
            });
        };
        let instruments = daemon["instruments"].as_array().map_or(&[][..], Vec::as_slice);
        let next = instruments.iter().filter_map(|i| instant(&i["next"])).min();
        let in_time = next
            .map_or(String::new(), |t| format!("; next reading in {}", duration(t.seconds_since(self.now).max(0.0))));
        if self.state == State::Measuring {
            let since = instant(&daemon["started"]).map_or(String::new(), |t| format!(" since {}", self.local(t)));
            return Ok(format!("measuring{since}{in_time}"));
        }
        let why: Vec<String> = instruments
            .iter()
            .filter_map(|i| {
                let name = i["instrument"].as_str().unwrap_or_default();
                let fault = i["last_fault"]["text"].as_str();
                let at = instant(&i["last_fault"]["time"]).map_or(String::new(), |t| format!(" ({})", self.local(t)));
                match (i["serial"].is_string(), i["queued"].as_u64()) {
                    (false, _) => {
                        Some(format!("{name} has no instrument: {}{at}", fault.unwrap_or("not connected yet")))
                    }
                    (true, Some(n)) if n > 0 => {
                        Some(format!("the database cannot be written, {n} readings of {name} wait in memory"))
                    }
                    _ => None,
                }
            })
            .collect();
        Ok(format!("running, not measuring: {}", why.join("; ")))
    }

    fn instrument(&self, out: &mut String, name: &str) -> Result<(), Failure> {
        let values = match self.last_good(name)? {
            None => format!("no good value of a key quantity in the last {LOOKED_THROUGH} readings"),
            Some(last) => {
                let unit = |id: &str| {
                    let at = self.archive.reader.position(id);
                    at.map_or(String::new(), |at| pretty_unit(&self.archive.reader.quantities()[at].1))
                };
                let each: Vec<String> = last
                    .values
                    .iter()
                    .map(|(id, value, u)| {
                        let unit = unit(id);
                        let unit = if unit.is_empty() { unit } else { format!(" {unit}") };
                        format!("{id} {} ± {}{unit}", rounded(*value, 2.0 * u), rounded(2.0 * u, 2.0 * u))
                    })
                    .collect();
                format!("last good {}: {}", self.local(last.time), each.join(", "))
            }
        };
        labelled(out, name, &values);
        if let Some(day) = self.today(name)? {
            labelled(out, "", &format!("today so far {day}"));
        }
        Ok(())
    }

    fn last_good(&self, instrument: &str) -> Result<Option<LastGood>, Failure> {
        let keys = super::verdict_line::keys_of(self.archive.config.as_ref());
        for stored in self.archive.reader.latest(LOOKED_THROUGH)?.iter().rev() {
            if stored.reading.instrument != instrument {
                continue;
            }
            let of_key = |id: &&str| {
                let value = stored.reading.values.get(self.archive.reader.position(id)?)?;
                match value {
                    QuantityValue::Value { value: v, uncertainty, .. } if value.is_good() => {
                        Some(((*id).to_owned(), *v, *uncertainty))
                    }
                    _ => None,
                }
            };
            let values: Vec<_> = keys.iter().filter_map(of_key).collect();
            if !values.is_empty() {
                return Ok(Some(LastGood { time: stored.reading.time_mid, values }));
            }
        }
        Ok(None)
    }

    /// Light integral and dose of the running day.
    fn today(&self, instrument: &str) -> Result<Option<String>, Failure> {
        let Some(config) = &self.archive.config else { return Ok(None) };
        let rules = Rules::of(&config.station);
        let day = rules.day_of(self.now);
        let days = daily::days(&self.archive.reader, &rules, instrument, day.starts, day.ends)?;
        let Some(day) = days.first() else { return Ok(None) };
        let light = match day.figures.get("light_integral") {
            Some(Figure::Value { value, uncertainty: Some(u), .. }) => {
                format!("{} ± {} mol m⁻²", rounded(*value, 2.0 * u), rounded(2.0 * u, 2.0 * u))
            }
            _ => return Ok(None),
        };
        let dose = day.figures.get("erythemal_dose_sed").and_then(Figure::value);
        let dose = dose.map_or(String::new(), |d| format!(", {d:.1} SED"));
        Ok(Some(format!("{light}{dose}, {} readings", day.readings)))
    }

    fn monitors(&self) -> Result<String, Failure> {
        let states = monitor_states(&self.archive.reader, self.archive.config.as_ref())?;
        let beyond: Vec<String> = states
            .iter()
            .filter_map(|m| {
                m.exceeded_since
                    .map(|t| format!("{} of {} beyond its limit since {}", m.monitor, m.instrument, self.local(t)))
            })
            .collect();
        Ok(match (states.len(), beyond.is_empty()) {
            (0, _) => "no estimate yet".into(),
            (_, true) => "all within their limits".into(),
            (_, false) => beyond.join("; "),
        })
    }

    /// The calibration that each instrument used last, with its end.
    fn calibrations(&self) -> Result<Vec<String>, Failure> {
        let mut newest = std::collections::BTreeMap::new();
        for stored in self.archive.reader.latest(LOOKED_THROUGH)? {
            newest.extend(stored.made_with.calibration.map(|row| (stored.reading.instrument, row)));
        }
        let mut used = Vec::new();
        for row in newest.into_values() {
            if let Some(stored) = self.archive.reader.calibration(row)? {
                let end = parse_stored(&stored.text, None).ok().and_then(|c| c.end());
                used.push(format!("{}{}", stored.name, self.end_of_validity(end)));
            }
        }
        Ok(if used.is_empty() { vec!["none has been used yet".into()] } else { used })
    }

    fn end_of_validity(&self, end: Option<UtcMicros>) -> String {
        let Some(end) = end else { return ", no end stated".into() };
        let word = match end.seconds_since(self.now) / 86_400.0 {
            days if days < 0.0 => ": has ended",
            days if days < ENDS_SOON_DAYS => ": ends soon",
            _ => "",
        };
        format!(" until {}{word}", self.local(end))
    }

    fn disk(&self) -> Option<String> {
        let instrument = self.daemon?["instruments"].get(0)?;
        let free = instrument["free_bytes"].as_f64()? / 1e9;
        let below = instrument["below_free_space_floor"] == json!(true);
        Some(format!("{free:.1} GB free{}", if below { ", below the floor" } else { "" }))
    }

    fn json(&self) -> Result<Value, Failure> {
        let mut instruments = Vec::new();
        for name in self.archive.instruments(None)? {
            let last = self.last_good(&name)?.map(|last| {
                let values: serde_json::Map<String, Value> = last
                    .values
                    .iter()
                    .map(|(id, value, u)| (id.clone(), json!({"value": value, "expanded_uncertainty": 2.0 * u})))
                    .collect();
                json!({"time": last.time.to_string(), "values": values})
            });
            instruments.push(json!({"instrument": name, "last_good": last}));
        }
        let monitors: Vec<Value> =
            monitor_states(&self.archive.reader, self.archive.config.as_ref())?.iter().map(|m| m.json()).collect();
        Ok(json!({
            "state": self.state.name(), "explanation": self.sentence()?, "now": self.now.to_string(), "daemon": self.daemon,
            "instruments": instruments, "monitors": monitors, "calibrations": self.calibrations()?,
        }))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::cli::example_archive;

    fn daemon(serial: Value, queued: u64) -> Value {
        json!({
            "started": "2026-06-21T11:00:00Z", "now": "2026-06-21T12:02:48Z",
            "instruments": [{
                "instrument": "roof, head", "serial": serial, "queued": queued, "next": "2026-06-21T12:03:00Z",
                "last_fault": {"time": "2026-06-21T12:01:00Z", "text": "nothing came"}, "free_bytes": 12_300_000_000u64,
            }],
        })
    }

    fn view(daemon: Option<&Value>) -> String {
        let (_folder, archive) = example_archive::archive(false);
        let now = UtcMicros::parse("2026-06-21T12:02:48Z").unwrap();
        let text = View { archive: &archive, daemon, state: State::of(daemon), now }.text().unwrap();
        assert!(text.lines().count() <= 8 && text.lines().all(|l| l.chars().count() <= 80), "{text}");
        text
    }

    #[test]
    fn the_state_follows_from_connection_and_storage() {
        let states =
            [Some(daemon(json!("EX-1"), 0)), Some(daemon(Value::Null, 0)), Some(daemon(json!("EX-1"), 3)), None];
        let found = states.map(|d| State::of(d.as_ref()).exit_status());
        assert_eq!(found, [0, 1, 1, 3]);
        assert_eq!(State::of(Some(&json!({"instruments": []}))), State::NotMeasuring);
    }

    #[test]
    fn a_state_is_said_with_since_when_and_why() {
        let measuring = view(Some(&daemon(json!("EX-1"), 0)));
        assert!(
            measuring.starts_with("station: measuring since 2026-06-21 11:00; next reading in 12 s (times: UTC)\n")
        );
        assert!(
            measuring.contains("disk        12.3 GB free\n") && measuring.contains("no estimate yet"),
            "{measuring}"
        );
        assert!(
            measuring.contains("roof, head  no good value of a key quantity in the last 60 readings\n"),
            "{measuring}"
        );
        let one_line = |text: String| text.split_whitespace().collect::<Vec<_>>().join(" ");
        let absent = one_line(view(Some(&daemon(Value::Null, 0))));
        let why = "running, not measuring: roof, head has no instrument: nothing came (2026-06-21 12:01)";
        assert!(absent.contains(why), "{absent}");
        let full = one_line(view(Some(&daemon(json!("EX-1"), 3))));
        assert!(full.contains("the database cannot be written, 3 readings of roof, head wait in memory"), "{full}");
        assert!(view(None).starts_with("station: the daemon does not run, and was not stopped (times: UTC)\n"));
    }
}
