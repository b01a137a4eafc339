//! `vigilux calibration`: lists the calibrations of a station, and imports one from what a certificate holds.

mod facts;
mod import;
mod list;

use super::Failure;

/// Arguments of `calibration`.
#[derive(Debug, clap::Args)]
pub struct CalibrationArgs {
    #[command(subcommand)]
    command: CalibrationCommand,
}

/// The commands on calibrations.
#[derive(Debug, clap::Subcommand)]
enum CalibrationCommand {
    /// Make a calibration file from a certificate: a table, or a lamp's spectrum and counts
    Import(Box<import::ImportArgs>),
    /// List the calibrations of each instrument: validity, which is active, warnings
    List(list::ListArgs),
}

/// Runs `calibration`.
pub fn run(args: &CalibrationArgs) -> Result<(), Failure> {
    match &args.command {
        CalibrationCommand::Import(args) => import::run(args),
        CalibrationCommand::List(args) => list::run(args),
    }
}
