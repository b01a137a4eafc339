//! The log of the daemon: to the journal with its fields where standard error leads there, else to standard error as text.
//!
//! Invariants: a reader of standard error that does not read blocks nobody; an unknown level is refused, not ignored.

use super::Failure;
use super::line_writer::{LineSender, LineWriter};
use std::io::{IsTerminal, Write};
use std::os::fd::AsFd;
use std::os::unix::fs::MetadataExt;
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use tracing_subscriber::filter::{LevelFilter, Targets};
use tracing_subscriber::fmt::MakeWriter;
use tracing_subscriber::layer::SubscriberExt;
use tracing_subscriber::util::SubscriberInitExt;

/// The variable that sets the level or filter.
const VARIABLE: &str = "VIGILUX_LOG";
/// Levels, from the quietest on.
const LEVELS: [&str; 6] = ["off", "error", "warn", "info", "debug", "trace"];
/// Prefix of fields in the journal: `VIGILUX_INSTRUMENT=south`.
const FIELD_PREFIX: &str = "VIGILUX";

/// The running log; its last lines are written when this is dropped.
pub struct Log {
    /// Writes to standard error; `None` where the journal receives the log.
    _writer: Option<LineWriter>,
}

impl Log {
    /// Starts the log; [`VARIABLE`] sets its level or filter (default `info`).
    pub fn start() -> Result<Self, Failure> {
        let filter = match std::env::var(VARIABLE) {
            Ok(text) => filter(&text).map_err(Failure::Usage)?,
            Err(std::env::VarError::NotPresent) => Targets::new().with_default(LevelFilter::INFO),
            Err(std::env::VarError::NotUnicode(_)) => return Err(Failure::Usage(refusal("text that is not UTF-8"))),
        };
        let registry = tracing_subscriber::registry().with(filter);
        if stderr_is_the_journal()
            && let Ok(journal) = tracing_journald::layer()
        {
            let informational = tracing_journald::PriorityMappings {
                info: tracing_journald::Priority::Informational,
                ..tracing_journald::PriorityMappings::new()
            };
            let journal = journal.with_field_prefix(Some(FIELD_PREFIX.into())).with_priority_mappings(informational);
            // Tests call commands in one process; a second call keeps the first log.
            let _ = registry.with(journal).try_init();
            return Ok(Self { _writer: None });
        }
        let writer = LineWriter::new(std::io::stderr()).map_err(|e| Failure::from_error("standard error", &e))?;
        let lines = LogLines { sender: Arc::new(writer.sender()), dropped: Arc::default() };
        let text = tracing_subscriber::fmt::layer().with_writer(lines).with_target(false);
        let _ = registry.with(text.with_ansi(std::io::stderr().is_terminal())).try_init();
        Ok(Self { _writer: Some(writer) })
    }
}

/// Whether standard error is the stream that the service manager connected to the journal.
fn stderr_is_the_journal() -> bool {
    let Ok(stream) = std::env::var("JOURNAL_STREAM") else { return false };
    let stderr = std::io::stderr().as_fd().try_clone_to_owned().map(std::fs::File::from);
    let Ok(metadata) = stderr.and_then(|file| file.metadata()) else { return false };
    stream == format!("{}:{}", metadata.dev(), metadata.ino())
}

/// A filter: levels, and levels of single modules (`warn,vigilux::store=debug`). The error is a sentence.
fn filter(text: &str) -> Result<Targets, String> {
    let level_of = |directive: &str| directive.rsplit('=').next().unwrap_or_default().trim().to_ascii_lowercase();
    let directives = text.split(',').map(str::trim);
    if let Some(wrong) = directives.clone().find(|d| !LEVELS.contains(&&*level_of(d))) {
        return Err(refusal(&format!("`{wrong}`")));
    }
    directives.collect::<Vec<_>>().join(",").parse().map_err(|_| refusal(&format!("`{text}`")))
}

fn refusal(found: &str) -> String {
    format!(
        "{VARIABLE}: expected a level, one of {}, or MODULE=LEVEL, separated by commas, but found {found}",
        LEVELS.join(", ")
    )
}

/// Sends each line of the log to the writer.
#[derive(Clone)]
struct LogLines {
    sender: Arc<LineSender>,
    dropped: Arc<AtomicU64>,
}

/// One line while it is formatted.
struct LogLine {
    lines: LogLines,
    text: Vec<u8>,
}

impl<'a> MakeWriter<'a> for LogLines {
    type Writer = LogLine;
    fn make_writer(&'a self) -> LogLine {
        LogLine { lines: self.clone(), text: Vec::new() }
    }
}

impl Write for LogLine {
    fn write(&mut self, bytes: &[u8]) -> std::io::Result<usize> {
        self.text.extend_from_slice(bytes);
        Ok(bytes.len())
    }
    fn flush(&mut self) -> std::io::Result<()> {
        Ok(())
    }
}

impl Drop for LogLine {
    fn drop(&mut self) {
        let LogLines { sender, dropped } = &self.lines;
        let missing = dropped.swap(0, Ordering::Relaxed);
        let mut text = std::mem::take(&mut self.text);
        if missing > 0 {
            let note = format!("{missing} lines of the log were dropped: standard error was not read\n");
            text.splice(0..0, note.into_bytes());
        }
        if !sender.send(text) {
            dropped.fetch_add(missing + 1, Ordering::Relaxed);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Levels, also of single modules, are accepted in any case; anything else is refused with the list.
    #[test]
    fn only_levels_are_accepted() {
        for good in ["info", "WARN", "debug", "off", "warn,vigilux::store=debug", "vigilux=trace", "info, vigilux=warn"]
        {
            assert!(filter(good).is_ok(), "{good}");
        }
        for bad in ["debgu", "", "verbose", "vigilux=loud", "info,", "vigilux::store", "3"] {
            let found = filter(bad).unwrap_err();
            let directive = bad.split(',').next_back().unwrap();
            assert_eq!(
                found,
                format!(
                    "VIGILUX_LOG: expected a level, one of off, error, warn, info, debug, trace, or MODULE=LEVEL, separated by \
                     commas, but found `{directive}`"
                )
            );
        }
    }
}
