//! The spectrum file: CSV with `# key: value` lines, one header and two columns.
//!
//! Parses and writes text; does not access files. Accepts a leading byte order mark, CR LF line ends and empty lines after the
//! last row. Negative irradiance is valid data (noise).
//!
//! Invariants:
//! - An accepted file has finite numbers on a strictly rising axis of at least two samples within [`WAVELENGTHS_NM`], at most
//!   [`MOST_ROWS`] of them: what is computed from it takes a few megabytes.
//! - A refused file is reported with every fault, each with its line, the broken rule and the value found.

use super::Spectrum;
use std::fmt;

/// The header of a spectrum file.
pub const HEADER: &str = "wavelength_nm,irradiance_w_m2_nm";

/// The wavelengths of a spectrum [nm]: far beyond those of any quantity. Wider ones are in another unit, or wrong.
pub const WAVELENGTHS_NM: std::ops::RangeInclusive<f64> = 100.0..=5000.0;

/// Largest number of rows: 0.05 nm apart over all wavelengths.
pub const MOST_ROWS: usize = 100_000;

/// Number of faults listed for a file; further ones are counted.
const MOST_FAULTS: usize = 20;

/// Longest quotation from a file in a message [characters].
const LONGEST_QUOTE: usize = 60;

/// A spectrum file as read.
#[derive(Clone, Debug, PartialEq)]
pub struct SpectrumFile {
    /// The `# key: value` lines, in order.
    pub remarks: Vec<(String, String)>,
    /// The spectrum.
    pub spectrum: Spectrum,
}

/// One fault of a file.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct FileFault {
    /// The line, from 1; the number of lines plus 1 where the end of the file lacks something.
    pub line: usize,
    /// The expected and the found text.
    pub what: String,
}

/// The faults of a refused file.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub struct Refused {
    /// The file's name.
    pub file: String,
    /// The first faults, in the order of lines.
    pub faults: Vec<FileFault>,
    /// Number of further faults.
    pub more: usize,
}

impl fmt::Display for Refused {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for (i, fault) in self.faults.iter().enumerate() {
            let end = if i > 0 { "\n" } else { "" };
            write!(f, "{end}{}:{}: {}", self.file, fault.line, fault.what)?;
        }
        if self.more > 0 {
            write!(f, "\n{}: and {} more faults", self.file, self.more)?;
        }
        Ok(())
    }
}

/// Quotes text from the file, shortened so that a binary file does not fill the terminal.
fn quote(text: &str) -> String {
    let mut shown: String = text.chars().take(LONGEST_QUOTE).flat_map(char::escape_debug).collect();
    if text.chars().nth(LONGEST_QUOTE).is_some() {
        shown.push('…');
    }
    format!("`{shown}`")
}

fn number(name: &str, text: &str) -> Result<f64, String> {
    match text.trim().parse::<f64>() {
        Ok(x) if x.is_finite() => Ok(x),
        Ok(_) => Err(format!("expected a finite number for {name}, but found {}", quote(text))),
        Err(_) => Err(format!("expected a number for {name}, but found {}", quote(text))),
    }
}

fn row(line: &str, before: Option<f64>) -> Result<(f64, f64), (Option<f64>, Vec<String>)> {
    let mut faults = Vec::new();
    let fields: Vec<&str> = line.split(',').collect();
    let &[wavelength, irradiance] = &fields[..] else {
        let found = if line.trim().is_empty() { "an empty line".to_string() } else { quote(line) };
        faults.push(format!("expected 2 values separated by a comma, but found {found} ({} fields)", fields.len()));
        return Err((None, faults));
    };
    let wavelength = number("wavelength_nm", wavelength).map_err(|e| faults.push(e)).ok();
    let irradiance = number("irradiance_w_m2_nm", irradiance).map_err(|e| faults.push(e)).ok();
    match (wavelength, before) {
        (Some(x), _) if !WAVELENGTHS_NM.contains(&x) => {
            let (low, high) = (WAVELENGTHS_NM.start(), WAVELENGTHS_NM.end());
            faults.push(format!("expected a wavelength from {low} to {high} nm, but found {x} nm"));
        }
        (Some(x), Some(b)) if x <= b => {
            faults.push(format!("expected a wavelength above the one before it, {b} nm, but found {x} nm"));
        }
        _ => {}
    }
    match (wavelength, irradiance) {
        (Some(x), Some(e)) if faults.is_empty() => Ok((x, e)),
        _ => Err((wavelength, faults)),
    }
}

fn remark(line: &str) -> Option<(String, String)> {
    let (key, value) = line.strip_prefix('#')?.split_once(':')?;
    let key = key.trim();
    (!key.is_empty()).then(|| (key.to_string(), value.trim().to_string()))
}

/// Reads the bytes of a spectrum file; `file` is its name for the messages.
pub fn read(file: &str, bytes: &[u8]) -> Result<SpectrumFile, Refused> {
    let mut refused = Refused { file: file.to_string(), faults: Vec::new(), more: 0 };
    let mut fault = |line: usize, what: String| {
        if refused.faults.len() < MOST_FAULTS {
            refused.faults.push(FileFault { line, what });
        } else {
            refused.more += 1;
        }
    };
    let text = match std::str::from_utf8(bytes) {
        Ok(text) => text.strip_prefix('\u{feff}').unwrap_or(text),
        Err(e) => {
            let line = bytes[..e.valid_up_to()].iter().filter(|b| **b == b'\n').count() + 1;
            fault(line, "expected UTF-8 text, but found bytes that are not".to_string());
            return Err(refused);
        }
    };

    let mut remarks = Vec::new();
    let mut spectrum = Spectrum { wavelength_nm: Vec::new(), irradiance: Vec::new() };
    let (mut in_rows, mut rows, mut before) = (false, 0usize, None);
    // Empty lines are allowed after the last row only.
    let body = text.trim_end_matches(['\n', '\r', ' ', '\t']);
    let mut lines = 0;
    for (i, line) in body.split('\n').enumerate() {
        let line = line.strip_suffix('\r').unwrap_or(line);
        let at = i + 1;
        lines = at;
        if in_rows {
            rows += 1;
            if rows > MOST_ROWS {
                fault(at, format!("expected at most {MOST_ROWS} rows, but found more"));
                return Err(refused);
            }
            match row(line, before) {
                Ok((x, e)) => {
                    before = Some(x);
                    spectrum.wavelength_nm.push(x);
                    spectrum.irradiance.push(e);
                }
                Err((x, faults)) => {
                    // Each row is compared with the highest wavelength before it, so that one bad row is one fault.
                    before = [before, x].into_iter().flatten().reduce(f64::max);
                    faults.into_iter().for_each(|f| fault(at, f));
                }
            }
        } else if line.starts_with('#') {
            match remark(line) {
                Some(r) => remarks.push(r),
                None => fault(at, format!("expected `# key: value`, but found {}", quote(line))),
            }
        } else if line.trim() == HEADER {
            in_rows = true;
        } else {
            let found = if line.trim().is_empty() { "an empty line".to_string() } else { quote(line) };
            fault(at, format!("expected the header `{HEADER}`, but found {found}"));
            // Without the header the columns are undefined, so the rows are not checked.
            return Err(refused);
        }
    }
    if !in_rows {
        fault(lines + 1, format!("expected the header `{HEADER}`, but the file ends"));
    } else if rows < 2 {
        fault(lines + 1, format!("expected at least 2 rows, but found {rows}"));
    }
    if refused.faults.is_empty() { Ok(SpectrumFile { remarks, spectrum }) } else { Err(refused) }
}

/// Writes a spectrum file; every number reads back to the same bits.
///
/// Line breaks in a remark become spaces, and a colon in a key a hyphen, so that a remark is always one line.
pub fn write(spectrum: &Spectrum, remarks: &[(String, String)]) -> String {
    use std::fmt::Write as _;
    let one_line = |s: &str| s.split_whitespace().collect::<Vec<_>>().join(" ");
    let mut text = String::new();
    for (key, value) in remarks {
        // Writing to a String cannot fail.
        let _ = writeln!(text, "# {}: {}", one_line(&key.replace(':', "-")), one_line(value));
    }
    let _ = writeln!(text, "{HEADER}");
    for (x, e) in spectrum.wavelength_nm.iter().zip(&spectrum.irradiance) {
        let _ = writeln!(text, "{x:?},{e:?}");
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn refusal(text: &[u8]) -> String {
        read("a.csv", text).expect_err("this file should have been refused").to_string()
    }

    /// Every variant that the format allows is read.
    #[test]
    fn remarks_signs_spaces_and_line_ends_are_read() {
        let text = "\u{feff}# site: Example site: roof\r\n# made by:hand\r\nwavelength_nm,irradiance_w_m2_nm\r\n\
                    280,1e-6\r\n281.5, -2.5E-7 \r\n\r\n\n";
        let file = read("a.csv", text.as_bytes()).unwrap();
        assert_eq!(file.remarks[0], ("site".into(), "Example site: roof".into()));
        assert_eq!(file.remarks[1], ("made by".into(), "hand".into()));
        assert_eq!(file.spectrum.wavelength_nm, [280.0, 281.5]);
        assert_eq!(file.spectrum.irradiance, [1e-6, -2.5e-7]);
        assert_eq!(file.spectrum.range_nm(), Some((280.0, 281.5)));
    }

    /// Regression: the texts of the errors, because users act on them.
    #[test]
    fn each_refusal_names_file_line_rule_and_value() {
        let head = "wavelength_nm,irradiance_w_m2_nm\n";
        for (text, want) in [
            ("300,0.1\n301,NaN\n", "a.csv:3: expected a finite number for irradiance_w_m2_nm, but found `NaN`"),
            ("300,0.1\n301,inf\n", "a.csv:3: expected a finite number for irradiance_w_m2_nm, but found `inf`"),
            ("300,1e999\n301,1\n", "a.csv:2: expected a finite number for irradiance_w_m2_nm, but found `1e999`"),
            ("300,0.1\n301,dark\n", "a.csv:3: expected a number for irradiance_w_m2_nm, but found `dark`"),
            ("300,0.1\n,1\n", "a.csv:3: expected a number for wavelength_nm, but found ``"),
            ("300,0.1\n299,1\n", "a.csv:3: expected a wavelength above the one before it, 300 nm, but found 299 nm"),
            ("300,0.1\n300,1\n", "a.csv:3: expected a wavelength above the one before it, 300 nm, but found 300 nm"),
            ("-1,0.1\n300,1\n", "a.csv:2: expected a wavelength from 100 to 5000 nm, but found -1 nm"),
            ("300,0.1\n2e7,1\n", "a.csv:3: expected a wavelength from 100 to 5000 nm, but found 20000000 nm"),
            ("300,0.1\n", "a.csv:3: expected at least 2 rows, but found 1"),
            ("", "a.csv:2: expected at least 2 rows, but found 0"),
            (
                "300,0.1\n\n301,1\n",
                "a.csv:3: expected 2 values separated by a comma, but found an empty line (1 fields)",
            ),
            ("300,0.1\n301,1,2\n", "a.csv:3: expected 2 values separated by a comma, but found `301,1,2` (3 fields)"),
            (
                "300;0.1\n301;1\n",
                "a.csv:2: expected 2 values separated by a comma, but found `300;0.1` (1 fields)\n\
              a.csv:3: expected 2 values separated by a comma, but found `301;1` (1 fields)",
            ),
        ] {
            assert_eq!(refusal(format!("{head}{text}").as_bytes()), want);
        }
        assert_eq!(refusal(b""), format!("a.csv:1: expected the header `{HEADER}`, but found an empty line"));
        assert_eq!(refusal(b"# a: b"), format!("a.csv:2: expected the header `{HEADER}`, but the file ends"));
        assert_eq!(refusal(b"nm,W\n1,2\n"), format!("a.csv:1: expected the header `{HEADER}`, but found `nm,W`"));
        let remark = "a.csv:1: expected `# key: value`, but found `# no colon`";
        assert_eq!(refusal(b"# no colon\nwavelength_nm,irradiance_w_m2_nm\n301,1\n302,2\n"), remark);
        assert_eq!(refusal(b"# a: b\n\xff\xfe\n"), "a.csv:2: expected UTF-8 text, but found bytes that are not");
    }

    /// A file of more rows than any spectrometer has pixels is refused where the rows begin to be too many.
    #[test]
    fn too_many_rows_are_refused() {
        let rows = |n: usize| {
            (0..n).fold(format!("{HEADER}\n"), |text, i| text + &format!("{:.4},1\n", 200.0 + 0.01 * i as f64))
        };
        assert_eq!(read("a.csv", rows(MOST_ROWS).as_bytes()).unwrap().spectrum.irradiance.len(), MOST_ROWS);
        let want = format!("a.csv:{}: expected at most {MOST_ROWS} rows, but found more", MOST_ROWS + 2);
        assert_eq!(refusal(rows(MOST_ROWS + 1).as_bytes()), want);
    }

    /// All faults are reported at once; at most twenty are listed and the others are counted.
    #[test]
    fn many_faults_are_listed_together_and_counted() {
        let mut text = format!("{HEADER}\n");
        (0..50).for_each(|_| text.push_str("x,y\n"));
        let refused = read("a.csv", text.as_bytes()).unwrap_err();
        assert_eq!((refused.faults.len(), refused.more), (20, 80));
        assert!(refused.to_string().ends_with("a.csv: and 80 more faults"));
        // One low row is one fault, not one fault per following row.
        let refused = read("a.csv", format!("{HEADER}\n300,1\n200,1\n301,1\n302,1\n").as_bytes()).unwrap_err();
        assert_eq!(refused.faults.len(), 1);
    }

    proptest! {
        /// Identity: every written spectrum reads back to the same bits, and its remarks to the same text.
        #[test]
        fn what_is_written_reads_back_to_the_same_bits(
            steps in prop::collection::vec(1e-6f64..10.0, 2..50),
            values in prop::collection::vec(-1e3f64..1e3, 50),
            remark in "[a-z:\n ]{0,20}",
        ) {
            let wavelength_nm: Vec<f64> = steps.iter().scan(200.0, |x, s| { *x += s; Some(*x) }).collect();
            let irradiance = values[..wavelength_nm.len()].to_vec();
            let spectrum = Spectrum { wavelength_nm, irradiance };
            let text = write(&spectrum, &[("site".into(), remark.clone())]);
            let back = read("a.csv", text.as_bytes()).unwrap();
            prop_assert_eq!(back.spectrum, spectrum);
            prop_assert_eq!(&back.remarks[0].1, &remark.split_whitespace().collect::<Vec<_>>().join(" "));
        }

        /// No input makes the reader panic, and every refusal has a reason.
        #[test]
        fn any_bytes_are_read_or_refused_with_a_reason(bytes in prop::collection::vec(any::<u8>(), 0..300)) {
            if let Err(refused) = read("a.csv", &bytes) {
                prop_assert!(!refused.faults.is_empty());
            }
        }

        /// The same for text that resembles the format.
        #[test]
        fn any_text_near_the_form_is_read_or_refused(body in "[0-9.,e\\-naif\r\n# ]{0,200}") {
            match read("a.csv", format!("{HEADER}\n{body}").as_bytes()) {
                Ok(file) => prop_assert!(super::super::axis::is_usable(&file.spectrum.wavelength_nm)),
                Err(refused) => prop_assert!(!refused.faults.is_empty()),
            }
        }
    }
}
