//! `vigilux daily`: daily figures as text, JSON or CSV.
//!
//! The output is formatted by pure functions of the figures.

mod table;
#[cfg(test)]
mod tests;

use super::source::{ComputationArg, Source};
use super::when::When;
use super::{Failure, print};
use crate::archive::daily;
use crate::clock::{Clock, RealClock, UtcMicros};
use crate::config::Config;
use crate::export::long::quoted;
use crate::quantities::Group;
use crate::summary::{Attributes, Day, DayBounds, FIGURES, Figure, QUANTITIES, Rules};
use serde_json::{Value, json};
use std::fmt::Write;

/// Arguments of `daily`.
#[derive(Clone, Debug, clap::Args)]
pub struct DailyArgs {
    #[command(flatten)]
    source: Source,
    #[command(flatten)]
    computation: ComputationArg,
    /// First day of the station: a date, today, yesterday, so long ago as in 7d, or an instant in it (RFC 3339)
    #[arg(long, value_name = "DAY", value_parser = When::parse)]
    from: Option<When>,
    /// Last day of the station, in the same forms
    #[arg(long, value_name = "DAY", value_parser = When::parse)]
    to: Option<When>,
    /// Only this instrument
    #[arg(long, value_name = "NAME")]
    instrument: Option<String>,
    /// Every column, also those that this kind of station rarely needs; wider than 80 characters
    #[arg(long)]
    all: bool,
    /// Print JSON
    #[arg(long, conflicts_with = "csv")]
    json: bool,
    /// Print CSV
    #[arg(long)]
    csv: bool,
}

/// The bounds of the day of the station that is meant.
fn day(when: When, rules: &Rules, now: UtcMicros) -> DayBounds {
    match when {
        When::Date(date) => rules.day_on(date),
        // The station's day may begin at another hour than midnight.
        When::DaysBack(days) => rules.day_of(now.plus_seconds(-86_400.0 * days as f64)),
        other => rules.day_of(other.resolve(&rules.time_zone, now)),
    }
}

/// The days of one instrument.
struct Days {
    instrument: String,
    days: Vec<Day>,
}

/// Runs `daily`.
pub fn run(args: DailyArgs) -> Result<(), Failure> {
    let now = RealClock::new().now();
    let archive = args.computation.select(args.source.open(now)?)?;
    let Some(config) = &archive.config else {
        let why = "expected a configuration, which defines the start of a day, but the stored one cannot be parsed: use --config";
        return Err(Failure::Failed(why.into()));
    };
    let rules = Rules::of(&config.station);
    let from = args.from.map_or(UtcMicros(i64::MIN), |when| day(when, &rules, now).starts);
    let to = args.to.map_or(UtcMicros(i64::MAX), |when| day(when, &rules, now).ends);
    if to <= from {
        return Err(Failure::Usage(format!(
            "--to: expected a day on or after --from, but found one that ends at {to}"
        )));
    }
    let mut found = Vec::new();
    for instrument in archive.instruments(args.instrument.as_deref())? {
        let days = daily::days(&archive.reader, &rules, &instrument, from, to)?;
        found.push(Days { instrument, days });
    }
    if args.json {
        super::print_json(&json_of(config, &rules, &found))?;
    } else {
        print(&if args.csv {
            csv_of(config, &rules, &found)
        } else {
            table::text(config, &rules, &found, args.all, now)
        })?;
    }
    archive.finish()
}

/// The safety notice for the ultraviolet figures of a station.
fn caution(config: &Config) -> String {
    Group::Ultraviolet.caution(Some(config.station.source_rule())).unwrap_or_default()
}

/// A figure of a day.
fn figure<'a>(day: &'a Day, id: &str) -> Option<&'a Figure> {
    day.figures.get(id)
}

fn json_of(config: &Config, rules: &Rules, found: &[Days]) -> Value {
    let instruments: Vec<Value> = found
        .iter()
        .map(|d| json!({ "instrument": d.instrument, "days": d.days.iter().map(day_json).collect::<Vec<_>>() }))
        .collect();
    let definitions: serde_json::Map<String, Value> =
        FIGURES.iter().map(|f| (f.id.to_owned(), f.definition.into())).collect();
    json!({
        "station": config.station.name, "rules": rules.description(), "caution": caution(config), "definitions": definitions,
        "instruments": instruments,
    })
}

fn day_json(day: &Day) -> Value {
    let mut figures = serde_json::Map::new();
    for info in FIGURES {
        let entry = match figure(day, info.id) {
            Some(Figure::Value { value, uncertainty, suspect_share, data_coverage, time }) => {
                let mut entry = json!({ "value": value, "unit": info.unit, "suspect_share": suspect_share });
                if let Some(u) = uncertainty {
                    entry["uncertainty"] = json!(u);
                }
                if let Some(c) = data_coverage {
                    entry["data_coverage"] = json!(c);
                }
                if let Some(t) = time {
                    entry["time"] = json!(t.to_string());
                }
                entry
            }
            Some(Figure::Null { reason }) => json!({ "value": null, "unit": info.unit, "reason": reason }),
            None => continue,
        };
        figures.insert(info.id.to_owned(), entry);
    }
    let verdicts: serde_json::Map<String, Value> = QUANTITIES
        .iter()
        .filter_map(|q| {
            let [good, suspect, bad, none] = day.verdicts.get(*q)?;
            Some(((*q).to_owned(), json!({ "good": good, "suspect": suspect, "bad": bad, "null": none })))
        })
        .collect();
    json!({
        "date": day.date, "starts": day.starts.to_string(), "ends": day.ends.to_string(), "readings": day.readings,
        "check_source_readings": day.references, "data_coverage": day.data_coverage, "partial": day.partial, "figures": figures,
        "verdicts": verdicts, "flags": day.flags,
    })
}

fn csv_of(config: &Config, rules: &Rules, found: &[Days]) -> String {
    let mut out = String::new();
    // Writing to a string cannot fail.
    let _ = writeln!(out, "# station: {}", config.station.name.replace(['\n', '\r'], " "));
    for line in rules.description() {
        let _ = writeln!(out, "# {line}");
    }
    let _ = writeln!(out, "# caution: {}", caution(config));
    for info in FIGURES {
        let _ = writeln!(out, "# {} [{}]: {}", info.id, info.unit, info.definition);
    }
    out += "date,starts,ends,instrument,readings,check_source_readings,data_coverage,partial";
    for info in FIGURES {
        for (column, present) in columns(info.attributes) {
            if present {
                let _ = write!(out, ",{}{column}", info.id);
            }
        }
    }
    for q in QUANTITIES {
        let _ = write!(out, ",{q}_good,{q}_suspect,{q}_bad,{q}_null");
    }
    out += ",flags,reasons\n";
    for (instrument, day) in found.iter().flat_map(|d| d.days.iter().map(|day| (&d.instrument, day))) {
        csv_row(&mut out, instrument, day);
    }
    out
}

/// The columns of a figure, and whether it has them.
fn columns(with: Attributes) -> [(&'static str, bool); 5] {
    [
        ("", true),
        ("_uncertainty", with.uncertainty),
        ("_suspect_share", true),
        ("_data_coverage", with.data_coverage),
        ("_time", with.time),
    ]
}

fn csv_row(out: &mut String, instrument: &str, day: &Day) {
    let Day { date, starts, ends, readings, references, data_coverage, partial, .. } = day;
    let _ =
        write!(out, "{date},{starts},{ends},{},{readings},{references},{data_coverage},{partial}", quoted(instrument));
    let mut reasons = Vec::new();
    for info in FIGURES {
        let mut fields = [const { String::new() }; 5];
        match figure(day, info.id) {
            Some(Figure::Value { value, uncertainty, suspect_share, data_coverage, time }) => {
                let number = |x: &Option<f64>| x.map_or(String::new(), |x| x.to_string());
                let time = time.map_or(String::new(), |t| t.to_string());
                fields =
                    [value.to_string(), number(uncertainty), suspect_share.to_string(), number(data_coverage), time];
            }
            Some(Figure::Null { reason }) => reasons.push(format!("{}: {reason}", info.id)),
            None => {}
        }
        for (field, (_, present)) in fields.iter().zip(columns(info.attributes)) {
            if present {
                let _ = write!(out, ",{field}");
            }
        }
    }
    for q in QUANTITIES {
        let counts = day.verdicts.get(q).copied().unwrap_or_default();
        for n in counts {
            let _ = write!(out, ",{n}");
        }
    }
    let flags: Vec<String> = day.flags.iter().map(|(name, n)| format!("{name}:{n}")).collect();
    let _ = writeln!(out, ",{},{}", flags.join(" "), quoted(&reasons.join("; ")));
}
