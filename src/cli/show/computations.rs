//! `vigilux show --computations`: the stored computations, their readings, and for how many readings each is active.

use super::super::{Failure, print, print_json};
use crate::store::{ComputationRow, Reader};
use serde_json::{Value, json};
use std::fmt::Write;

/// Prints the list.
pub fn run(reader: &Reader, as_json: bool) -> Result<(), Failure> {
    let rows = reader.computation_summaries()?;
    if as_json {
        return print_json(&json!({ "computations": rows.iter().map(entry).collect::<Vec<_>>() }));
    }
    print(&text(&rows))
}

/// A few lines for each computation.
fn text(rows: &[ComputationRow]) -> String {
    let mut out = String::new();
    for c in rows {
        let state = match (c.finished, c.active_for) {
            (false, _) => "not finished, not active".to_owned(),
            (true, 0) => "not active".to_owned(),
            (true, n) => format!("active for {n}"),
        };
        let range = c.span.map_or(String::new(), |(from, to)| format!(" from {from} to {to}"));
        // Writing to a string cannot fail.
        let _ = writeln!(out, "computation {}: {} readings{range}; {state}", c.made.id, c.readings);
        let _ = writeln!(
            out,
            "  started {} by vigilux {}, sha256 {}",
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
        "started": c.made.since.to_string(), "finished": c.finished, "readings": c.readings,
        "first": c.span.map(|s| s.0.to_string()), "last": c.span.map(|s| s.1.to_string()),
        "active_for": c.active_for, "calibrations": c.calibrations, "text": c.made.text,
    })
}
