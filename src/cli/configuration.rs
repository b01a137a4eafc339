//! Which configuration a command uses: `--config FILE`, else the variable `VIGILUX_CONFIG`, else `vigilux.toml` in the current folder.

use super::Failure;
use std::path::{Path, PathBuf};

/// The variable that names the configuration.
pub const VARIABLE: &str = "VIGILUX_CONFIG";
/// The configuration of the current folder.
pub const DEFAULT_FILE: &str = "vigilux.toml";

/// The argument that names a configuration.
#[derive(Clone, Debug, Default, clap::Args)]
pub struct ConfigArg {
    /// The configuration [default: $VIGILUX_CONFIG, else vigilux.toml in this folder]
    #[arg(long, value_name = "FILE")]
    pub config: Option<PathBuf>,
}

impl ConfigArg {
    /// The path of the configuration.
    pub fn path(&self) -> Result<PathBuf, Failure> {
        let named = self.config.clone().or_else(default_path);
        named.ok_or_else(|| Failure::Usage(nothing_named("--config FILE")))
    }
}

/// The configuration of a command without `--config`; `None` where there is none.
pub fn default_path() -> Option<PathBuf> {
    choose(std::env::var_os(VARIABLE).map(PathBuf::from), Path::new(DEFAULT_FILE).exists())
}

/// An empty variable names nothing. A named file is not looked for: that it is missing is an error of its own.
fn choose(variable: Option<PathBuf>, default_exists: bool) -> Option<PathBuf> {
    let named = variable.filter(|path| !path.as_os_str().is_empty());
    named.or_else(|| default_exists.then(|| PathBuf::from(DEFAULT_FILE)))
}

/// The message where no configuration is named. arguments: those that would name one.
pub fn nothing_named(arguments: &str) -> String {
    format!(
        "expected {arguments}, the variable {VARIABLE} or a file {DEFAULT_FILE} in this folder, but found none \
         (`vigilux init` writes one)"
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The variable comes before the folder; an empty one counts as absent.
    #[test]
    fn the_variable_comes_before_the_folder() {
        let named = |text: &str| Some(PathBuf::from(text));
        assert_eq!(choose(named("/etc/a.toml"), true), named("/etc/a.toml"));
        assert_eq!(choose(named(""), true), named(DEFAULT_FILE));
        assert_eq!((choose(None, true), choose(None, false)), (named(DEFAULT_FILE), None));
    }
}
