//! `vigilux check`: validates a configuration with its calibrations and summarises it.
//!
//! Uses the daemon's loader. Leaves nothing behind, and opens no port unless `--live` is given. One rule is stricter than the daemon's:
//! every instrument needs an active calibration now. The daemon continues with an expired one and flags its readings, since a
//! restart after the last day of a calibration must not end a series.

mod live;
pub(super) mod warnings;

use super::configuration::ConfigArg;
use super::{Failure, print, print_json};
use crate::calibration::{Active, Calibration, CalibrationSet};
use crate::clock::{Clock, RealClock, UtcMicros, zone_name};
use crate::config::{self, InstrumentConfig, ScheduleConfig, Setup, Station, StationKind};
use crate::dialect::limitations::{self, Limitation};
use crate::exposure::schedule::Schedule;
use crate::quantities::{SourceRule, registry};
use std::fmt::Write;
use std::path::Path;

/// Arguments of `check`.
#[derive(Debug, clap::Args)]
pub struct CheckArgs {
    #[command(flatten)]
    config: ConfigArg,
    /// Also connect each instrument: identity, pixels, wavelength scale
    #[arg(long)]
    pub live: bool,
    /// With --live, show every exchange on stderr: bytes in hexadecimal and as text, beside what was expected
    #[arg(long, requires = "live")]
    pub trace: bool,
    /// Print the result as JSON
    #[arg(long)]
    pub json: bool,
}

/// Runs `check`; diagnostics are a [`Failure::Usage`].
pub fn run(args: CheckArgs) -> Result<(), Failure> {
    let now = RealClock::new().now();
    let path = args.config.path()?;
    let setup = match config::load_strictly(&path, now) {
        Ok(setup) => setup,
        Err(diagnostics) => {
            if args.json {
                print_json(&serde_json::json!({ "valid": false, "diagnostics": diagnostics.0 }))?;
            }
            return Err(diagnostics.into());
        }
    };
    let mut summary = Summary::of(&path, &setup, now);
    if args.live {
        summary.connected = live::connect_all(&setup, args.trace)?;
    }
    if args.json {
        print_json(&summary)?
    } else {
        print(&summary.text())?
    }
    Ok(())
}

/// Summary of a valid configuration.
#[derive(Debug, serde::Serialize)]
struct Summary {
    valid: bool,
    config: String,
    station: StationSummary,
    database: String,
    instruments: Vec<InstrumentSummary>,
    /// Answers of the instruments; empty without `--live`.
    connected: Vec<live::Connected>,
    warnings: Vec<String>,
}

#[derive(Debug, serde::Serialize)]
struct StationSummary {
    name: String,
    kind: &'static str,
    latitude_deg: f64,
    longitude_deg: f64,
    altitude_m: f64,
    time_zone: String,
    mains_hz: f64,
    ultraviolet_lamps: bool,
    /// The rule of ultraviolet quantities: `sun` or `lamp`.
    source_rule: &'static str,
    /// The rule as text, with the key that decides it.
    #[serde(skip)]
    ultraviolet: &'static str,
}

#[derive(Debug, serde::Serialize)]
struct InstrumentSummary {
    name: String,
    link: String,
    baud: u32,
    dialect: String,
    /// What the dialect does not allow, and the consequence.
    limitations: Vec<Limitation>,
    serial: String,
    calibrations: Vec<CalibrationSummary>,
    cron_utc: String,
    gates: Vec<String>,
    window_s: Option<f64>,
    next: Vec<TickSummary>,
}

#[derive(Debug, serde::Serialize)]
struct CalibrationSummary {
    id: String,
    file: String,
    valid_from: String,
    /// `None` for an open end without a successor.
    valid_until: Option<String>,
    active: bool,
    calibrated_nm: (f64, f64),
    /// Quantities that need more than its range, with the range that they need [nm].
    without: Vec<(&'static str, (f64, f64))>,
}

#[derive(Debug, serde::Serialize)]
struct TickSummary {
    utc: String,
    local: String,
}

impl Summary {
    fn of(path: &Path, setup: &Setup, now: UtcMicros) -> Self {
        let config = &setup.config;
        let station = &config.station;
        let warnings = warnings::of_setup(setup, now);
        let mut instruments = Vec::new();
        for (instrument, set) in config.instruments.iter().zip(&setup.calibrations) {
            instruments.push(InstrumentSummary::of(instrument, set, station, now));
        }
        Self {
            valid: true,
            config: path.display().to_string(),
            station: StationSummary {
                name: station.name.clone(),
                kind: station.kind.name(),
                latitude_deg: station.place.latitude_deg,
                longitude_deg: station.place.longitude_deg,
                altitude_m: station.place.altitude_m,
                time_zone: zone_name(&station.time_zone).to_owned(),
                mains_hz: station.mains_hz,
                ultraviolet_lamps: station.ultraviolet_lamps,
                source_rule: station.source_rule().name(),
                ultraviolet: ultraviolet_rule(station),
            },
            database: config.store.path.display().to_string(),
            instruments,
            connected: Vec::new(),
            warnings,
        }
    }

    fn text(&self) -> String {
        let mut t = String::new();
        let s = &self.station;
        // Writing to a String cannot fail.
        let count = match self.warnings.len() {
            0 => String::new(),
            1 => ", with 1 WARNING at the end".to_owned(),
            n => format!(", with {n} WARNINGS at the end"),
        };
        let _ = writeln!(t, "{}: valid{count}\n", self.config);
        let _ = writeln!(
            t,
            "station      {} ({}), {:.4}° {}, {:.4}° {}, {} m, {}",
            s.name,
            s.kind,
            s.latitude_deg.abs(),
            if s.latitude_deg < 0.0 { "S" } else { "N" },
            s.longitude_deg.abs(),
            if s.longitude_deg < 0.0 { "W" } else { "E" },
            s.altitude_m,
            s.time_zone
        );
        let mains = if s.mains_hz == 0.0 { "none expected".into() } else { format!("at {} Hz", s.mains_hz) };
        let _ = writeln!(t, "mains light  {mains}");
        let _ = writeln!(t, "ultraviolet  {}", s.ultraviolet);
        let _ = writeln!(t, "database     {}", self.database);
        for i in &self.instruments {
            i.text(&mut t);
        }
        self.connected.iter().for_each(|instrument| t.push_str(&instrument.text()));
        for warning in &self.warnings {
            let _ = writeln!(t, "\nWARNING: {warning}");
        }
        t
    }
}

impl InstrumentSummary {
    fn of(instrument: &InstrumentConfig, set: &CalibrationSet, station: &Station, now: UtcMicros) -> Self {
        let active = match set.active(now, set.serial().unwrap_or_default()) {
            Active::Valid(calibration) => Some(calibration),
            Active::Expired(_) | Active::Missing => None,
        };
        let calibration = |(path, c): (&Path, &Calibration)| CalibrationSummary {
            id: c.id.clone(),
            file: path.display().to_string(),
            valid_from: c.valid_from.to_string(),
            valid_until: c.end().map(|t| t.to_string()),
            active: active.is_some_and(|now| now.id == c.id),
            calibrated_nm: calibrated_nm(c),
            without: not_covered(calibrated_nm(c), station.source_rule()),
        };
        let local = |t: &UtcMicros| t.in_zone(&station.time_zone).strftime("%Y-%m-%d %H:%M:%S %Z").to_string();
        let tick = |t: UtcMicros| TickSummary { utc: t.to_string(), local: local(&t) };
        Self {
            name: instrument.name.clone(),
            link: instrument.link.display().to_string(),
            baud: instrument.baud,
            dialect: instrument.dialect.name.clone(),
            limitations: limitations::of(&instrument.dialect),
            serial: set.serial().unwrap_or_default().to_owned(),
            calibrations: set.entries().map(calibration).collect(),
            cron_utc: instrument.schedule.cron.source().to_owned(),
            gates: gates(&instrument.schedule),
            window_s: instrument.schedule.window_s,
            next: Schedule::new(&instrument.schedule, station).next_three(now).into_iter().map(tick).collect(),
        }
    }

    fn text(&self, t: &mut String) {
        let _ = writeln!(t, "\ninstrument   {} on {}, {} baud, {}", self.name, self.link, self.baud, self.dialect);
        for limitation in &self.limitations {
            let _ = writeln!(t, "             no {}: {}", limitation.missing, limitation.consequence);
        }
        for c in &self.calibrations {
            let mark = if c.active { "active  " } else { "inactive" };
            let (low, high) = c.calibrated_nm;
            let _ =
                writeln!(t, "calibration  {mark}  {} for serial number {}, {low} nm to {high} nm", c.id, self.serial);
            let until = c.valid_until.as_deref().unwrap_or("the next one begins");
            let _ = writeln!(t, "             {} to {until}, {}", c.valid_from, c.file);
            for (id, (from, to)) in &c.without {
                let _ = writeln!(t, "             no {id}: it needs {from} nm to {to} nm");
            }
        }
        let gates = if self.gates.is_empty() { String::new() } else { format!(", {}", self.gates.join(", ")) };
        let shot = self.window_s.map_or_else(|| "single shots".into(), |w| format!("windows of {w} s"));
        let _ = writeln!(t, "schedule     {} (UTC){gates}; {shot}", self.cron_utc);
        for (n, tick) in self.next.iter().enumerate() {
            let _ = writeln!(t, "{:<12} {} ({})", if n == 0 { "next" } else { "" }, tick.utc, tick.local);
        }
        if self.next.is_empty() {
            let _ = writeln!(t, "next         none among the examined ticks: the gates stay closed");
        }
    }
}

/// The rule of ultraviolet quantities, and the key that decides it.
fn ultraviolet_rule(station: &Station) -> &'static str {
    match (station.kind, station.ultraviolet_lamps) {
        (StationKind::Roof, _) => "rule of the sun: integrals start at 290 nm",
        (StationKind::Glasshouse, false) => {
            "rule of the sun: integrals start at 290 nm; where lamps emit ultraviolet, set station.ultraviolet_lamps = true"
        }
        (StationKind::Glasshouse, true) => {
            "rule of lamps, by station.ultraviolet_lamps: integrals need the whole range of each weighting"
        }
        (StationKind::Lamp, _) => "rule of lamps: integrals need the whole range of each weighting",
    }
}

/// Range covered by both the response and the wavelength scale [nm].
fn calibrated_nm(c: &Calibration) -> (f64, f64) {
    // A response has at least two entries.
    let (first, last) = (c.response.wavelength_nm[0], c.response.wavelength_nm[c.response.wavelength_nm.len() - 1]);
    (first.max(c.wavelength.at(0.0)), last)
}

fn not_covered(calibrated_nm: (f64, f64), source: SourceRule) -> Vec<(&'static str, (f64, f64))> {
    let needs = registry().iter().filter_map(|q| Some((q.id, q.needs(source)?)));
    needs.filter(|(_, (from, to))| !(calibrated_nm.0 <= *from && *to <= calibrated_nm.1)).collect()
}

fn gates(schedule: &ScheduleConfig) -> Vec<String> {
    let clock = |s: u32| format!("{:02}:{:02}", s / 3600, s / 60 % 60);
    let above = schedule.sun_above_deg.map(|deg| format!("sun above {deg}°"));
    let below = schedule.sun_below_deg.map(|deg| format!("sun below {deg}°"));
    let window = schedule.local_window_s.map(|(from, to)| format!("{}-{} local time", clock(from), clock(to)));
    [above, below, window].into_iter().flatten().collect()
}

#[cfg(test)]
mod tests;
