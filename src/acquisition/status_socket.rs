//! The status of the daemon on a Unix socket beside the database, for `vigilux status`.
//!
//! Whoever connects gets one JSON object and the end of the connection; nothing is read from them. The socket has the database's name with
//! `.socket` at its end, and can be opened by the daemon's user and group only.
//!
//! Invariant: a thread of its own serves one connection at a time, for [`PATIENCE`] at most, and takes snapshots only, so that no reader can
//! delay a reading.

use super::status::{Snapshot, Status};
use crate::clock::{Clock, UtcMicros};
use serde_json::{Value, json};
use std::io::{self, Read, Write};
use std::os::unix::fs::PermissionsExt;
use std::os::unix::net::{UnixListener, UnixStream};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;

/// Longest time given to one connection.
const PATIENCE: Duration = Duration::from_secs(1);
/// An answer is some kilobytes for each instrument.
const LONGEST_ANSWER: u64 = 1 << 20;

/// A socket that answers; its file is removed when it is dropped.
#[derive(Debug)]
pub struct StatusSocket {
    path: PathBuf,
}

/// The socket of a database.
pub fn path_of(database: &Path) -> PathBuf {
    let mut name = database.as_os_str().to_owned();
    name.push(".socket");
    name.into()
}

impl StatusSocket {
    /// Listens for a database. A file that an earlier daemon left is replaced: the daemon holds the lock of the database.
    pub fn listen(database: &Path, station: &str, statuses: Vec<Status>, clock: Arc<dyn Clock>) -> io::Result<Self> {
        let path = path_of(database);
        match std::fs::remove_file(&path) {
            Err(e) if e.kind() != io::ErrorKind::NotFound => return Err(e),
            _ => {}
        }
        let listener = UnixListener::bind(&path)?;
        std::fs::set_permissions(&path, std::fs::Permissions::from_mode(0o660))?;
        let (station, started) = (station.to_owned(), clock.now());
        std::thread::Builder::new().name("status".into()).spawn(move || {
            for stream in listener.incoming().flatten() {
                let answer = answer(&station, started, clock.now(), &statuses);
                // A reader that goes away or does not read gets no more.
                let _ = stream.set_write_timeout(Some(PATIENCE));
                let _ = (&stream).write_all(answer.to_string().as_bytes());
            }
        })?;
        Ok(Self { path })
    }
}

impl Drop for StatusSocket {
    fn drop(&mut self) {
        let _ = std::fs::remove_file(&self.path);
    }
}

/// Asks the daemon of a database; `None` where none answers.
pub fn ask(database: &Path) -> io::Result<Option<Value>> {
    let stream = match UnixStream::connect(path_of(database)) {
        Err(e) if matches!(e.kind(), io::ErrorKind::NotFound | io::ErrorKind::ConnectionRefused) => return Ok(None),
        other => other?,
    };
    stream.set_read_timeout(Some(2 * PATIENCE))?;
    let mut text = String::new();
    (&stream).take(LONGEST_ANSWER).read_to_string(&mut text)?;
    serde_json::from_str(&text).map(Some).map_err(io::Error::other)
}

fn answer(station: &str, started: UtcMicros, now: UtcMicros, statuses: &[Status]) -> Value {
    let instruments: Vec<Value> = statuses.iter().map(|s| json_of(&s.snapshot())).collect();
    json!({
        "station": station, "version": env!("CARGO_PKG_VERSION"), "pid": std::process::id(), "started": started.to_string(),
        "now": now.to_string(), "instruments": instruments,
    })
}

fn json_of(s: &Snapshot) -> Value {
    let time = |t: Option<UtcMicros>| t.map(|t| t.to_string());
    json!({
        "instrument": s.instrument, "serial": s.serial, "activity": s.activity, "heartbeat": time(s.heartbeat), "next": time(s.next),
        "last": s.last.map(|(id, t)| json!({"id": id, "time": t.to_string()})),
        "last_fault": s.last_fault.as_ref().map(|(t, text)| json!({"time": t.to_string(), "text": text})),
        "stored": s.counts.stored, "with_a_good_value": s.counts.good, "gaps": s.counts.gaps, "exchanges_repeated": s.counts.retries,
        "darks_accepted": s.counts.darks_accepted, "darks_rejected": s.counts.darks_rejected,
        "queued": s.storage.queued, "discarded": s.storage.discarded,
        "free_bytes": s.storage.free.map(|f| f.0), "below_free_space_floor": s.storage.free.is_some_and(|f| f.1),
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::clock::RealClock;

    #[test]
    fn a_daemon_answers_with_its_snapshots_until_it_ends() {
        let folder = tempfile::tempdir().unwrap();
        let database = folder.path().join("station.db");
        assert_eq!(ask(&database).unwrap(), None);
        std::fs::write(path_of(&database), "left by an earlier daemon").unwrap();
        let status = Status::new("south");
        status.update(|s| s.serial = Some("EX-0001".into()));
        let socket =
            StatusSocket::listen(&database, "Example roof", vec![status.clone()], Arc::new(RealClock::new())).unwrap();
        // A reader that does not read delays the next one by no more than its patience.
        let _silent = UnixStream::connect(path_of(&database)).unwrap();
        let said = ask(&database).unwrap().unwrap();
        assert_eq!((&said["station"], &said["instruments"][0]["serial"]), (&json!("Example roof"), &json!("EX-0001")));
        assert_eq!(said["instruments"][0]["next"], Value::Null);
        let mode = std::fs::metadata(path_of(&database)).unwrap().permissions().mode();
        assert_eq!(mode & 0o777, 0o660);
        drop(socket);
        assert_eq!(ask(&database).unwrap(), None);
    }
}
