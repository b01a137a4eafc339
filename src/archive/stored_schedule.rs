//! The schedule that an instrument had under a stored configuration.

use crate::config;
use crate::exposure::Schedule;
use crate::store::Reader;
use std::path::Path;

/// The schedule of an instrument under the configuration in a row; `None` where that configuration does not name it. The error
/// says why the configuration cannot be read.
pub fn stored_schedule(reader: &Reader, configuration: i64, instrument: &str) -> Result<Option<Schedule>, String> {
    let stored = reader.configuration(configuration).map_err(|e| e.to_string())?.ok_or("it is missing")?;
    let config = config::parse(Path::new("stored configuration"), &stored.text, stored.since)
        .map_err(|diagnostics| diagnostics.to_string())?;
    let found = config.instruments.iter().find(|i| i.name == instrument);
    Ok(found.map(|i| Schedule::new(&i.schedule, &config.station)))
}
