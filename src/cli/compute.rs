//! `vigilux compute`: all quantities of one or more spectrum files.
//!
//! Reads files or standard input and prints; stores nothing. Invariant: an invalid file is reported by name and does not affect the
//! others.

mod report;

use super::Failure;
use crate::spectrum::csv::{self, SpectrumFile};
use report::Report;
use std::io::Read;
use std::path::{Path, PathBuf};

/// Largest spectrum file [bytes]: the most rows that a file may have, with many digits.
const LARGEST_FILE: u64 = 8 << 20;

/// Compute all quantities of spectrum files.
///
/// A file is CSV: optional `# key: value` lines, the header `wavelength_nm,irradiance_w_m2_nm`, then rows with rising
/// wavelength. `-` reads standard input.
#[derive(clap::Args, Clone, Debug)]
pub struct ComputeArgs {
    /// The spectrum files, or `-` for standard input
    #[arg(value_name = "FILE", required = true)]
    pub files: Vec<PathBuf>,
    /// Light source: decides where ultraviolet integrals start and which range they need [default: sun if the file starts at
    /// 280 nm or above, otherwise lamp]
    #[arg(long, value_enum, value_name = "SOURCE")]
    pub source: Option<Source>,
    /// Print JSON: one object, or a list for several files
    #[arg(long, conflicts_with = "csv")]
    pub json: bool,
    /// Print a CSV table, one row per file
    #[arg(long)]
    pub csv: bool,
}

/// The sources on the command line.
#[derive(clap::ValueEnum, Clone, Copy, Debug, PartialEq, Eq)]
pub enum Source {
    /// Sun and sky, also under glazing
    Sun,
    /// Lamps
    Lamp,
}

/// Runs `compute`: prints the valid files, then fails with the name of every invalid one.
pub fn run(args: ComputeArgs) -> Result<(), Failure> {
    let (mut reports, mut invalid) = (Vec::new(), Vec::new());
    for path in &args.files {
        match load(path) {
            Ok(file) => reports.push(Report::of(&name_of(path), &file, args.source)),
            Err(message) => invalid.push(message),
        }
    }
    if !reports.is_empty() {
        let text = if args.json {
            Report::json(&reports)?
        } else if args.csv {
            Report::csv(&reports)
        } else {
            reports.iter().map(Report::table).collect::<Vec<_>>().join("\n")
        };
        super::print(&text)?;
    }
    if invalid.is_empty() { Ok(()) } else { Err(Failure::Usage(invalid.join("\n"))) }
}

fn is_standard_input(path: &Path) -> bool {
    path.as_os_str() == "-"
}

fn name_of(path: &Path) -> String {
    if is_standard_input(path) { "standard input".to_string() } else { path.display().to_string() }
}

fn load(path: &Path) -> Result<SpectrumFile, String> {
    let name = name_of(path);
    let unreadable = |e: std::io::Error| format!("{name}: the spectrum file could not be read: {e}");
    let mut bytes = Vec::new();
    if is_standard_input(path) {
        std::io::stdin().lock().take(LARGEST_FILE + 1).read_to_end(&mut bytes).map_err(unreadable)?;
    } else {
        let file = std::fs::File::open(path).map_err(unreadable)?;
        file.take(LARGEST_FILE + 1).read_to_end(&mut bytes).map_err(unreadable)?;
    }
    if bytes.len() as u64 > LARGEST_FILE {
        return Err(format!("{name}: expected a spectrum file of at most {LARGEST_FILE} bytes, but it is larger"));
    }
    csv::read(&name, &bytes).map_err(|refused| refused.to_string())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_invalid_file_is_reported_by_name() {
        let dir = tempfile::tempdir().unwrap();
        let missing = dir.path().join("missing.csv");
        let Err(message) = load(&missing) else { panic!("a missing file was read") };
        assert!(message.starts_with(&missing.display().to_string()), "{message}");
        let bad = dir.path().join("bad.csv");
        std::fs::write(&bad, format!("{}\n300,1\n299,x\n", csv::HEADER)).unwrap();
        let Err(message) = load(&bad) else { panic!("a bad file was read") };
        assert_eq!(message.lines().count(), 2, "{message}");
    }
}
