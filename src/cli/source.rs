//! The database of a command: `--config FILE` or `--database FILE`, and the computation whose values it reads.

use super::{Failure, configuration};
use crate::clock::UtcMicros;
use crate::config::{self, Config};
use crate::quantities::{SourceRule, cautions, index_of, registry};
use crate::store::{Reader, StoreError};
use std::path::{Path, PathBuf};

/// Damaged rows that are named in a message.
const NAMED_AT_MOST: usize = 20;

/// The arguments that name a database.
#[derive(Clone, Debug, clap::Args)]
#[group(multiple = false)]
pub struct Source {
    /// Configuration of the station [default: $VIGILUX_CONFIG, else vigilux.toml in this folder]
    #[arg(long, value_name = "FILE")]
    pub config: Option<PathBuf>,
    /// The database
    #[arg(long, value_name = "FILE")]
    pub database: Option<PathBuf>,
}

/// The argument that names a computation.
#[derive(Clone, Copy, Debug, Default, clap::Args)]
pub struct ComputationArg {
    /// Values of this computation instead of the active values; `vigilux show --computations` lists computations
    #[arg(long, value_name = "ID")]
    pub computation: Option<i64>,
}

impl ComputationArg {
    /// Selects the named computation of an archive, which has to exist and to be finished.
    pub fn select(self, archive: Archive) -> Result<Archive, Failure> {
        let Some(id) = self.computation else { return Ok(archive) };
        let known: Vec<i64> = archive.reader.computations()?.iter().map(|c| c.id).collect();
        if !known.contains(&id) {
            let expected = match &known[..] {
                [] => "a finished computation (there is none)".to_owned(),
                known => format!("one of {}", known.iter().map(ToString::to_string).collect::<Vec<_>>().join(", ")),
            };
            let unfinished = archive.reader.unfinished_computations()?.contains(&id);
            let found = if unfinished { format!("{id}, which is not finished") } else { id.to_string() };
            return Err(Failure::Usage(format!("--computation: expected {expected}, but found {found}")));
        }
        Ok(Archive { reader: archive.reader.with_computation(Some(id)), config: archive.config })
    }
}

/// A database opened for reading, and its station.
#[derive(Debug)]
pub struct Archive {
    /// The database.
    pub reader: Reader,
    /// The configuration: of the file, or the one stored in the database; `None` where the stored one cannot be parsed.
    pub config: Option<Config>,
}

/// A named database.
enum Named {
    Config(PathBuf),
    Database(PathBuf),
}

impl Source {
    /// What the arguments name, or else the environment or the current folder.
    fn named(&self) -> Result<Named, Failure> {
        match (&self.config, &self.database) {
            (Some(file), _) => Ok(Named::Config(file.clone())),
            (None, Some(database)) => Ok(Named::Database(database.clone())),
            (None, None) => configuration::default_path()
                .map(Named::Config)
                .ok_or_else(|| Failure::Usage(configuration::nothing_named("--config FILE, --database FILE"))),
        }
    }

    /// Path of the database, for commands that write to it.
    pub fn database(&self, now: UtcMicros) -> Result<PathBuf, Failure> {
        match self.named()? {
            Named::Config(file) => Ok(config::read(&file, now)?.store.path),
            Named::Database(database) => Ok(database),
        }
    }

    /// Opens the database for reading.
    pub fn open(&self, now: UtcMicros) -> Result<Archive, Failure> {
        let database = match self.named()? {
            Named::Config(file) => {
                let config = config::read(&file, now)?;
                let reader = Reader::open(&config.store.path)?;
                return Ok(Archive { reader, config: Some(config) });
            }
            Named::Database(database) => database,
        };
        let reader = Reader::open(&database)?;
        // The stored text may be from another version of the program; without a configuration, times are shown in UTC only.
        let config =
            reader.current_configuration()?.and_then(|c| config::parse(Path::new("database"), &c.text, now).ok());
        Ok(Archive { reader, config })
    }
}

impl Archive {
    /// The source rule of the station; `None` where its configuration cannot be read.
    pub fn source_rule(&self) -> Option<SourceRule> {
        self.config.as_ref().map(|c| c.station.source_rule())
    }

    /// A failure that names the damaged rows that were left out, if there are any; called when all else is printed.
    pub fn finish(&self) -> Result<(), Failure> {
        let damaged = self.reader.take_damage();
        if damaged.is_empty() {
            return Ok(());
        }
        let (n, rows) = (damaged.len(), if damaged.len() == 1 { "row is" } else { "rows are" });
        let mut text = format!("{n} damaged {rows} left out; `vigilux verify` checks the whole database");
        for row in damaged.iter().take(NAMED_AT_MOST) {
            text += &format!("\n    {row}");
        }
        if n > NAMED_AT_MOST {
            text += &format!("\n    and {} more", n - NAMED_AT_MOST);
        }
        Err(Failure::Failed(text))
    }

    /// Safety notices for the quantities of the database, as (group, text).
    pub fn cautions(&self) -> Vec<(&'static str, String)> {
        let known = self.reader.quantities().iter().filter_map(|(id, _)| index_of(id));
        let groups: Vec<_> = known.map(|at| registry()[at].group).collect();
        cautions(|group| groups.contains(&group), self.source_rule())
    }

    /// The names of all stored instruments, or the requested one, which has to be among them.
    pub fn instruments(&self, requested: Option<&str>) -> Result<Vec<String>, Failure> {
        let mut known: Vec<String> = Vec::new();
        for row in self.reader.instruments()? {
            if !known.contains(&row.name) {
                known.push(row.name);
            }
        }
        let Some(name) = requested else { return Ok(known) };
        if known.iter().any(|k| k == name) {
            return Ok(vec![name.to_owned()]);
        }
        let known =
            if known.is_empty() { "the stored instruments (there are none)".to_owned() } else { known.join(", ") };
        Err(Failure::Usage(format!("--instrument: expected one of {known}, but found `{name}`")))
    }
}

/// Parses an instant, or a date as the start of that day in UTC.
pub fn instant(text: &str) -> Result<UtcMicros, String> {
    UtcMicros::parse(text)
        .or_else(|_| UtcMicros::parse(&format!("{text}T00:00:00Z")))
        .map_err(|_| "expected an instant as in 2026-06-21T12:00:00Z, or a date as in 2026-06-21".to_owned())
}

impl From<StoreError> for Failure {
    fn from(error: StoreError) -> Self {
        Self::Failed(error.to_string())
    }
}
