//! `vigilux series`: minimum, mean and maximum of a quantity over any range of time, as text, JSON or CSV.

use super::format::{fixed, pretty_unit, put};
use super::source::{ComputationArg, Source};
use super::when::{self, When};
use super::{Failure, print};
use crate::archive::series::{Point, Series, series};
use crate::clock::{Clock, RealClock};
use crate::export::long::quoted;
use crate::quantities;
use crate::record::HourValue;
use jiff::tz::TimeZone;
use serde_json::{Value, json};
use std::fmt::Write;

/// Default number of points of a table and of JSON or CSV.
const TABLE_POINTS: u32 = 48;
const DATA_POINTS: u32 = 1000;
/// Width of a drawn range [characters].
const WIDTH: usize = 18;

/// Arguments of `series`.
#[derive(Clone, Debug, clap::Args)]
pub struct SeriesArgs {
    /// Identifier of the quantity: see `vigilux quantities`
    #[arg(value_name = "QUANTITY")]
    quantity: String,
    #[command(flatten)]
    source: Source,
    #[command(flatten)]
    computation: ComputationArg,
    /// From this time on: RFC 3339, a date, today, yesterday, or a time ago as in 12h or 7d
    #[arg(long, value_name = "TIME", value_parser = When::parse)]
    from: Option<When>,
    /// Before this time
    #[arg(long, value_name = "TIME", value_parser = When::parse)]
    to: Option<When>,
    /// Largest number of points [default: 48 in the table, 1000 in JSON and CSV]
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u32).range(1..=100_000))]
    points: Option<u32>,
    /// Only this instrument
    #[arg(long, value_name = "NAME")]
    instrument: Option<String>,
    /// Print JSON
    #[arg(long, conflicts_with = "csv")]
    json: bool,
    /// Print CSV
    #[arg(long)]
    csv: bool,
}

/// The series of a quantity, one per instrument.
struct SeriesSet {
    quantity: String,
    unit: String,
    zone: TimeZone,
    /// The safety notice for the quantity, where its group has one.
    caution: Option<String>,
    curves: Vec<(String, Series)>,
}

/// Runs `series`.
pub fn run(args: SeriesArgs) -> Result<(), Failure> {
    let now = RealClock::new().now();
    let archive = args.computation.select(args.source.open(now)?)?;
    let zone = archive.config.as_ref().map_or(TimeZone::UTC, |c| c.station.time_zone.clone());
    let (from, to) = when::range(args.from, args.to, &zone, now)?;
    let Some(at) = archive.reader.position(&args.quantity) else {
        let found =
            format!("expected a quantity of the database (`vigilux quantities`), but found `{}`", args.quantity);
        return Err(Failure::Usage(found));
    };
    let (quantity, unit) = archive.reader.quantities()[at].clone();
    let points = args.points.unwrap_or(if args.json || args.csv { DATA_POINTS } else { TABLE_POINTS });
    let mut curves = Vec::new();
    for instrument in archive.instruments(args.instrument.as_deref())? {
        let found = series(&archive.reader, &instrument, &quantity, (from, to), points)?;
        curves.push((instrument, found));
    }
    let group = quantities::index_of(&quantity).map(|at| quantities::registry()[at].group);
    let caution = group.and_then(|group| group.caution(archive.source_rule()));
    let all = SeriesSet { quantity, unit, zone, caution, curves };
    if args.json {
        super::print_json(&all.json())?;
    } else {
        print(&if args.csv { all.csv() } else { all.text() })?;
    }
    archive.finish()
}

impl SeriesSet {
    fn text(&self) -> String {
        let mut out = String::new();
        let unit = pretty_unit(&self.unit);
        for (instrument, curve) in &self.curves {
            let unit = if unit.is_empty() { String::new() } else { format!(" [{unit}]") };
            put(&mut out, format_args!("{instrument}: {}{unit}, minimum to maximum with the mean", self.quantity));
            let ranges: Vec<[f64; 3]> = curve.points.iter().filter_map(|p| p.value?.range).collect();
            if ranges.is_empty() {
                put(&mut out, format_args!("no good or suspect value in this range"));
                continue;
            }
            let low = ranges.iter().map(|r| r[0]).fold(f64::INFINITY, f64::min);
            let high = ranges.iter().map(|r| r[2]).fold(f64::NEG_INFINITY, f64::max);
            put(&mut out, format_args!("{:<16} {:>9} {:>9} {:>9}  suspect  bad", "from", "minimum", "mean", "maximum"));
            for point in &curve.points {
                self.line(&mut out, point, low, high);
            }
        }
        if let Some(caution) = &self.caution {
            out += &super::wrapped(&format!("caution: {caution}"), 0);
        }
        out
    }

    fn line(&self, out: &mut String, point: &Point, low: f64, high: f64) {
        let from = point.from.in_zone(&self.zone).strftime("%Y-%m-%d %H:%M");
        let Some(HourValue { range, verdicts: [_, suspect, bad] }) = point.value else {
            return put(out, format_args!("{from:<16} {:>9} {:>9} {:>9}", "-", "-", "-"));
        };
        let Some(range) = range else {
            return put(out, format_args!("{from:<16} {:>9} {:>9} {:>9}  {suspect:>7} {bad:>4}", "-", "-", "-"));
        };
        let [a, b, c] = range.map(|x| five_digits(x, low.abs().max(high.abs())));
        put(out, format_args!("{from:<16} {a:>9} {b:>9} {c:>9}  {suspect:>7} {bad:>4}  {}", bar(range, low, high)));
    }

    fn json(&self) -> Value {
        let point = |p: &Point| {
            let [minimum, mean, maximum] = p.value.and_then(|v| v.range).map_or([None; 3], |r| r.map(Some));
            let [good, suspect, bad] = p.value.map_or([0; 3], |v| v.verdicts);
            json!({
                "from": p.from.to_string(), "to": p.to.to_string(), "minimum": minimum, "mean": mean,
                "maximum": maximum, "good": good, "suspect": suspect, "bad": bad,
            })
        };
        let curves: Vec<Value> = self
            .curves
            .iter()
            .map(|(instrument, c)| {
                let points: Vec<Value> = c.points.iter().map(point).collect();
                json!({ "instrument": instrument, "whole_hours": c.of_hours, "points": points })
            })
            .collect();
        json!({ "quantity": self.quantity, "unit": self.unit, "caution": self.caution, "curves": curves })
    }

    fn csv(&self) -> String {
        let mut out = format!("# {} [{}]: of values that are not bad\n", self.quantity, self.unit);
        // Writing to a string cannot fail.
        if let Some(caution) = &self.caution {
            let _ = writeln!(out, "# caution: {caution}");
        }
        out += "instrument,from,to,minimum,mean,maximum,good,suspect,bad\n";
        for (instrument, point) in self.curves.iter().flat_map(|(i, c)| c.points.iter().map(move |p| (i, p))) {
            let range = point.value.and_then(|v| v.range);
            let range = range.map_or(",,".to_owned(), |r| r.map(|x| x.to_string()).join(","));
            let verdicts = point.value.map_or([0; 3], |v| v.verdicts).map(|n| n.to_string()).join(",");
            let _ = writeln!(out, "{},{},{},{range},{verdicts}", quoted(instrument), point.from, point.to);
        }
        out
    }
}

/// A number with the decimals that five significant digits of the largest number shown have.
fn five_digits(x: f64, largest: f64) -> String {
    if !(largest > 0.0) {
        return "0".into();
    }
    let digits = 4 - largest.log10().floor() as i32;
    match digits {
        0..=9 => fixed(x, digits as usize),
        -4..=-1 => fixed(x, 0),
        _ => format!("{x:.4e}"),
    }
}

/// A range drawn between two limits, with its mean.
fn bar([minimum, mean, maximum]: [f64; 3], low: f64, high: f64) -> String {
    let place = |x: f64| if high > low { ((x - low) / (high - low) * (WIDTH - 1) as f64).round() as usize } else { 0 };
    let (a, b, c) = (place(minimum), place(mean), place(maximum));
    let mark = |k: usize| {
        if k == b {
            '●'
        } else if (a..=c).contains(&k) {
            '─'
        } else {
            ' '
        }
    };
    (0..WIDTH).map(mark).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::clock::UtcMicros;
    use crate::quantities::{Group, SourceRule};

    fn two_points() -> SeriesSet {
        let at = |text: &str| UtcMicros::parse(text).unwrap();
        let value = |range, verdicts| Some(HourValue { range, verdicts });
        let noon = at("2026-06-21T12:00:00Z");
        let point = |k: f64, value| Point {
            from: noon.plus_seconds(3600.0 * k),
            to: noon.plus_seconds(3600.0 * (k + 1.0)),
            value,
        };
        let points = vec![
            point(0.0, value(Some([0.0, 1.25, 5.0]), [50, 9, 1])),
            point(1.0, value(Some([5.0, 7.5, 10.0]), [60, 0, 0])),
            point(2.0, value(None, [0, 0, 60])),
            point(3.0, None),
        ];
        let curves = vec![("south".to_owned(), Series { of_hours: true, points })];
        SeriesSet {
            quantity: "uv_index".into(),
            unit: "1".into(),
            zone: crate::clock::time_zone("Europe/Copenhagen").unwrap(),
            caution: Group::Ultraviolet.caution(Some(SourceRule::Sun)),
            curves,
        }
    }

    #[test]
    fn a_point_is_a_line_drawn_between_the_limits_of_the_series() {
        let text = two_points().text();
        for want in [
            "south: uv_index, minimum to maximum with the mean",
            "from               minimum      mean   maximum  suspect  bad",
            "2026-06-21 14:00     0.000     1.250     5.000        9    1  ──●───────",
            "2026-06-21 15:00     5.000     7.500    10.000        0    0           ────●────",
            "2026-06-21 16:00         -         -         -        0   60",
            "2026-06-21 17:00         -         -         -",
        ] {
            assert!(text.lines().any(|l| l.trim_end() == want), "no line `{want}` in\n{text}");
        }
        assert!(
            text.replace("\n", " ").contains("no risk group") && text.lines().all(|l| l.chars().count() <= 80),
            "{text}"
        );
    }

    #[test]
    fn data_have_every_point_with_its_counts() {
        let json = two_points().json();
        let points = &json["curves"][0]["points"];
        assert_eq!(
            points[0],
            json!({ "from": "2026-06-21T12:00:00Z", "to": "2026-06-21T13:00:00Z", "minimum": 0.0, "mean": 1.25,
                    "maximum": 5.0, "good": 50, "suspect": 9, "bad": 1 })
        );
        assert_eq!((&points[3]["mean"], &points[3]["good"], &json["unit"]), (&json!(null), &json!(0), &json!("1")));
        let csv = two_points().csv();
        let rows: Vec<&str> = csv.lines().filter(|l| !l.starts_with('#')).collect();
        assert_eq!(rows[0], "instrument,from,to,minimum,mean,maximum,good,suspect,bad");
        assert_eq!(rows[1], "south,2026-06-21T12:00:00Z,2026-06-21T13:00:00Z,0,1.25,5,50,9,1");
        assert_eq!(rows[4], "south,2026-06-21T15:00:00Z,2026-06-21T16:00:00Z,,,,0,0,0");
        assert!(csv.starts_with("# uv_index [1]") && csv.contains("# caution: "));
    }

    #[test]
    fn a_number_shows_five_digits() {
        for (x, largest, want) in [
            (0.0, 0.0, "0"),
            (-0.0, 10.0, "0.000"),
            (1234.567, 1300.0, "1234.6"),
            (0.00123456, 7.0, "0.0012"),
            (-98_765.4, 98_765.4, "-98765"),
            (2.5e-12, 3e-12, "2.5000e-12"),
        ] {
            assert_eq!(five_digits(x, largest), want);
        }
    }
}
