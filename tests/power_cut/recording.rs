//! The record of what a program did to its database, entry by entry.

use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::Arc;

/// One operation of the program. Files are named by their suffix to the database's name: `""`, `"-wal"`, `"-journal"`.
#[derive(Clone, Debug, PartialEq)]
pub enum Entry {
    Created(String),
    Written {
        file: String,
        at: usize,
        data: Arc<[u8]>,
    },
    Cut {
        file: String,
        length: usize,
    },
    Synced(String),
    /// A sync that failed.
    Unsynced(String),
    FolderSynced,
    Removed(String),
    Renamed(String, String),
    /// The identifier of an acknowledged reading.
    Acknowledged(i64),
}

/// Builds the recorder and returns its path.
pub fn build_recorder(folder: &Path) -> PathBuf {
    let source = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/power_cut/recorder.c");
    let library = folder.join("recorder.so");
    let mut compiler = Command::new("cc");
    compiler.args(["-O2", "-Wall", "-Wextra", "-Werror", "-shared", "-fPIC", "-o"]);
    compiler.arg(&library).arg(&source).args(["-ldl", "-lpthread"]);
    let built = compiler.output().expect("a C compiler is there");
    assert!(built.status.success(), "{}", String::from_utf8_lossy(&built.stderr));
    library
}

/// Reads a record of the database `name`.
pub fn read(record: &Path, database: &Path) -> Vec<Entry> {
    let bytes = std::fs::read(record).expect("a record was made");
    let name = database.to_str().expect("a name in UTF-8");
    let file = |path: &str| path.strip_prefix(name).unwrap_or_default().to_owned();
    let (mut rest, mut entries) = (bytes.as_slice(), Vec::new());
    while !rest.is_empty() {
        let (head, tail) = rest.split_at_checked(19).expect("a whole head");
        let kind = head[0];
        let number = |range: std::ops::Range<usize>| {
            head[range].iter().rev().fold(0usize, |n, byte| n << 8 | usize::from(*byte))
        };
        let (name_length, offset, length) = (number(1..3), number(3..11), number(11..19));
        let (path, tail) = tail.split_at_checked(name_length).expect("a whole name");
        let path = std::str::from_utf8(path).expect("a name in UTF-8");
        let (data, tail) = tail.split_at_checked(length).expect("all the data");
        rest = tail;
        entries.push(match kind {
            b'C' => Entry::Created(file(path)),
            b'W' => Entry::Written { file: file(path), at: offset, data: data.into() },
            b'T' => Entry::Cut { file: file(path), length: offset },
            b'S' => Entry::Synced(file(path)),
            b'F' => Entry::Unsynced(file(path)),
            b'D' => Entry::FolderSynced,
            b'U' => Entry::Removed(file(path)),
            b'R' => Entry::Renamed(file(path), file(std::str::from_utf8(data).expect("a name in UTF-8"))),
            b'A' => {
                let line = String::from_utf8_lossy(data);
                let id = line.split(' ').nth(1).and_then(|id| id.parse().ok());
                Entry::Acknowledged(id.unwrap_or_else(|| panic!("no id in `{line}`")))
            }
            other => panic!("an entry of kind {other}"),
        });
    }
    // Shared memory is gone after a power cut, and nothing relies on the lock file.
    let kept = |file: &String| ["", "-wal", "-journal"].contains(&file.as_str());
    entries.retain(|e| match e {
        Entry::Created(f) | Entry::Synced(f) | Entry::Unsynced(f) | Entry::Removed(f) | Entry::Renamed(f, _) => kept(f),
        Entry::Written { file, .. } | Entry::Cut { file, .. } => kept(file),
        Entry::FolderSynced | Entry::Acknowledged(_) => true,
    });
    entries
}
