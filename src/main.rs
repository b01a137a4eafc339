//! The program: reads the command line, runs the command, maps the result to an exit status.
//!
//! 0 done · 1 failed · 2 wrong usage or invalid input. Every failure is printed exactly once, to stderr.

use clap::Parser;
use std::process::ExitCode;
use vigilux::cli::{self, Cli};

fn main() -> ExitCode {
    match cli::run(Cli::parse()) {
        Ok(()) => ExitCode::SUCCESS,
        Err(failure) => {
            eprintln!("{failure}");
            ExitCode::from(failure.status())
        }
    }
}
