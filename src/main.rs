//! Entry point: parses the command line, runs the command and maps its result to an exit status.
//!
//! Exit status: 0 success, 1 failure, 2 wrong usage or invalid input; `status` has its own. Every failure is printed once, to stderr.

use clap::Parser;
use std::process::ExitCode;
use vigilux::cli::{self, Cli};

fn main() -> ExitCode {
    match cli::run(Cli::parse()) {
        Ok(()) => ExitCode::SUCCESS,
        Err(failure) => {
            cli::print_failure(&failure);
            ExitCode::from(failure.status())
        }
    }
}
