//! `vigilux show --computations`: what made values, of which readings, and where they are in force.

use super::super::{Failure, print, print_json};
use crate::store::{ComputationRow, Reader};
use serde_json::{Value, json};
use std::fmt::Write;

/// Lists them.
pub fn run(reader: &Reader, as_json: bool) -> Result<(), Failure> {
    let rows = reader.computations_in_full()?;
    if as_json {
        return print_json(&json!({ "computations": rows.iter().map(entry).collect::<Vec<_>>() }));
    }
    print(&text(&rows))
}

/// Some lines a computation.
fn text(rows: &[ComputationRow]) -> String {
    let mut out = String::new();
    for c in rows {
        let state = match (c.finished, c.in_force_for) {
            (false, _) => "not finished, in force nowhere".to_owned(),
            (true, 0) => "in force nowhere".to_owned(),
            (true, n) => format!("in force for {n}"),
        };
        let span = c.span.map_or(String::new(), |(from, to)| format!(" from {from} to {to}"));
        // Writing to a string cannot fail.
        let _ = writeln!(out, "computation {}: {} readings{span}; {state}", c.made.id, c.readings);
        let _ = writeln!(
            out,
            "  begun {} by vigilux {}, sha256 {}",
            c.made.since,
            c.made.program_version,
            &c.made.sha256[..12.min(c.made.sha256.len())]
        );
        let calibrations = if c.calibrations.is_empty() { "none".to_owned() } else { c.calibrations.join(", ") };
        let _ = writeln!(out, "  with calibration {calibrations}");
    }
    if out.is_empty() {
        out.push_str("no computation yet\n");
    }
    out
}

fn entry(c: &ComputationRow) -> Value {
    json!({
        "id": c.made.id, "program_version": c.made.program_version, "sha256": c.made.sha256,
        "begun": c.made.since.to_string(), "finished": c.finished, "readings": c.readings,
        "first": c.span.map(|s| s.0.to_string()), "last": c.span.map(|s| s.1.to_string()),
        "in_force_for": c.in_force_for, "calibrations": c.calibrations, "text": c.made.text,
    })
}
