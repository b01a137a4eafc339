//! CSV of values: one row per reading.
//!
//! Names, order and form of the columns are interface.

use super::{Selection, WriteError, comment, header};
use crate::cli::source::Archive;
use crate::export::What;
use crate::export::long::{put_number, quoted};
use crate::record::QuantityValue;
use crate::store::StoredReading;
use std::collections::BTreeMap;
use std::collections::btree_map::Entry;
use std::fmt::Write as _;
use std::io::Write;

/// Columns before those of the quantities, with their units.
const CONTEXT_COLUMNS: [(&str, &str); 19] = [
    ("id", "1"),
    ("time_start", "UTC"),
    ("time_mid", "UTC"),
    ("time_end", "UTC"),
    ("instrument", ""),
    ("calibration", ""),
    ("configuration", "row"),
    ("computation", "row"),
    ("sun_elevation", "degree"),
    ("sun_azimuth", "degree"),
    ("relative_air_mass", "1"),
    ("detector_temperature", "degC"),
    ("exposures", "count x s"),
    ("peak_level", "1"),
    ("signal_to_noise", "1"),
    ("stray_floor", "counts s-1"),
    ("dark_age", "s"),
    ("flags", ""),
    ("reasons", ""),
];

/// Writes the selected readings; returns their number.
pub(super) fn write(archive: &Archive, selection: &Selection, out: &mut impl Write) -> Result<u64, WriteError> {
    let reader = &archive.reader;
    let windows = reader.has_windows()?;
    let mut calibrations: BTreeMap<i64, String> = BTreeMap::new();
    preamble(archive, selection, windows, out)?;
    let mut columns: Vec<String> = CONTEXT_COLUMNS.iter().map(|f| f.0.to_owned()).collect();
    for (id, _) in reader.quantities() {
        columns.extend(suffixes(windows).iter().map(|s| format!("{id}{s}")));
    }
    writeln!(out, "{}", columns.join(",")).map_err(WriteError::Output)?;
    let (mut rows, mut line) = (0, String::new());
    for stored in reader.readings(selection.from, selection.to)? {
        let stored = stored?;
        if selection.instrument.as_ref().is_some_and(|name| *name != stored.reading.instrument) {
            continue;
        }
        let calibration = match stored.made_with.calibration {
            None => "",
            Some(id) => match calibrations.entry(id) {
                Entry::Occupied(known) => &*known.into_mut(),
                Entry::Vacant(place) => {
                    let name = reader.calibration(id)?.map_or(String::new(), |c| c.name);
                    &*place.insert(name)
                }
            },
        };
        line.clear();
        put_row(&mut line, &stored, calibration, reader.quantities(), windows);
        out.write_all(line.as_bytes()).map_err(WriteError::Output)?;
        rows += 1;
    }
    Ok(rows)
}

fn suffixes(windows: bool) -> &'static [&'static str] {
    let all = &["", "_uncertainty", "_verdict", "_minimum", "_maximum", "_deviation"];
    if windows { all } else { &all[..3] }
}

/// Origin, safety notices, meaning of the columns and their units, one `# key: value` a line.
fn preamble(archive: &Archive, selection: &Selection, windows: bool, out: &mut impl Write) -> Result<(), WriteError> {
    for (key, text) in header(archive, selection, What::Values)?.lines() {
        comment(out, &key, text)?;
    }
    let mut line = |key: &str, text: &str| comment(out, key, text);
    line("time", "time_mid is the time of a reading; rows are in the order in which they were stored")?;
    line("uncertainty", "ID_uncertainty is the standard uncertainty (k = 1) in the unit of ID")?;
    line("verdict", "good, suspect or bad; empty where there is no value, with the reason in reasons")?;
    if windows {
        line("window", "ID_minimum, ID_maximum, ID_deviation over the exposures of a window, in the unit of ID")?;
    }
    let context = CONTEXT_COLUMNS.iter().filter(|f| !f.1.is_empty()).map(|f| (f.0, f.1));
    let quantities = archive.reader.quantities().iter().map(|(id, unit)| (id.as_str(), unit.as_str()));
    for (id, unit) in context.chain(quantities) {
        line(&format!("unit of {id}"), unit)?;
    }
    Ok(())
}

/// Appends one row; a missing value is an empty cell.
fn put_row(text: &mut String, stored: &StoredReading, calibration: &str, known: &[(String, String)], windows: bool) {
    let (r, m) = (&stored.reading, stored.made_with);
    // Writing to a String cannot fail.
    let _ = write!(text, "{},{},{},{}", r.id, r.time_start, r.time_mid, r.time_end);
    let _ = write!(text, ",{},{},{},{}", quoted(&r.instrument), quoted(calibration), m.configuration, m.computation);
    put_numbers(text, [r.sun_elevation, r.sun_azimuth, r.relative_air_mass, r.detector_temperature]);
    for (k, e) in r.exposures.iter().enumerate() {
        let _ = write!(text, "{}{}x{}", if k == 0 { "," } else { " " }, e.exposures, e.integration_s);
    }
    if r.exposures.is_empty() {
        text.push(',');
    }
    put_numbers(text, [Some(r.peak_level), r.signal_to_noise, r.stray_floor, r.dark_age]);
    text.push(',');
    text.push_str(&r.flags.names().join(" "));
    let mut reasons = String::new();
    for ((id, _), value) in known.iter().zip(&r.values) {
        if let QuantityValue::Null(reason) = value {
            let _ = write!(reasons, "{}{id}: {reason}", if reasons.is_empty() { "" } else { "; " });
        }
    }
    text.push(',');
    text.push_str(&quoted(&reasons));
    for (k, value) in r.values.iter().enumerate() {
        match value {
            QuantityValue::Value { value, uncertainty, verdict } => {
                put_numbers(text, [Some(*value), Some(*uncertainty)]);
                text.push(',');
                text.push_str(verdict.name());
            }
            QuantityValue::Null(_) => text.push_str(",,,"),
        }
        if windows {
            let w = r.window.get(k).copied().flatten();
            put_numbers(text, [w.map(|w| w.minimum), w.map(|w| w.maximum), w.map(|w| w.deviation)]);
        }
    }
    text.push('\n');
}

/// Appends numbers as further cells.
fn put_numbers<const N: usize>(text: &mut String, numbers: [Option<f64>; N]) {
    for x in numbers {
        text.push(',');
        if let Some(x) = x {
            put_number(text, x);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::cli::example_archive::archive;
    use crate::cli::source::instant;

    fn csv(archive: &Archive, from: &str, to: &str) -> String {
        let mut out = Vec::new();
        let selection = Selection { from: instant(from).unwrap(), to: instant(to).unwrap(), instrument: None };
        write(archive, &selection, &mut out).unwrap();
        String::from_utf8(out).unwrap()
    }

    #[test]
    fn a_row_has_the_documented_columns() {
        let (_folder, archive) = archive(false);
        let text = csv(&archive, "2026-06-21", "2026-06-21T12:01:00Z");
        let lines: Vec<&str> = text.lines().filter(|l| !l.starts_with('#')).collect();
        assert_eq!(
            lines,
            [
                "id,time_start,time_mid,time_end,instrument,calibration,configuration,computation,sun_elevation,\
                 sun_azimuth,relative_air_mass,detector_temperature,exposures,peak_level,signal_to_noise,stray_floor,dark_age,\
                 flags,reasons,ppfd,ppfd_uncertainty,ppfd_verdict,cct,cct_uncertainty,cct_verdict",
                "1,2026-06-21T11:59:59.500Z,2026-06-21T12:00:00Z,2026-06-21T12:00:00.500Z,\"roof, head\",lab-7,1,1,-3.25,\
                 ,,1.5e-7,4x0.05 1x5,0.5,,0.30000000000000004,60,warming low_sun,\
                 \"cct: too little \"\"light\"\", it says\",-0.125,0.5,suspect,,,"
            ]
        );
        for want in ["# instrument: roof, head, serial number VB-1", "# unit of ppfd: umol m-2 s-1", "# unit of cct: K"]
        {
            assert!(text.lines().any(|l| l == want), "no line `{want}` in\n{text}");
        }
        assert!(text.starts_with("# program: vigilux "));
        assert!(text.contains("# from: 2026-06-21T00:00:00Z\n# to: 2026-06-21T12:01:00Z\n"));
    }

    #[test]
    fn windows_add_three_columns_per_quantity() {
        let (_folder, archive) = archive(true);
        let text = csv(&archive, "2026-01-01", "2027-01-01");
        let lines: Vec<&str> = text.lines().filter(|l| !l.starts_with('#')).collect();
        assert_eq!(lines.len(), 4);
        assert!(lines[0].ends_with("cct,cct_uncertainty,cct_verdict,cct_minimum,cct_maximum,cct_deviation"));
        assert!(lines[3].ends_with(",-0.125,0.5,suspect,1.5,2.5,0.25,,,,,,"), "{}", lines[3]);
    }
}
