//! Writes the manual pages and the shell completions, from the command line's own definition.
//!
//! ```text
//! cargo run --example manual -- MANUAL_FOLDER COMPLETIONS_FOLDER
//! ```

use clap::CommandFactory;
use clap_complete::Shell;
use std::path::Path;
use vigilux::cli::Cli;

fn main() -> std::io::Result<()> {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let [manual, completions] = &arguments[..] else {
        eprintln!("expected two folders, but found {} arguments", arguments.len());
        std::process::exit(2);
    };
    clap_mangen::generate_to(Cli::command(), Path::new(manual))?;
    for shell in [Shell::Bash, Shell::Zsh, Shell::Fish] {
        clap_complete::generate_to(shell, &mut Cli::command(), "vigilux", Path::new(completions))?;
    }
    Ok(())
}
