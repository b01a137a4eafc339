//! The display of the demo: a block that is redrawn on a terminal, otherwise one line per hour.

use super::super::format::fixed;
use super::super::verdict_line::verdict_line;
use super::super::{Failure, print, wrapped};
use super::site::Site;
use crate::clock::UtcMicros;
use crate::config::StationKind;
use crate::quality::key_quantities;
use crate::quantities;
use crate::record::{QuantityValue, Reading, Verdict};
use indicatif::{ProgressBar, ProgressStyle};
use jiff::tz::TimeZone;
use std::io::IsTerminal;
use std::path::Path;

/// The display.
pub struct View {
    bar: Option<ProgressBar>,
    begin: UtcMicros,
    zone: TimeZone,
    last_line: Option<UtcMicros>,
}

impl View {
    /// A display for a site whose day takes `seconds` [s].
    pub fn new(site: &Site, seconds: f64, zone: TimeZone) -> Self {
        let bar = std::io::stderr().is_terminal().then(|| {
            let bar = ProgressBar::new(site.length_s() as u64);
            if let Ok(style) = ProgressStyle::with_template(&format!(
                "{{bar:56}} {{percent:>3}} %  {{elapsed}} of about {seconds:.0} s\n{{msg}}"
            )) {
                bar.set_style(style);
            }
            bar
        });
        Self { bar, begin: site.begin, zone, last_line: None }
    }

    /// Prints the introduction.
    pub fn opening(&self, dir: &Path) -> Result<(), Failure> {
        print(&format!(
            "A day on an invented roof: a virtual spectrometer on a pseudo-terminal, read by the real daemon every five\n\
             minutes of compressed time. All files are in {}.\n{}\n",
            dir.display(),
            wrapped(&format!("Ultraviolet: {}.", super::caution()), 0)
        ))
    }

    /// Shows a stored reading.
    pub fn reading(&mut self, reading: &Reading) {
        let text = block(reading, &self.zone);
        match &self.bar {
            Some(bar) => {
                bar.set_position(reading.time_mid.seconds_since(self.begin).max(0.0) as u64);
                bar.set_message(text);
            }
            None if self.last_line.is_none_or(|t| reading.time_mid.seconds_since(t) >= 3600.0) => {
                self.last_line = Some(reading.time_mid);
                // A closed pipe does not stop the demo.
                let _ = print(&format!("{}\n", text.replace('\n', " · ").replace("   ", " ")));
            }
            None => {}
        }
    }

    /// Clears the progress bar.
    pub fn close(&self) {
        if let Some(bar) = &self.bar {
            bar.finish_and_clear();
        }
    }
}

/// A reading in three lines.
fn block(reading: &Reading, zone: &TimeZone) -> String {
    let local = reading.time_mid.in_zone(zone);
    let sun = reading.sun_elevation.map_or("sun unknown".to_owned(), |e| format!("sun {:>5}°", fixed(e, 1)));
    let brackets: Vec<String> = reading.exposures.iter().map(|r| seconds(r.integration_s)).collect();
    let ids = quantities::registry().iter().map(|q| q.id);
    let verdicts = verdict_line(ids, reading, key_quantities(StationKind::Roof));
    format!(
        "{}   {sun}   exposure {}   peak level {:>3.0} %\nPPFD {}   UV index {}   illuminance {}\n{verdicts}",
        local.strftime("%a %H:%M %Z"),
        brackets.join(" + "),
        reading.peak_level * 100.0,
        value_of(reading, "ppfd", "µmol m⁻² s⁻¹"),
        value_of(reading, "uv_index", ""),
        value_of(reading, "illuminance", "lx"),
    )
}

fn seconds(t: f64) -> String {
    if t < 1.0 { format!("{:.1} ms", t * 1e3) } else { format!("{t:.1} s") }
}

/// A value with its unit and, unless it is good, its verdict.
fn value_of(reading: &Reading, id: &str, unit: &str) -> String {
    let value = quantities::index_of(id).and_then(|i| reading.values.get(i));
    match value {
        Some(QuantityValue::Value { value, verdict, .. }) => {
            let number = fixed(*value, if value.abs() >= 100.0 { 0 } else { 2 });
            let verdict = if *verdict == Verdict::Good { String::new() } else { format!(" ({})", verdict.name()) };
            format!("{number} {unit}").trim_end().to_owned() + &verdict
        }
        Some(QuantityValue::Null(reason)) => format!("none: {reason}"),
        None => "none".to_owned(),
    }
}
