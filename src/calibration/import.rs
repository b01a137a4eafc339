//! Makes a calibration from what certificates hold: units, tables, wavelengths in air, the response.
//!
//! Pure. Asks nobody and writes no file: that is the task of the command. Invariant: nothing is converted whose unit or medium was not
//! stated.

pub mod air;
pub mod response;
pub mod scale;
pub mod table;
pub mod units;

/// The text of a calibration file with a remark beside each key (`section.key`) whose value was assumed: the argument that would give it,
/// and the reason.
pub fn with_remarks(text: &str, assumed: &[(&str, &str, &str)]) -> String {
    let mut section = "";
    let mut result = String::from(
        "# Written by `vigilux calibration import`. Values marked ASSUMED were not stated: replace them where you know better.\n\n",
    );
    for line in text.lines() {
        if let Some(name) = line.strip_prefix('[').and_then(|l| l.strip_suffix(']')) {
            section = name;
        }
        let key = line.split(" = ").next().unwrap_or_default();
        let remark = assumed.iter().find(|(name, ..)| *name == format!("{section}.{key}"));
        result += line;
        if let Some((_, argument, reason)) = remark {
            result += &format!("  # ASSUMED ({argument}): {reason}");
        }
        result.push('\n');
    }
    result
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A remark stands beside its key and no other, and the text is still TOML.
    #[test]
    fn a_remark_stands_beside_its_key() {
        let text = "[wavelength]\nfwhm_nm = 2.0\n[noise]\nfwhm_nm = 3.0\n";
        let marked = with_remarks(text, &[("wavelength.fwhm_nm", "--fwhm", "a common width")]);
        assert!(
            marked.contains("\nfwhm_nm = 2.0  # ASSUMED (--fwhm): a common width\n[noise]\nfwhm_nm = 3.0\n"),
            "{marked}"
        );
        let table: toml::Table = marked.parse().unwrap();
        assert_eq!(table["wavelength"]["fwhm_nm"].as_float(), Some(2.0));
    }
}
