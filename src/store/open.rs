//! Opens databases: applies settings, takes locks, and refuses databases of other programs or schemas.

use super::damage::Damage;
use super::disk_failure::DiskFailure;
use super::error::StoreError;
use super::opened_file::OpenedFile;
use super::reading_row::Columns;
use super::row_checksum::Sealed;
use super::{PAGE_SIZE, Reader, Store, quantity_columns, schema, write};
use rusqlite::config::DbConfig;
use rusqlite::{Connection, OpenFlags};
use std::fmt::Write as _;
use std::fs::{File, OpenOptions, TryLockError};
use std::io::{Read as _, Seek as _, Write as _};
use std::os::unix::fs::OpenOptionsExt as _;
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex};
use std::time::Duration;

/// Time that a write waits for the transaction of another process; each transaction takes less than 200 ms.
const BUSY_TIMEOUT: Duration = Duration::from_secs(5);

/// Endings of the files beside a database: those of SQLite, the locks, a copy in preparation.
pub const COMPANIONS: [&str; 6] = ["-wal", "-shm", "-journal", ".lock", ".recompute.lock", ".part"];

/// Mode of new databases and lock files: nobody but the owner writes, the group may read. Less where the umask says so.
const MODE: u32 = 0o640;

/// Whether a file is a database of this program, of whatever schema.
pub fn is_database_file(path: &Path) -> bool {
    let mut header = [0; 72];
    let read = File::open(path).and_then(|mut file| file.read_exact(&mut header));
    // File format of SQLite 3: magic text first, application id (big-endian) at byte 68.
    read.is_ok()
        && header.starts_with(b"SQLite format 3\0")
        && header[68..].iter().fold(0, |id, byte| id << 8 | i64::from(*byte)) == schema::APPLICATION_ID
}

/// Creates an empty file for a database, with its mode; an existing one is unchanged. SQLite takes an empty file for a new
/// database, and gives the files beside it the same mode.
pub(super) fn create_file(path: &Path) -> std::io::Result<()> {
    match OpenOptions::new().write(true).create_new(true).mode(MODE).open(path) {
        Err(error) if error.kind() != std::io::ErrorKind::AlreadyExists => Err(error),
        _ => Ok(()),
    }
}

impl Store {
    /// Opens the database for the daemon, or creates it.
    ///
    /// `quantities` are (identifier, unit) in the order of the values of readings. A second daemon on the same database is
    /// refused.
    pub fn open_daemon(path: &Path, quantities: &[(&str, &str)]) -> Result<Self, StoreError> {
        Self::open_daemon_with_page_size(path, quantities, PAGE_SIZE)
    }

    /// As [`Store::open_daemon`], with another page size for a new database, for measurements.
    #[doc(hidden)]
    pub fn open_daemon_with_page_size(
        path: &Path,
        quantities: &[(&str, &str)],
        page_size: u32,
    ) -> Result<Self, StoreError> {
        let lock = lock(path, ".lock", |path, pid| StoreError::DaemonRunning { path, pid })?;
        create_file(path).map_err(|e| StoreError::open(path, &e))?;
        let mut connection = connect(path, OpenFlags::SQLITE_OPEN_READ_WRITE)?;
        let store_error = StoreError::sqlite("preparing the database");
        let fresh = is_empty(&connection, path)?;
        if fresh {
            // The page size must be set before the journal mode becomes WAL.
            connection.pragma_update(None, "page_size", page_size).map_err(&store_error)?;
            connection.pragma_update(None, "application_id", schema::APPLICATION_ID).map_err(&store_error)?;
        } else {
            check_ours(&connection, path)?;
            schema::check(&connection, path)?;
        }
        use_write_ahead_log(&connection, path)?;
        set_up_daemon(&connection)?;
        if fresh {
            schema::create(&mut connection)?;
        }
        quantity_columns::add(&mut connection, quantities)?;
        let owned = quantities.iter().map(|(id, unit)| ((*id).to_owned(), (*unit).to_owned())).collect();
        let opened = OpenedFile::at(path);
        Ok(Self { opened, ..Self::assemble(connection, path, owned, Some(lock))? })
    }

    /// Opens an existing database for another process, which adds a note or a dark; the daemon may be running.
    pub fn open_writer(path: &Path) -> Result<Self, StoreError> {
        let connection = connect_existing(path, OpenFlags::SQLITE_OPEN_READ_WRITE)?;
        connection
            .execute_batch("PRAGMA synchronous=FULL; PRAGMA foreign_keys=ON;")
            .map_err(StoreError::sqlite("preparing the database"))?;
        let quantities = quantity_columns::known(&connection)?;
        Self::assemble(connection, path, quantities, None)
    }

    /// Opens an existing database for a recomputation. The daemon may be running; a second recomputation is refused. Missing
    /// columns of quantities are added.
    pub fn open_recomputer(path: &Path, quantities: &[(&str, &str)]) -> Result<Self, StoreError> {
        let mut connection = connect_existing(path, OpenFlags::SQLITE_OPEN_READ_WRITE)?;
        let lock = lock(path, ".recompute.lock", |path, pid| StoreError::RecomputeRunning { path, pid })?;
        connection
            .execute_batch("PRAGMA synchronous=FULL; PRAGMA foreign_keys=ON;")
            .map_err(StoreError::sqlite("preparing the database"))?;
        quantity_columns::add(&mut connection, quantities)?;
        let owned = quantities.iter().map(|(id, unit)| ((*id).to_owned(), (*unit).to_owned())).collect();
        Self::assemble(connection, path, owned, Some(lock))
    }

    fn assemble(
        connection: Connection,
        path: &Path,
        quantities: Vec<(String, String)>,
        lock: Option<File>,
    ) -> Result<Self, StoreError> {
        let ids: Vec<&str> = quantities.iter().map(|(id, _)| id.as_str()).collect();
        let (insert_value, insert_window) = (write::insert_value(&ids), write::insert_window(&ids));
        let reader = Reader::assemble(connection, path, quantities)?;
        Ok(Self {
            reader,
            insert_value,
            insert_window,
            opened: OpenedFile::default(),
            disk_failure: DiskFailure::default(),
            _lock: lock,
        })
    }
}

impl Reader {
    /// Opens an existing database for reading only.
    pub fn open(path: &Path) -> Result<Self, StoreError> {
        let connection = connect_existing(path, OpenFlags::SQLITE_OPEN_READ_ONLY)?;
        let quantities = quantity_columns::known(&connection)?;
        Self::assemble(connection, path, quantities)
    }

    fn assemble(connection: Connection, path: &Path, quantities: Vec<(String, String)>) -> Result<Self, StoreError> {
        let sealed = Sealed::of(&connection).map_err(StoreError::sqlite("reading the columns of tables"))?;
        let columns = Columns::of(quantities, None, Arc::new(sealed));
        Ok(Self { connection: Mutex::new(connection), path: path.to_owned(), columns, damage: Damage::default() })
    }
}

/// Opens the daemon's database anew at its path, under the lock that it holds.
pub(super) fn reopen_daemon(path: &Path) -> Result<Connection, StoreError> {
    let connection = connect_existing(path, OpenFlags::SQLITE_OPEN_READ_WRITE)?;
    use_write_ahead_log(&connection, path)?;
    set_up_daemon(&connection)?;
    Ok(connection)
}

fn use_write_ahead_log(connection: &Connection, path: &Path) -> Result<(), StoreError> {
    let mode: String =
        connection.query_row("PRAGMA journal_mode=WAL", [], |row| row.get(0)).map_err(open_failed(path))?;
    if mode == "wal" {
        return Ok(());
    }
    let why = format!("expected its file system to allow a write-ahead log, but the journal mode stays `{mode}`");
    Err(StoreError::Open { path: path.to_owned(), why })
}

/// Settings of the daemon's connection. A reading accesses about thirty pages, and the daemon rarely reads data twice: a small
/// cache suffices.
fn set_up_daemon(connection: &Connection) -> Result<(), StoreError> {
    connection
        .execute_batch(
            "PRAGMA synchronous=FULL; PRAGMA wal_autocheckpoint=1000; PRAGMA journal_size_limit=8388608;
             PRAGMA foreign_keys=ON; PRAGMA cache_size=-256;",
        )
        .map_err(StoreError::sqlite("preparing the database"))
}

fn connect_existing(path: &Path, flags: OpenFlags) -> Result<Connection, StoreError> {
    if !path.exists() {
        return Err(StoreError::NotFound { path: path.to_owned() });
    }
    let connection = connect(path, flags)?;
    check_ours(&connection, path)?;
    schema::check(&connection, path)?;
    Ok(connection)
}

fn connect(path: &Path, flags: OpenFlags) -> Result<Connection, StoreError> {
    let uri = uri(path)?;
    let flags = flags | OpenFlags::SQLITE_OPEN_URI | OpenFlags::SQLITE_OPEN_NO_MUTEX;
    let connection = Connection::open_with_flags(uri, flags).map_err(open_failed(path))?;
    connection.busy_timeout(BUSY_TIMEOUT).map_err(open_failed(path))?;
    connection.set_prepared_statement_cache_capacity(32);
    // Without query planner stability, SQLite prepares a statement again when a value compared with an index is bound, to use
    // statistics, which this program never collects.
    connection.set_db_config(DbConfig::SQLITE_DBCONFIG_ENABLE_QPSG, true).map_err(open_failed(path))?;
    // No memory map: with one, an I/O error or a truncated file raises a signal instead of an error.
    connection
        .execute_batch(
            "PRAGMA mmap_size=0; PRAGMA cache_size=-1024; PRAGMA temp_store=MEMORY; PRAGMA trusted_schema=OFF;",
        )
        .map_err(open_failed(path))?;
    Ok(connection)
}

fn open_failed(path: &Path) -> impl Fn(rusqlite::Error) -> StoreError {
    move |e| match StoreError::sqlite("opening the database")(e) {
        full @ StoreError::StorageFull { .. } => full,
        StoreError::Sqlite { cause, .. } => {
            let code = cause.sqlite_error_code();
            let path = path.to_owned();
            match code {
                Some(rusqlite::ErrorCode::NotADatabase) => {
                    StoreError::Foreign { path, found: "a file that is not an SQLite database".into() }
                }
                Some(rusqlite::ErrorCode::CannotOpen) => {
                    let why = "expected a database in a folder this user may write to, but it cannot be opened";
                    StoreError::Open { path, why: why.into() }
                }
                _ => StoreError::Open { path, why: cause.to_string() },
            }
        }
        other => other,
    }
}

/// The URI of a database, with power-safe overwrite disabled: flash memory writes whole blocks, so a torn write can damage bytes
/// beside the written ones. SQLite then pads the write-ahead log to whole sectors.
fn uri(path: &Path) -> Result<String, StoreError> {
    let absolute = std::path::absolute(path).map_err(|e| StoreError::open(path, &e))?;
    let mut uri = String::from("file://");
    for &byte in std::os::unix::ffi::OsStrExt::as_bytes(absolute.as_os_str()) {
        if byte.is_ascii_alphanumeric() || b"/._-".contains(&byte) {
            uri.push(byte as char);
        } else {
            // Writing to a `String` cannot fail.
            let _ = write!(uri, "%{byte:02X}");
        }
    }
    Ok(uri + "?psow=0")
}

fn is_empty(connection: &Connection, path: &Path) -> Result<bool, StoreError> {
    let application: i64 =
        connection.query_row("PRAGMA application_id", [], |row| row.get(0)).map_err(open_failed(path))?;
    let tables: i64 =
        connection.query_row("SELECT count(*) FROM sqlite_schema", [], |row| row.get(0)).map_err(open_failed(path))?;
    Ok(tables == 0 && [0, schema::APPLICATION_ID].contains(&application) && schema::version(connection)? == 0)
}

fn check_ours(connection: &Connection, path: &Path) -> Result<(), StoreError> {
    let found: i64 = connection.query_row("PRAGMA application_id", [], |row| row.get(0)).map_err(open_failed(path))?;
    if found == schema::APPLICATION_ID {
        return Ok(());
    }
    let found = format!("an SQLite database with application id {found:#x}");
    Err(StoreError::Foreign { path: path.to_owned(), found })
}

/// Locks a file beside the database. The lock is released when the file is closed, however the process ends. The lock file is not
/// deleted: otherwise two processes could hold locks on two files of the same name.
fn lock(path: &Path, suffix: &str, taken: fn(PathBuf, String) -> StoreError) -> Result<File, StoreError> {
    let mut name = path.as_os_str().to_owned();
    name.push(suffix);
    let lock_path = PathBuf::from(name);
    let store_error = |e: std::io::Error| StoreError::open(&lock_path, &e);
    let mut file = OpenOptions::new()
        .read(true)
        .write(true)
        .create(true)
        .truncate(false)
        .mode(MODE)
        .open(&lock_path)
        .map_err(store_error)?;
    match file.try_lock() {
        Ok(()) => {}
        Err(TryLockError::WouldBlock) => {
            let mut pid = String::new();
            let _ = file.read_to_string(&mut pid);
            let pid = if pid.trim().is_empty() { "unknown".to_owned() } else { pid.trim().to_owned() };
            return Err(taken(path.to_owned(), pid));
        }
        Err(TryLockError::Error(e)) => return Err(store_error(e)),
    }
    // The content is used in messages only, so an error, such as a full disk, is ignored.
    let _ = file.set_len(0).and_then(|()| file.rewind()).and_then(|()| writeln!(file, "{}", std::process::id()));
    Ok(file)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Characters with a meaning in a URI are percent-encoded.
    #[test]
    fn special_characters_of_a_path_are_escaped_in_the_uri() {
        let uri = uri(Path::new("/tmp/a b?c#d%e/ü.db")).unwrap();
        assert_eq!(uri, "file:///tmp/a%20b%3Fc%23d%25e/%C3%BC.db?psow=0");
    }
}
