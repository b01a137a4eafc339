//! Atomic files: written under a temporary name in the same folder, synced, then renamed.

use super::ExportError;
use crate::store::is_database_file;
use std::fs::File;
use std::path::{Path, PathBuf};

/// A file in preparation under a temporary name, which is deleted on drop unless [`AtomicFile::commit`] was called.
#[derive(Debug)]
pub struct AtomicFile {
    temporary: PathBuf,
    path: PathBuf,
    committed: bool,
}

impl AtomicFile {
    /// For a final path in an existing folder.
    pub fn new(path: &Path) -> Self {
        let mut name = path.as_os_str().to_owned();
        name.push(format!(".{}.part", std::process::id()));
        Self { temporary: PathBuf::from(name), path: path.to_owned(), committed: false }
    }

    /// For a final path whose folder is created if missing.
    pub fn with_folder(path: &Path) -> Result<Self, ExportError> {
        if let Some(folder) = path.parent() {
            std::fs::create_dir_all(folder).map_err(output(folder))?;
        }
        Ok(Self::new(path))
    }

    /// The temporary path.
    pub fn temporary_path(&self) -> &Path {
        &self.temporary
    }

    /// Syncs the file and renames it to its final path, where nothing but a regular file is replaced, and no database.
    pub fn commit(mut self) -> Result<(), ExportError> {
        let done = || {
            if std::fs::symlink_metadata(&self.path).is_ok_and(|found| !found.is_file()) {
                return Err(std::io::Error::other("expected a regular file or none, but found something else"));
            }
            if is_database_file(&self.path) {
                return Err(std::io::Error::other("expected a file that may be replaced, but found a database"));
            }
            File::open(&self.temporary)?.sync_all()?;
            std::fs::rename(&self.temporary, &self.path)?;
            // The rename is durable after a sync of the folder.
            let folder = self.path.parent().filter(|p| !p.as_os_str().is_empty()).unwrap_or(Path::new("."));
            File::open(folder)?.sync_all()
        };
        done().map_err(output(&self.path))?;
        self.committed = true;
        Ok(())
    }
}

impl Drop for AtomicFile {
    fn drop(&mut self) {
        if !self.committed {
            // Fails if the file was never created.
            let _ = std::fs::remove_file(&self.temporary);
        }
    }
}

/// A name as a component of a path: special characters are escaped as query engines expect.
pub fn escaped(name: &str) -> String {
    let plain = |c: char| c.is_alphanumeric() || " _.-".contains(c);
    let escape = |c: char| {
        let mut bytes = [0; 4];
        c.encode_utf8(&mut bytes).bytes().map(|b| format!("%{b:02X}")).collect::<String>()
    };
    let text: String = name.chars().map(|c| if plain(c) { c.to_string() } else { escape(c) }).collect();
    // A name of dots alone would refer to another folder.
    if text.chars().all(|c| c == '.') { text.replace('.', "%2E") } else { text }
}

/// Adds the path to an error of the operating system.
pub fn output(path: &Path) -> impl Fn(std::io::Error) -> ExportError + '_ {
    |why| ExportError::Output { path: path.to_owned(), why }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Without a commit, the previous file is unchanged and the temporary file is deleted.
    #[test]
    fn a_file_appears_complete_or_not_at_all() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("a/b.nc");
        let first = AtomicFile::with_folder(&path).unwrap();
        std::fs::write(first.temporary_path(), "first").unwrap();
        assert!(!path.exists());
        first.commit().unwrap();
        let second = AtomicFile::with_folder(&path).unwrap();
        std::fs::write(second.temporary_path(), "second").unwrap();
        drop(second);
        assert_eq!(std::fs::read_to_string(&path).unwrap(), "first");
        assert_eq!(std::fs::read_dir(path.parent().unwrap()).unwrap().count(), 1);
    }

    /// A folder or a database at the final path is left alone.
    #[test]
    fn a_folder_or_a_database_is_not_replaced() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("a.nc");
        drop(crate::store::Store::open_daemon(&path, &[]).unwrap());
        let refused = |path: &Path| {
            let file = AtomicFile::new(path);
            std::fs::write(file.temporary_path(), "new").unwrap();
            file.commit().unwrap_err().to_string()
        };
        assert!(refused(&path).ends_with("but found a database"), "{}", refused(&path));
        std::fs::create_dir(folder.path().join("b.nc")).unwrap();
        assert!(refused(&folder.path().join("b.nc")).contains("expected a regular file or none"));
    }

    /// Special characters are escaped, so that a name is a single folder.
    #[test]
    fn a_name_becomes_one_folder() {
        assert_eq!(escaped("roof, head/2=a%"), "roof%2C head%2F2%3Da%25");
        assert_eq!((escaped(".."), escaped("Dach süd")), ("%2E%2E".to_owned(), "Dach süd".to_owned()));
    }
}
