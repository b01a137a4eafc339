//! Daily figures as a table.

use super::{Days, caution, figure};
use crate::cli::format::{put, rounded};
use crate::cli::wrapped;
use crate::clock::UtcMicros;
use crate::config::{Config, StationKind};
use crate::summary::{Day, Figure, Rules};

/// A column: its heading of two lines, its width, its cells, and the kinds of station whose table has it without `--all`.
struct Column {
    heading: [&'static str; 2],
    width: usize,
    cell: fn(&Day, &Rules) -> String,
    kinds: &'static [StationKind],
}

use StationKind::{Glasshouse, Lamp, Roof};

/// Every column in order; the columns of one kind fit into 80 characters.
const COLUMNS: [Column; 11] = [
    Column { heading: ["light int.", "mol m⁻² d⁻¹"], width: 15, cell: light, kinds: &[Roof, Glasshouse, Lamp] },
    Column { heading: ["lamps'", "share"], width: 6, cell: |d, _| share(d, "lamps_share"), kinds: &[Glasshouse] },
    Column { heading: ["photo-", "period"], width: 6, cell: |d, _| plain(d, "photoperiod", 1), kinds: &[Glasshouse] },
    Column { heading: ["h >", "level"], width: 5, cell: |d, _| plain(d, "hours_above", 1), kinds: &[Glasshouse, Lamp] },
    Column {
        heading: ["max ppfd", "at"],
        width: 10,
        cell: |d, r| highest(d, r, "ppfd_maximum", 0),
        kinds: &[Roof, Glasshouse, Lamp],
    },
    Column { heading: ["lux", "klx h"], width: 6, cell: |d, _| scaled(d, "lux_hours", 1e-3, 1), kinds: &[Roof, Lamp] },
    Column { heading: ["dose", "SED"], width: 5, cell: |d, _| plain(d, "erythemal_dose_sed", 1), kinds: &[Roof] },
    Column {
        heading: ["UV index", "30 min at"],
        width: 10,
        cell: |d, r| highest(d, r, "uv_index_maximum", 1),
        kinds: &[Roof],
    },
    Column {
        heading: ["dusk", "R:FR"],
        width: 5,
        cell: |d, _| plain(d, "dusk_red_far_red_ratio", 2),
        kinds: &[Glasshouse],
    },
    Column {
        heading: ["known", "of day"],
        width: 6,
        cell: |d, _| percent(d.data_coverage),
        kinds: &[Roof, Glasshouse, Lamp],
    },
    Column { heading: ["sus-", "pect"], width: 5, cell: suspect, kinds: &[Roof, Glasshouse, Lamp] },
];

/// The table of each instrument, with notes.
///
/// all: every column, whatever the kind of station; now: the day that it is in is marked.
pub(super) fn text(config: &Config, rules: &Rules, found: &[Days], all: bool, now: UtcMicros) -> String {
    let mut out = String::new();
    let rule_lines = rules.description();
    for days in found {
        put(&mut out, format_args!("{}, {}: {}", config.station.name, days.instrument, rule_lines[0]));
        if days.days.is_empty() {
            put(&mut out, format_args!("no reading in this range"));
            continue;
        }
        out.push('\n');
        let columns: Vec<&Column> = COLUMNS.iter().filter(|c| all || c.kinds.contains(&config.station.kind)).collect();
        table(&mut out, rules, &days.days, &columns, now);
        totals(&mut out, &days.days);
        out.push('\n');
        notes(&mut out, config, rules, &days.days, now);
    }
    if found.is_empty() {
        put(&mut out, format_args!("{}: no instrument stored yet", config.station.name));
    }
    out
}

fn table(out: &mut String, rules: &Rules, days: &[Day], columns: &[&Column], now: UtcMicros) {
    for line in 0..2 {
        let cells: Vec<String> = columns.iter().map(|c| format!(" {:>1$}", c.heading[line], c.width)).collect();
        put(out, format_args!("{:<11}{}", ["date", ""][line], cells.concat()));
    }
    for day in days {
        let cells: Vec<String> = columns.iter().map(|c| format!(" {:>1$}", (c.cell)(day, rules), c.width)).collect();
        let mark = if is_running(day, now) { "*" } else { "" };
        put(out, format_args!("{:<11}{}", format!("{}{mark}", day.date), cells.concat()));
    }
}

/// Whether the day has begun and not ended.
fn is_running(day: &Day, now: UtcMicros) -> bool {
    day.starts <= now && now < day.ends
}

/// The sums over all days, where there is more than one.
fn totals(out: &mut String, days: &[Day]) {
    if days.len() < 2 {
        return;
    }
    let partial = if days.iter().any(|d| d.partial) { "≥ " } else { "" };
    let values = |id| days.iter().filter_map(move |d| figure(d, id));
    let sum = |id| values(id).filter_map(Figure::value).sum::<f64>();
    let uncertainty: f64 = values("light_integral")
        .filter_map(|f| match f {
            Figure::Value { uncertainty, .. } => *uncertainty,
            Figure::Null { .. } => None,
        })
        .sum();
    let (light, u) = (sum("light_integral"), 2.0 * uncertainty);
    put(out, format_args!("{} days: {partial}{} ± {} mol m⁻²", days.len(), rounded(light, u), rounded(u, u)));
    if values("erythemal_dose_sed").any(|f| f.value().is_some()) {
        put(out, format_args!("{} days: {partial}{:.1} SED", days.len(), sum("erythemal_dose_sed")));
    }
}

fn notes(out: &mut String, config: &Config, rules: &Rules, days: &[Day], now: UtcMicros) {
    let mut notes = rules.description().split_off(1);
    notes.push("light integral ± expanded uncertainty (k = 2): the readings' as fully correlated, and the light between readings".to_owned());
    if days.iter().any(|d| is_running(d, now)) {
        notes.push("*: so far; the day has not ended".to_owned());
    }
    if days.iter().any(|d| d.partial) {
        notes.push("≥: the day is partial; its sums cover what was measured (`known of day`)".to_owned());
    }
    notes.push("suspect: share of the light integral that comes from suspect values".to_owned());
    notes.push("-: no value; --json gives the reason, --all every column".to_owned());
    notes.push(format!("caution on dose and UV index: {}", caution(config)));
    notes.iter().for_each(|n| *out += &wrapped(n, 0));
}

/// A share as a percentage.
fn share(day: &Day, id: &str) -> String {
    figure(day, id).and_then(Figure::value).map_or("-".into(), percent)
}

/// Marks the sums of a partial day as lower bounds.
fn bound(day: &Day) -> &'static str {
    if day.partial { "≥ " } else { "" }
}

fn light(day: &Day, _: &Rules) -> String {
    match figure(day, "light_integral") {
        Some(Figure::Value { value, uncertainty: Some(u), .. }) => {
            format!("{}{} ± {}", bound(day), rounded(*value, 2.0 * u), rounded(2.0 * u, 2.0 * u))
        }
        _ => "-".into(),
    }
}

fn plain(day: &Day, id: &str, digits: usize) -> String {
    scaled(day, id, 1.0, digits)
}

fn scaled(day: &Day, id: &str, scale: f64, digits: usize) -> String {
    let value = figure(day, id).and_then(Figure::value);
    // Adding zero removes the sign of a negative zero.
    value.map_or("-".into(), |v| format!("{:.*}", digits, v * scale + 0.0))
}

/// A maximum with its local time.
fn highest(day: &Day, rules: &Rules, id: &str, digits: usize) -> String {
    match figure(day, id) {
        Some(Figure::Value { value, time: Some(t), .. }) => {
            let local = t.in_zone(&rules.time_zone).strftime("%H:%M");
            format!("{value:.digits$} {local}")
        }
        _ => "-".into(),
    }
}

fn suspect(day: &Day, _: &Rules) -> String {
    match figure(day, "light_integral") {
        Some(Figure::Value { suspect_share, .. }) => percent(*suspect_share),
        _ => "-".into(),
    }
}

/// A share in per cent; a share below 1 is never shown as 100 %.
fn percent(share: f64) -> String {
    let percent = 100.0 * share;
    let shown = if share < 1.0 { percent.min(99.9) } else { percent };
    if shown > 99.0 && shown < 100.0 { format!("{shown:.1}%") } else { format!("{shown:.0}%") }
}
