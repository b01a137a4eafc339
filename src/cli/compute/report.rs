//! All quantities of one spectrum as text, JSON or a row of CSV.
//!
//! Pure. Invariants: a number has its unit, a missing number its reason, and a group of quantities with a hazard its safety notice.

use super::Source;
use crate::cli::Failure;
use crate::export::long::quoted;
use crate::quantities::NullReason;
use crate::quantities::{Group, Matrix, Quantity, SourceRule, cautions, registry, values};
use crate::spectrum::csv::SpectrumFile;
use serde::ser::{Serialize, SerializeMap, Serializer};
use std::collections::{BTreeMap, BTreeSet};

/// A file that starts here or above may hold daylight [nm]; one that starts below is taken for a lamp's.
const SUN_FROM_NM: f64 = 280.0;

/// Why a source rule was applied.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Basis {
    /// The command line names the source.
    Given,
    /// The first wavelength decides.
    FirstWavelength,
}

/// All quantities of one file.
pub(super) struct Report {
    name: String,
    source: SourceRule,
    basis: Basis,
    range_nm: (f64, f64),
    values: Vec<Result<f64, NullReason>>,
}

impl Report {
    pub(super) fn of(name: &str, file: &SpectrumFile, source: Option<Source>) -> Self {
        let axis = &file.spectrum.wavelength_nm;
        let range_nm = file.spectrum.range_nm().unwrap_or((f64::NAN, f64::NAN));
        let (source, basis) = match source {
            Some(Source::Sun) => (SourceRule::Sun, Basis::Given),
            Some(Source::Lamp) => (SourceRule::Lamp, Basis::Given),
            None if range_nm.0 >= SUN_FROM_NM => (SourceRule::Sun, Basis::FirstWavelength),
            None => (SourceRule::Lamp, Basis::FirstWavelength),
        };
        let matrix = Matrix::build(axis, range_nm, source);
        Self { name: name.to_string(), source, basis, range_nm, values: values(&matrix, &file.spectrum.irradiance) }
    }

    /// Why the source rule was applied, as a part of a sentence.
    fn source_reason(&self) -> String {
        match (self.basis, self.source) {
            (Basis::Given, _) => "as --source says".to_owned(),
            (Basis::FirstWavelength, SourceRule::Sun) => format!(
                "assumed, since the file starts at {SUN_FROM_NM} nm or above; for a lamp's spectrum say --source lamp"
            ),
            (Basis::FirstWavelength, SourceRule::Lamp) => {
                format!("assumed, since the file starts below {SUN_FROM_NM} nm, where no sunlight reaches the ground")
            }
        }
    }

    /// The source that decides the safety notices: a lamp's spectrum may start at 280 nm or above too, so that a sun that was only
    /// assumed calls for the notices of both.
    fn notice_source(&self) -> Option<SourceRule> {
        match (self.basis, self.source) {
            (Basis::FirstWavelength, SourceRule::Sun) => None,
            (_, source) => Some(source),
        }
    }

    fn entries(&self) -> impl Iterator<Item = (&'static Quantity, &Result<f64, NullReason>)> {
        registry().iter().zip(&self.values)
    }

    /// JSON: one object, or a list of objects for several spectra.
    pub(super) fn json(reports: &[Self]) -> Result<String, Failure> {
        #[derive(serde::Serialize)]
        struct Entry<'a> {
            file: &'a str,
            source: &'a str,
            source_reason: String,
            range_nm: [f64; 2],
            quantities: QuantityMap<'a>,
            cautions: BTreeMap<&'static str, String>,
        }
        let mut entries = reports.iter().map(|report| Entry {
            file: &report.name,
            source: report.source.name(),
            source_reason: report.source_reason(),
            range_nm: [report.range_nm.0, report.range_nm.1],
            quantities: QuantityMap(report),
            cautions: cautions(|_| true, report.notice_source()).into_iter().collect(),
        });
        let text = match (reports.len(), entries.next()) {
            (1, Some(only)) => serde_json::to_string_pretty(&only),
            (_, first) => serde_json::to_string_pretty(&first.into_iter().chain(entries).collect::<Vec<_>>()),
        };
        text.map(|t| t + "\n").map_err(|e| Failure::Failed(format!("the result could not be written as JSON: {e}")))
    }

    /// A CSV table, one row per spectrum; empty cells where there is no value, all reasons in the last column.
    pub(super) fn csv(reports: &[Self]) -> String {
        let units: Vec<String> = registry().iter().map(|q| format!("{} {}", q.id, q.unit)).collect();
        let ids: Vec<&str> = registry().iter().map(|q| q.id).collect();
        let mut text = format!("# units: {}\n", units.join(", "));
        for (source, reason) in reports.iter().map(|r| (r.source.name(), r.source_reason())).collect::<BTreeSet<_>>() {
            text += &format!("# source {source}: {reason}\n");
        }
        let mut sources = reports.iter().map(Self::notice_source);
        let first = sources.next().flatten();
        for (group, notice) in cautions(|_| true, first.filter(|_| sources.all(|s| s == first))) {
            text += &format!("# caution on {group}: {notice}\n");
        }
        text += &format!("file,source,{},reasons\n", ids.join(","));
        for report in reports {
            let mut fields = vec![quoted(&report.name), report.source.name().to_string()];
            fields.extend(report.values.iter().map(|v| v.as_ref().map_or(String::new(), |x| x.to_string())));
            let reasons: Vec<String> = report
                .entries()
                .filter_map(|(q, v)| v.as_ref().err().map(|reason| format!("{}: {reason}", q.id)))
                .collect();
            fields.push(quoted(&reasons.join("; ")));
            text += &fields.join(",");
            text += "\n";
        }
        text
    }

    /// Text.
    pub(super) fn table(&self) -> String {
        let rows: Vec<[String; 3]> = self
            .entries()
            .map(|(q, value)| match value {
                Ok(v) => [q.id.to_string(), six_digits(*v), q.unit.to_string()],
                Err(reason) => [q.id.to_string(), "-".to_string(), reason.to_string()],
            })
            .collect();
        let width = |column: usize| rows.iter().map(|r| r[column].chars().count()).max().unwrap_or(0);
        let (ids, numbers) = (width(0), width(1));
        let units = registry().iter().map(|q| q.unit.len()).max().unwrap_or(0);
        let mut text = format!("{}: {} to {} nm\n", self.name, self.range_nm.0, self.range_nm.1);
        text += &format!("source {}: {}\n", self.source.name(), self.source_reason());
        let mut group: Option<Group> = None;
        for ((q, value), [id, number, unit]) in self.entries().zip(&rows) {
            if group != Some(q.group) {
                group = Some(q.group);
                text += &format!("\n{}\n", q.group.name());
                if let Some(caution) = q.group.caution(self.notice_source()) {
                    text += &format!("  caution: {caution}\n");
                }
            }
            let note = match q.note(self.source, self.range_nm) {
                Some(note) if value.is_ok() => format!(" ({note})"),
                _ => String::new(),
            };
            let title = if value.is_ok() { q.title } else { "" };
            let line = format!("  {id:ids$}  {number:>numbers$}  {unit:units$}  {title}{note}");
            text += line.trim_end();
            text += "\n";
        }
        text
    }
}

/// A number with six significant digits, in plain notation where that is short.
fn six_digits(x: f64) -> String {
    const DIGITS: i32 = 6;
    if x == 0.0 {
        return "0".to_string();
    }
    let magnitude = x.abs().log10().floor() as i32;
    if (-4..9).contains(&magnitude) {
        let decimals = (DIGITS - 1 - magnitude).max(0) as usize;
        format!("{x:.decimals$}")
    } else {
        format!("{x:.5e}")
    }
}

/// The quantities as a map, in the order of the registry.
struct QuantityMap<'a>(&'a Report);

impl Serialize for QuantityMap<'_> {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        #[derive(serde::Serialize)]
        struct QuantityEntry {
            value: Option<f64>,
            unit: &'static str,
            #[serde(skip_serializing_if = "Option::is_none")]
            reason: Option<String>,
            #[serde(skip_serializing_if = "Option::is_none")]
            note: Option<String>,
        }
        let mut map = serializer.serialize_map(Some(self.0.values.len()))?;
        for (q, value) in self.0.entries() {
            let note = q.note(self.0.source, self.0.range_nm).filter(|_| value.is_ok());
            let reason = value.as_ref().err().map(ToString::to_string);
            map.serialize_entry(q.id, &QuantityEntry { value: value.clone().ok(), unit: q.unit, reason, note })?;
        }
        map.end()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::spectrum::csv;

    fn report(rows: &str, source: Option<Source>) -> Report {
        let text = format!("{}\n{rows}", csv::HEADER);
        Report::of("a.csv", &csv::read("a.csv", text.as_bytes()).unwrap(), source)
    }

    #[test]
    fn json_has_every_quantity_with_a_value_or_a_reason() {
        let json = Report::json(&[report("300,1\n700,1\n", None)]).unwrap();
        let json: serde_json::Value = serde_json::from_str(&json).unwrap();
        let quantities = json["quantities"].as_object().unwrap();
        assert_eq!(quantities.len(), registry().len());
        for q in registry() {
            let entry = &quantities[q.id];
            assert_eq!(entry["unit"], q.unit);
            assert_eq!(entry["value"].is_null(), entry["reason"].is_string(), "{}", q.id);
        }
        assert_eq!(quantities["par_irradiance"]["value"].as_f64().unwrap().round(), 300.0);
        assert_eq!(quantities["uv_index"]["reason"], "needs 290 to 400 nm, but the range is 300 to 700 nm");
        let caution = |group: &str| json["cautions"][group].as_str().unwrap();
        assert!(caution("ultraviolet").contains("UV index 3") && caution("retina").contains("no risk group"), "{json}");
        assert_eq!(json["file"], "a.csv");
    }

    #[test]
    fn the_source_follows_the_first_wavelength_unless_it_is_given() {
        assert_eq!(report("280,1\n800,1\n", None).source, SourceRule::Sun);
        assert_eq!(report("279.9,1\n800,1\n", None).source, SourceRule::Lamp);
        assert_eq!(report("250,1\n800,1\n", Some(Source::Sun)).source, SourceRule::Sun);
        assert_eq!(report("300,1\n800,1\n", Some(Source::Lamp)).source, SourceRule::Lamp);
    }

    #[test]
    fn every_form_states_the_source_rule_and_why() {
        for (first, source, rule, why) in [
            (
                280.0,
                None,
                "sun",
                "assumed, since the file starts at 280 nm or above; for a lamp's spectrum say --source lamp",
            ),
            (250.0, None, "lamp", "assumed, since the file starts below 280 nm, where no sunlight reaches the ground"),
            (280.0, Some(Source::Lamp), "lamp", "as --source says"),
        ] {
            let report = report(&format!("{first},1\n800,1\n"), source);
            let table = report.table();
            assert_eq!(table.lines().nth(1).unwrap(), format!("source {rule}: {why}"));
            let csv = Report::csv(std::slice::from_ref(&report));
            assert!(csv.lines().any(|l| l == format!("# source {rule}: {why}")), "{csv}");
            let json: serde_json::Value = serde_json::from_str(&Report::json(&[report]).unwrap()).unwrap();
            assert_eq!((&json["source"], &json["source_reason"]), (&rule.into(), &why.into()));
        }
    }

    #[test]
    fn a_lamps_uv_index_never_stands_beside_the_advice_for_the_sun() {
        // Mercury's line at 254 nm, 20 mW/m²: a UV index of about 1.4.
        let line = "240,0\n253.6,0\n253.7,0.2\n253.8,0\n400,0\n";
        let forms = |report: Report| {
            [report.table(), Report::csv(std::slice::from_ref(&report)), Report::json(&[report]).unwrap()]
        };
        for text in forms(report(line, None)) {
            assert!(!text.contains("UV index 3"), "{text}");
            assert!(text.contains("before a lamp no value means safe; protect eyes and skin"), "{text}");
        }
        // A file from 280 nm on may be a lamp's.
        for text in forms(report("280,0.01\n400,0.01\n", None)) {
            assert!(
                text.contains("under the sun: from UV index 3 on") && text.contains("no value means safe"),
                "{text}"
            );
        }
        for text in forms(report("280,0.01\n400,0.01\n", Some(Source::Sun))) {
            assert!(text.contains("from UV index 3 on") && !text.contains("no value means safe"), "{text}");
        }
    }

    #[test]
    fn the_table_has_units_reasons_notes_and_safety_notices() {
        let table = report("300,1\n1000,1\n", None).table();
        let has = |line: &str| assert!(table.lines().any(|l| l == line), "no line `{line}` in\n{table}");
        has("a.csv: 300 to 1000 nm");
        has("  ppfd                              1379.29  umol m-2 s-1  Photosynthetic photon flux density");
        has("  uvb                                     -  needs 290 to 315 nm, but the range is 300 to 1000 nm");
        has(
            "  irradiance                        700.000  W m-2         Irradiance of the calibrated range (over 300 to 1000 nm; \
             not solar global irradiance, which reaches from 280 to 4000 nm)",
        );
        for group in [Group::Ultraviolet, Group::Retina] {
            has(&format!("  caution: {}", group.caution(None).unwrap()));
        }
    }

    #[test]
    fn numbers_are_shown_with_six_significant_digits() {
        for (x, want) in [
            (0.0, "0"),
            (1977.867, "1977.87"),
            (-0.00320612, "-0.00320612"),
            (123_456_789.0, "123456789"),
            (1.5e-7, "1.50000e-7"),
        ] {
            assert_eq!(six_digits(x), want);
        }
    }

    #[test]
    fn many_spectra_make_one_row_each_with_reasons() {
        let mut second = report("300,1\n700,1\n", None);
        second.name = "b, second.csv".into();
        let text = Report::csv(&[report("250,1\n1000,1\n", None), second]);
        let lines: Vec<&str> = text.lines().filter(|l| !l.starts_with('#')).collect();
        let header: Vec<&str> = lines[0].split(',').collect();
        assert_eq!((lines.len(), header.len()), (3, registry().len() + 3));
        let at = header.iter().position(|id| *id == "par_irradiance").unwrap();
        assert_eq!(lines[1].split(',').nth(at).unwrap().parse::<f64>().unwrap().round(), 300.0);
        assert!(lines[1].starts_with("a.csv,lamp,"));
        assert!(lines[2].starts_with("\"b, second.csv\",sun,"));
        assert!(lines[2].contains("uv_index: needs 290 to 400 nm, but the range is 300 to 700 nm"));
        let list: serde_json::Value = serde_json::from_str(
            &Report::json(&[report("300,1\n700,1\n", None), report("250,1\n700,1\n", None)]).unwrap(),
        )
        .unwrap();
        assert_eq!((list[0]["source"].as_str(), list[1]["source"].as_str()), (Some("sun"), Some("lamp")));
    }
}
