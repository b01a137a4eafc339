//! Daily figures as a table.

use super::{Days, caution, figure};
use crate::cli::format::{put, rounded};
use crate::cli::wrapped;
use crate::config::Config;
use crate::summary::{Day, Figure, Rules};

/// A column: its heading of two lines, its width, and its cells.
struct Column {
    heading: [&'static str; 2],
    width: usize,
    cell: fn(&Day, &Rules) -> String,
}

const COLUMNS: [Column; 10] = [
    Column { heading: ["light integral", "mol m⁻² d⁻¹"], width: 16, cell: light },
    Column { heading: ["photo-", "period"], width: 6, cell: |d, _| plain(d, "photoperiod", 1) },
    Column { heading: ["h >", "level"], width: 5, cell: |d, _| plain(d, "hours_above", 1) },
    Column { heading: ["max ppfd", "at"], width: 11, cell: |d, r| highest(d, r, "ppfd_maximum", 0) },
    Column { heading: ["lux", "klx h"], width: 6, cell: |d, _| scaled(d, "lux_hours", 1e-3, 1) },
    Column { heading: ["dose", "SED"], width: 5, cell: |d, _| plain(d, "erythemal_dose_sed", 1) },
    Column { heading: ["UV index", "30 min at"], width: 10, cell: |d, r| highest(d, r, "uv_index_maximum", 1) },
    Column { heading: ["dusk", "R:FR"], width: 5, cell: |d, _| plain(d, "dusk_red_far_red_ratio", 2) },
    Column { heading: ["known", "of day"], width: 6, cell: |d, _| percent(d.data_coverage) },
    Column { heading: ["sus-", "pect"], width: 5, cell: suspect },
];
const LAMPS: Column = Column {
    heading: ["lamps'", "share"],
    width: 6,
    cell: |d, _| match figure(d, "lamps_share").and_then(Figure::value) {
        Some(share) => percent(share),
        None => "-".into(),
    },
};

/// The table of each instrument, with notes.
pub(super) fn text(config: &Config, rules: &Rules, found: &[Days]) -> String {
    let mut out = String::new();
    let rule_lines = rules.description();
    for days in found {
        put(&mut out, format_args!("{}, {}: {}", config.station.name, days.instrument, rule_lines[0]));
        if days.days.is_empty() {
            put(&mut out, format_args!("no reading in this range"));
            continue;
        }
        out.push('\n');
        table(&mut out, rules, &days.days);
        out.push('\n');
        notes(&mut out, config, rules, &days.days);
    }
    if found.is_empty() {
        put(&mut out, format_args!("{}: no instrument stored yet", config.station.name));
    }
    out
}

fn table(out: &mut String, rules: &Rules, days: &[Day]) {
    let mut columns: Vec<&Column> = COLUMNS.iter().collect();
    if !rules.lamps_s.is_empty() {
        columns.insert(1, &LAMPS);
    }
    for line in 0..2 {
        let cells: Vec<String> = columns.iter().map(|c| format!("  {:>1$}", c.heading[line], c.width)).collect();
        put(out, format_args!("{:<10}{}", ["date", ""][line], cells.concat()));
    }
    for day in days {
        let cells: Vec<String> = columns.iter().map(|c| format!("  {:>1$}", (c.cell)(day, rules), c.width)).collect();
        put(out, format_args!("{:<10}{}", day.date, cells.concat()));
    }
}

fn notes(out: &mut String, config: &Config, rules: &Rules, days: &[Day]) {
    let mut notes = rules.description().split_off(1);
    notes.push("light integral ± expanded uncertainty (k = 2): the readings' as fully correlated, and the light between readings".to_owned());
    if days.iter().any(|d| d.partial) {
        notes.push("≥: the day is partial; its sums cover the measured part only (see `known of day`)".to_owned());
    }
    notes.push("suspect: share of the light integral that comes from suspect values".to_owned());
    notes.push("-: no value; --json gives the reason".to_owned());
    notes.push(format!("caution on dose and UV index: {}", caution(config)));
    notes.iter().for_each(|n| *out += &wrapped(n, 0));
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
