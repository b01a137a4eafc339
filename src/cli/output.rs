//! Decides whether a command may write its output to a path; every command that writes a file asks here.
//!
//! Writes nothing. Invariants:
//! - Whatever the options, these are never written to: files in use by the command (the database with its companions, a
//!   configuration with its calibrations), another database of this program, and what is not a regular file.
//! - Another existing file is replaced with `--force` only.

use super::Failure;
use crate::config;
use crate::store::{COMPANIONS, is_database_file};
use std::ffi::OsString;
use std::fs::{FileType, Metadata};
use std::os::unix::fs::{FileTypeExt, MetadataExt};
use std::path::{Path, PathBuf};

/// Files that must not be written to, with what they are.
#[derive(Clone, Debug, Default)]
pub struct InUse(Vec<(PathBuf, String)>);

impl InUse {
    /// With a database and its companions.
    pub fn database(mut self, path: &Path) -> Self {
        self.0.push((path.to_owned(), "the database".to_owned()));
        for companion in COMPANIONS {
            let mut name = OsString::from(path);
            name.push(companion);
            self.0.push((PathBuf::from(name), format!("a companion of the database (`{companion}`)")));
        }
        self
    }

    /// With a configuration and the calibrations that it names; `None` adds nothing.
    pub fn configuration(self, path: Option<&Path>) -> Self {
        let Some(path) = path else { return self };
        let calibrations = config::calibration_files(path);
        let configured = self.file(path, "the configuration");
        calibrations.iter().fold(configured, |in_use, file| in_use.file(file, "a calibration of the configuration"))
    }

    /// With any other file; what: its description.
    pub fn file(mut self, path: &Path, what: &str) -> Self {
        self.0.push((path.to_owned(), what.to_owned()));
        self
    }

    /// What a path is, if it is in use.
    fn what(&self, path: &Path) -> Option<&str> {
        self.0.iter().find(|(known, _)| is_same(known, path)).map(|(_, what)| what.as_str())
    }
}

/// Whether standard output is meant.
pub fn is_standard_output(path: &Path) -> bool {
    path.as_os_str() == "-"
}

/// A failure unless a file may be written at a path.
pub fn check_file(path: &Path, force: bool, in_use: &InUse) -> Result<(), Failure> {
    check(path, force, in_use)?;
    match is_database_file(path) {
        true => Err(refused(path, "a file that may be replaced", "a database of vigilux")),
        false => Ok(()),
    }
}

/// A failure unless a copy of a database may be written at a path: it may replace a database that is not in use.
pub fn check_copy(path: &Path, force: bool, in_use: &InUse) -> Result<(), Failure> {
    check(path, force, in_use)?;
    // A write-ahead log that stays beside a new database would be replayed into it.
    for companion in ["-wal", "-journal"] {
        let mut name = OsString::from(path);
        name.push(companion);
        if Path::new(&name).exists() {
            let beside = format!("`{}`, of a database that is or was in use there", Path::new(&name).display());
            return Err(refused(path, "no write-ahead log or journal beside it", &beside));
        }
    }
    Ok(())
}

/// A failure unless text may be appended to a file, or a new file written, at a path.
pub fn check_append(path: &Path, in_use: &InUse) -> Result<(), Failure> {
    check_file(path, true, in_use)
}

/// A failure unless files may be written into a folder, which may be absent.
pub fn check_folder(path: &Path) -> Result<(), Failure> {
    match std::fs::metadata(path) {
        Ok(found) if !found.is_dir() => Err(refused(path, "a folder", kind(found.file_type()))),
        _ => Ok(()),
    }
}

fn check(path: &Path, force: bool, in_use: &InUse) -> Result<(), Failure> {
    if let Some(what) = in_use.what(path) {
        return Err(Failure::Usage(format!("{}: expected another path than that of {what}", path.display())));
    }
    let Ok(found) = std::fs::symlink_metadata(path) else { return Ok(()) };
    if !found.is_file() {
        return Err(refused(path, "a regular file or a new one", kind(found.file_type())));
    }
    if !force {
        return Err(Failure::Usage(format!("{}: expected no existing file; --force replaces it", path.display())));
    }
    Ok(())
}

fn refused(path: &Path, expected: &str, found: &str) -> Failure {
    Failure::Usage(format!("{}: expected {expected}, but found {found}", path.display()))
}

fn kind(kind: FileType) -> &'static str {
    match kind {
        k if k.is_dir() => "a folder",
        k if k.is_symlink() => "a symbolic link",
        k if k.is_char_device() || k.is_block_device() => "a device",
        k if k.is_fifo() => "a named pipe",
        k if k.is_socket() => "a socket",
        _ => "a regular file",
    }
}

/// Whether two paths name the same file: one that exists, or one that both would create.
fn is_same(a: &Path, b: &Path) -> bool {
    let identity = |m: Metadata| (m.dev(), m.ino());
    match (std::fs::metadata(a).map(identity), std::fs::metadata(b).map(identity)) {
        (Ok(a), Ok(b)) => a == b,
        _ => match (in_its_folder(a), in_its_folder(b)) {
            (Some(a), Some(b)) => a == b,
            _ => false,
        },
    }
}

/// A path with its folder resolved.
fn in_its_folder(path: &Path) -> Option<PathBuf> {
    let folder = path.parent().filter(|p| !p.as_os_str().is_empty()).unwrap_or(Path::new("."));
    Some(folder.canonicalize().ok()?.join(path.file_name()?))
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::os::unix::fs::symlink;

    const DAY: &str = "2026-06-21T12:00:00Z";

    fn text(result: Result<(), Failure>) -> String {
        let failure = result.unwrap_err();
        assert_eq!(failure.status(), 2, "{failure}");
        failure.to_string()
    }

    /// A station with its database, and a file and a link beside it.
    fn folder() -> (tempfile::TempDir, PathBuf, InUse) {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().canonicalize().unwrap();
        drop(crate::store::Store::open_daemon(&path.join("s.db"), &[("ppfd", "1")]).unwrap());
        std::fs::copy(path.join("s.db"), path.join("other.db")).unwrap();
        std::fs::write(path.join("s.toml"), "[[instrument]]\ncalibrations = [\"c.toml\", \"d/e.toml\"]\n").unwrap();
        std::fs::write(path.join("c.toml"), "").unwrap();
        std::fs::write(path.join("old.csv"), DAY).unwrap();
        symlink(path.join("s.db"), path.join("link.csv")).unwrap();
        symlink(path.join("nowhere"), path.join("dangling.csv")).unwrap();
        std::fs::hard_link(path.join("s.db"), path.join("hard.csv")).unwrap();
        let in_use = InUse::default().database(&path.join("s.db")).configuration(Some(&path.join("s.toml")));
        (folder, path, in_use)
    }

    /// What is in use, by whatever name, is never written to.
    #[test]
    fn files_in_use_are_refused_even_with_force() {
        let (_folder, path, in_use) = folder();
        for (name, what) in [
            ("s.db", "that of the database"),
            ("./s.db", "that of the database"),
            ("hard.csv", "that of the database"),
            ("link.csv", "that of the database"),
            ("s.db-wal", "a companion of the database (`-wal`)"),
            ("s.db-shm", "a companion of the database (`-shm`)"),
            ("s.db.lock", "a companion of the database (`.lock`)"),
            ("s.toml", "that of the configuration"),
            ("c.toml", "that of a calibration of the configuration"),
        ] {
            for check in [check_file, check_copy] {
                let found = text(check(&path.join(name), true, &in_use));
                assert!(found.contains(what), "{name}: {found}");
            }
            assert!(text(check_append(&path.join(name), &in_use)).contains(what), "{name}");
        }
    }

    /// Devices, folders, links and databases are refused with and without force, and an existing file without.
    #[test]
    fn only_regular_files_are_replaced_and_only_with_force() {
        let (_folder, path, in_use) = folder();
        for (name, expected) in [
            ("/dev/null", "expected a regular file or a new one, but found a device"),
            ("/dev/stdout", "expected a regular file or a new one, but found a symbolic link"),
            (".", "expected a regular file or a new one, but found a folder"),
            ("dangling.csv", "expected a regular file or a new one, but found a symbolic link"),
        ] {
            for force in [false, true] {
                let found = text(check_file(&path.join(name), force, &in_use));
                assert!(found.ends_with(expected), "{name}: {found}");
            }
        }
        let found = text(check_file(&path.join("other.db"), true, &in_use));
        assert!(found.ends_with("expected a file that may be replaced, but found a database of vigilux"), "{found}");
        assert_eq!(check_copy(&path.join("other.db"), true, &in_use), Ok(()));
        std::fs::write(path.join("other.db-wal"), "").unwrap();
        assert!(text(check_copy(&path.join("other.db"), true, &in_use)).contains("no write-ahead log"));
        let found = text(check_file(&path.join("old.csv"), false, &in_use));
        assert!(found.ends_with("old.csv: expected no existing file; --force replaces it"), "{found}");
        assert_eq!(check_file(&path.join("old.csv"), true, &in_use), Ok(()));
        assert_eq!(check_file(&path.join("new.csv"), false, &in_use), Ok(()));
        assert_eq!(check_append(&path.join("old.csv"), &in_use), Ok(()));
        assert_eq!((check_folder(&path), check_folder(&path.join("new"))), (Ok(()), Ok(())));
        assert!(text(check_folder(&path.join("old.csv"))).ends_with("expected a folder, but found a regular file"));
        assert_eq!(std::fs::read_to_string(path.join("old.csv")).unwrap(), DAY);
    }
}
