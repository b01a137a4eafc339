//! The truth: the light during each exposure, before optic and slit.
//!
//! Records are joined to readings by the CRC-32 of the block sent. They are held in memory, appended to a file as one JSON object
//! a line, or not recorded.

use crate::clock::UtcMicros;
use std::fmt::Write as _;
use std::fs::File;
use std::io::{Read, Write};
use std::path::Path;
use std::sync::{Arc, Mutex};

/// The truth of one exposure.
#[derive(Clone, Debug, PartialEq)]
pub struct TruthRecord {
    /// Its start.
    pub start: UtcMicros,
    /// Its duration [s].
    pub length_s: f64,
    /// CRC-32 of the block sent.
    pub crc32: u32,
    /// Whether the shutter was open.
    pub shutter_open: bool,
    /// Wavelength of the first value [nm]; the values are 1 nm apart.
    pub first_nm: i32,
    /// Horizontal spectral irradiance, mean over the exposure [W m⁻² nm⁻¹].
    pub irradiance_w_m2_nm: Vec<f64>,
}

/// A line of the file.
#[derive(serde::Deserialize)]
struct Line {
    start: f64,
    length_s: f64,
    crc32: u32,
    shutter: String,
    first_nm: i32,
    irradiance_w_m2_nm: Vec<f64>,
}

impl TruthRecord {
    /// Parses one line of JSON.
    pub fn parse(line: &[u8]) -> Result<Self, serde_json::Error> {
        let line: Line = serde_json::from_slice(line)?;
        Ok(Self {
            start: UtcMicros::from_seconds(line.start),
            length_s: line.length_s,
            crc32: line.crc32,
            shutter_open: line.shutter == "open",
            first_nm: line.first_nm,
            irradiance_w_m2_nm: line.irradiance_w_m2_nm,
        })
    }

    /// One line of JSON, without line feed.
    pub fn json(&self) -> String {
        let mut line = format!(
            "{{\"start\":{:.6},\"length_s\":{},\"crc32\":{},\"shutter\":\"{}\",\"first_nm\":{},\"irradiance_w_m2_nm\":[",
            self.start.seconds(),
            self.length_s,
            self.crc32,
            if self.shutter_open { "open" } else { "closed" },
            self.first_nm
        );
        for (i, value) in self.irradiance_w_m2_nm.iter().enumerate() {
            if i > 0 {
                line.push(',');
            }
            if *value == 0.0 {
                line.push('0');
            } else {
                // Writing to a string cannot fail.
                let _ = write!(line, "{value:.6e}");
            }
        }
        line.push_str("]}");
        line
    }
}

#[derive(Debug, Default)]
struct Inner {
    keep: bool,
    kept: Vec<TruthRecord>,
    file: Option<File>,
    failed: Option<std::io::Error>,
}

/// The log of the truth; clones share it.
#[derive(Clone, Debug, Default)]
pub struct TruthLog(Arc<Mutex<Inner>>);

impl TruthLog {
    /// A log that records nothing.
    pub fn none() -> Self {
        Self::default()
    }

    /// A log in memory, 6 KB a record.
    pub fn in_memory() -> Self {
        let log = Self::default();
        log.inner().keep = true;
        log
    }

    /// A log that appends to a file.
    pub fn to_file(path: &Path) -> std::io::Result<Self> {
        let log = Self::default();
        log.inner().file = Some(File::options().create(true).append(true).open(path)?);
        Ok(log)
    }

    fn inner(&self) -> std::sync::MutexGuard<'_, Inner> {
        // A panic while the lock was held ended the process or the test; the records are complete in either case.
        self.0.lock().unwrap_or_else(std::sync::PoisonError::into_inner)
    }

    /// Whether records are kept or written.
    pub fn is_enabled(&self) -> bool {
        let inner = self.inner();
        inner.keep || inner.file.is_some()
    }

    /// Adds a record.
    pub fn add(&self, record: TruthRecord) {
        let mut inner = self.inner();
        if let Some(file) = &mut inner.file
            // One write per line, so that a reader of the file sees complete lines, also of a simulator that was killed.
            && let Err(why) = file.write_all((record.json() + "\n").as_bytes())
        {
            inner.failed.get_or_insert(why);
        }
        if inner.keep {
            inner.kept.push(record);
        }
    }

    /// The latest record with this CRC in memory.
    pub fn find(&self, crc32: u32) -> Option<TruthRecord> {
        self.inner().kept.iter().rev().find(|r| r.crc32 == crc32).cloned()
    }

    /// Removes and returns all records in memory, oldest first.
    pub fn drain(&self) -> Vec<TruthRecord> {
        std::mem::take(&mut self.inner().kept)
    }

    /// Returns the first write error, or synchronises the file with the disk.
    pub fn flush(&self) -> std::io::Result<()> {
        let mut inner = self.inner();
        if let Some(why) = inner.failed.take() {
            return Err(why);
        }
        // Pipes and devices cannot be synchronised; their records were written.
        let _ = inner.file.as_ref().map(File::sync_data);
        Ok(())
    }
}

/// Reads a truth file while a simulator in another process appends to it.
#[derive(Debug)]
pub struct TruthTail {
    file: File,
    /// Bytes of an incomplete line.
    rest: Vec<u8>,
}

impl TruthTail {
    /// Opens a file at its beginning.
    pub fn open(path: &Path) -> std::io::Result<Self> {
        Ok(Self { file: File::open(path)?, rest: Vec::new() })
    }

    /// The records since the last call; invalid lines are skipped.
    pub fn read_new(&mut self) -> Vec<TruthRecord> {
        // A file that cannot be read now is read at the next call.
        let _ = self.file.read_to_end(&mut self.rest);
        let Some(last) = self.rest.iter().rposition(|b| *b == b'\n') else { return Vec::new() };
        let rest = self.rest.split_off(last + 1);
        let complete = std::mem::replace(&mut self.rest, rest);
        complete.split(|b| *b == b'\n').filter_map(|line| TruthRecord::parse(line).ok()).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_growing_file_gives_each_record_once() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("truth.jsonl");
        let log = TruthLog::to_file(&path).unwrap();
        let mut tail = TruthTail::open(&path).unwrap();
        assert!(tail.read_new().is_empty());
        let record = |crc32| TruthRecord {
            start: UtcMicros(1_782_036_000_123_456),
            length_s: 0.25,
            crc32,
            shutter_open: false,
            first_nm: 270,
            irradiance_w_m2_nm: vec![0.0, 1.25],
        };
        log.add(record(1));
        log.add(record(2));
        assert_eq!(tail.read_new(), [record(1), record(2)]);
        let line = record(3).json() + "\n";
        let mut file = File::options().append(true).open(&path).unwrap();
        file.write_all(&line.as_bytes()[..40]).unwrap();
        assert!(tail.read_new().is_empty());
        file.write_all(&line.as_bytes()[40..]).unwrap();
        assert_eq!(tail.read_new(), [record(3)]);
    }

    #[test]
    fn a_line_is_json_with_the_documented_keys() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("truth.jsonl");
        let log = TruthLog::to_file(&path).unwrap();
        let record = TruthRecord {
            start: UtcMicros(1_782_036_000_123_456),
            length_s: 0.005,
            crc32: 4_000_000_000,
            shutter_open: true,
            first_nm: 270,
            irradiance_w_m2_nm: vec![0.0, 1.25, 3.0e-9],
        };
        log.add(record.clone());
        log.add(record);
        log.flush().unwrap();
        let text = std::fs::read_to_string(path).unwrap();
        assert_eq!(text.lines().count(), 2);
        let value: serde_json::Value = serde_json::from_str(text.lines().next().unwrap()).unwrap();
        assert_eq!(value["start"].as_f64(), Some(1_782_036_000.123456));
        assert_eq!(value["length_s"].as_f64(), Some(0.005));
        assert_eq!(value["crc32"].as_u64(), Some(4_000_000_000));
        assert_eq!(value["shutter"], "open");
        assert_eq!(value["first_nm"].as_i64(), Some(270));
        assert_eq!(value["irradiance_w_m2_nm"], serde_json::json!([0, 1.25, 3.0e-9]));
    }
}
