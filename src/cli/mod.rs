//! The command line: one file per command, and shared functions.
//!
//! Commands parse arguments, call other modules and print; they decide nothing about light.
//!
//! Invariants: results go to stdout and logs to stderr; a failure is printed once, by `main`, and sets the exit status.

pub mod backup;
pub mod calibration;
pub mod check;
pub mod compute;
pub mod configuration;
pub mod daily;
pub mod dark;
pub mod demo;
pub mod events;
#[cfg(test)]
mod example_archive;
pub mod export;
pub mod flags;
mod format;
pub mod init;
mod line_writer;
mod log;
pub mod monitors;
pub mod note;
pub mod output;
pub mod probe;
pub mod quantities;
mod questions;
pub mod recompute;
pub mod run;
pub mod series;
pub mod show;
pub mod simulate;
pub mod source;
pub mod status;
mod verdict_line;
pub mod verify;
mod when;

use crate::document::Diagnostics;
use crate::system;
use std::io::Write;

/// Why a command failed.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum Failure {
    /// Wrong usage or invalid input: exit status 2.
    #[error("{0}")]
    Usage(String),
    /// Anything else: exit status 1.
    #[error("{0}")]
    Failed(String),
    /// A state that is an answer and no error, already printed: its own exit status.
    #[error("")]
    Status(u8),
}

impl Failure {
    /// The exit status.
    pub fn status(&self) -> u8 {
        match self {
            Self::Usage(_) => 2,
            Self::Failed(_) => 1,
            Self::Status(status) => *status,
        }
    }

    /// A failure with its action and the chain of its causes.
    pub fn from_error(action: &str, error: &dyn std::error::Error) -> Self {
        let causes = std::iter::successors(Some(error), |e| e.source());
        let parts: Vec<String> = std::iter::once(action.to_owned()).chain(causes.map(ToString::to_string)).collect();
        Self::Failed(parts.join(": "))
    }
}

impl From<Diagnostics> for Failure {
    fn from(diagnostics: Diagnostics) -> Self {
        Self::Usage(diagnostics.to_string())
    }
}

/// Reads a calibrated spectrometer unattended and stores a flagged time series of light quantities.
#[derive(Debug, clap::Parser)]
#[command(name = "vigilux", version, max_term_width = 100)]
pub struct Cli {
    /// The command.
    #[command(subcommand)]
    pub command: Command,
}

/// The commands.
#[derive(Debug, clap::Subcommand)]
pub enum Command {
    /// Run a day on an invented roof: virtual spectrometer, real daemon, compressed time
    Demo(demo::DemoArgs),
    /// Run the daemon that measures
    Run(run::RunArgs),
    /// Validate a configuration and its calibrations without side effects
    Check(check::CheckArgs),
    /// Write a configuration from five questions
    Init(init::InitArgs),
    /// List calibrations, and make one from a certificate
    Calibration(calibration::CalibrationArgs),
    /// Find an instrument, measure its figures and print its configuration
    Probe(probe::ProbeArgs),
    /// Take a set of darks while the entrance optic is covered by hand
    Dark(dark::DarkArgs),
    /// Run a simulated instrument alone, on a pseudo-terminal or a TCP port
    Simulate(simulate::SimulateArgs),
    /// Compute all quantities of spectrum files
    Compute(compute::ComputeArgs),
    /// List all quantities: definition, source, range, limit and flags
    Quantities(quantities::QuantitiesArgs),
    /// Explain the flags: meaning, cause, what to do
    Flags(flags::FlagsArgs),
    /// Show the latest readings with units, flags and uncertainty
    Show(show::ShowArgs),
    /// Show daily figures: light integral, photoperiod, maxima, doses
    Daily(daily::DailyArgs),
    /// Show a quantity over any range of time: minimum, mean, maximum
    Series(series::SeriesArgs),
    /// Show whether the daemon runs and measures, the last good values, monitors, calibration, disk
    Status(status::StatusArgs),
    /// Show events: gaps, notes, flagged intervals, starts and stops, with durations
    Events(events::EventsArgs),
    /// Store a note: cleaned, moved, servicing, …
    Note(note::NoteArgs),
    /// Recompute readings from their raw frames, with another calibration or a newer program
    Recompute(recompute::RecomputeArgs),
    /// Verify the database: integrity, frames, gaps, values
    Verify(verify::VerifyArgs),
    /// Copy the database while it is in use, and verify the copy
    Backup(backup::BackupArgs),
    /// Export readings for other programs
    Export(export::ExportArgs),
}

/// Runs a command.
pub fn run(cli: Cli) -> Result<(), Failure> {
    system::report_file_size_limit();
    match cli.command {
        Command::Demo(args) => demo::run(&args),
        Command::Run(args) => run::run(&args),
        Command::Check(args) => check::run(args),
        Command::Init(args) => init::run(&args),
        Command::Calibration(args) => calibration::run(&args),
        Command::Probe(args) => probe::run(&args),
        Command::Dark(args) => dark::run(&args),
        Command::Simulate(args) => simulate::run(args),
        Command::Compute(args) => compute::run(args),
        Command::Quantities(args) => quantities::run(args),
        Command::Flags(args) => flags::run(&args),
        Command::Show(args) => show::run(args),
        Command::Daily(args) => daily::run(args),
        Command::Series(args) => series::run(args),
        Command::Status(args) => status::run(&args),
        Command::Events(args) => events::run(&args),
        Command::Note(args) => note::run(&args),
        Command::Recompute(args) => recompute::run(&args),
        Command::Verify(args) => verify::run(&args),
        Command::Backup(args) => backup::run(&args),
        Command::Export(args) => export::run(args),
    }
}

/// Prints a failure to stderr; a state that is printed already says nothing more.
pub fn print_failure(failure: &Failure) {
    if matches!(failure, Failure::Status(_)) {
        return;
    }
    eprintln!("{}", format::printable(&failure.to_string()));
}

/// Prints a result to stdout; control characters are escaped. A closed pipe (`vigilux … | head`) is no failure.
pub fn print(text: &str) -> Result<(), Failure> {
    let mut out = std::io::stdout().lock();
    match out.write_all(format::printable(text).as_bytes()).and_then(|()| out.flush()) {
        Err(e) if e.kind() != std::io::ErrorKind::BrokenPipe => Err(Failure::from_error("stdout", &e)),
        _ => Ok(()),
    }
}

/// Width of printed text [characters].
pub const WIDTH: usize = 80;

/// Text in lines of at most 80 characters, each indented by `indent` blanks.
pub fn wrapped(text: &str, indent: usize) -> String {
    wrapped_to(text, indent, WIDTH)
}

/// Text in lines of at most `width` characters, each indented by `indent` blanks; a longer word has a line of its own.
pub fn wrapped_to(text: &str, indent: usize, width: usize) -> String {
    let mut lines = vec![String::new()];
    for word in text.split_whitespace() {
        let line = lines.last().map_or(0, |l| l.chars().count());
        if line > 0 && indent + line + 1 + word.chars().count() > width {
            lines.push(String::new());
        }
        if let Some(last) = lines.last_mut() {
            if !last.is_empty() {
                last.push(' ');
            }
            last.push_str(word);
        }
    }
    lines.iter().map(|l| format!("{:indent$}{l}\n", "")).collect()
}

/// Prints a result to stdout as indented JSON.
pub fn print_json(value: &impl serde::Serialize) -> Result<(), Failure> {
    let text = serde_json::to_string_pretty(value).map_err(|e| Failure::from_error("JSON", &e))?;
    print(&(text + "\n"))
}

#[cfg(test)]
mod tests {
    use super::*;
    use clap::CommandFactory;

    #[test]
    fn the_command_line_is_well_formed() {
        Cli::command().debug_assert();
    }

    #[test]
    fn a_failure_has_its_chain_of_causes_and_its_status() {
        #[derive(Debug, thiserror::Error)]
        #[error("the lid is open")]
        struct Outer(#[source] std::io::Error);
        let failure = Failure::from_error("reading", &Outer(std::io::Error::other("no hinge")));
        assert_eq!(failure, Failure::Failed("reading: the lid is open: no hinge".into()));
        assert_eq!((failure.status(), Failure::Usage(String::new()).status()), (1, 2));
    }
}
