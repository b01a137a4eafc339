//! Where a command finds the readings: `--config FILE` or `--database FILE`.

use super::Failure;
use crate::clock::UtcMicros;
use crate::config::{self, Config};
use crate::store::{Reader, StoreError};
use std::path::{Path, PathBuf};

/// The arguments that name a database.
#[derive(Clone, Debug, clap::Args)]
#[group(required = true, multiple = false)]
pub struct Source {
    /// Configuration of the station whose database it is
    #[arg(long, value_name = "FILE")]
    pub config: Option<PathBuf>,
    /// The database itself
    #[arg(long, value_name = "FILE")]
    pub database: Option<PathBuf>,
}

/// A database that was opened for reading, and the station it belongs to as far as it is known.
#[derive(Debug)]
pub struct Archive {
    /// The database.
    pub reader: Reader,
    /// From the file, or as the database has it on record; `None` when neither can be understood.
    pub config: Option<Config>,
}

impl Source {
    /// Opens the database for reading.
    pub fn open(&self, now: UtcMicros) -> Result<Archive, Failure> {
        if let Some(file) = &self.config {
            let config = config::read(file, now)?;
            let reader = Reader::open(&config.store.path)?;
            return Ok(Archive { reader, config: Some(config) });
        }
        let Some(database) = &self.database else {
            return Err(Failure::Usage("expected --config FILE or --database FILE, but found neither".into()));
        };
        let reader = Reader::open(database)?;
        // The text on record may be that of another version of the program: without it times are shown in UTC alone.
        let config =
            reader.current_configuration()?.and_then(|c| config::parse(Path::new("database"), &c.text, now).ok());
        Ok(Archive { reader, config })
    }
}

impl Archive {
    /// The names of all instruments on record, or the one that was asked for, which has to be among them.
    pub fn chosen(&self, asked: Option<&str>) -> Result<Vec<String>, Failure> {
        let mut known: Vec<String> = Vec::new();
        for row in self.reader.instruments()? {
            if !known.contains(&row.name) {
                known.push(row.name);
            }
        }
        let Some(name) = asked else { return Ok(known) };
        if known.iter().any(|k| k == name) {
            return Ok(vec![name.to_owned()]);
        }
        let known = if known.is_empty() { "none that is on record".to_owned() } else { known.join(", ") };
        Err(Failure::Usage(format!("--instrument: expected one of {known}, but found `{name}`")))
    }
}

/// Reads an instant, or the beginning of a day in UTC.
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
