//! Files that appear whole or not at all: written beside their name, made durable, then renamed.

use super::ExportError;
use std::fs::File;
use std::path::{Path, PathBuf};

/// A file that is being written beside its final name; dropped before [`Whole::keep`], it leaves nothing behind.
#[derive(Debug)]
pub struct Whole {
    part: PathBuf,
    path: PathBuf,
    kept: bool,
}

impl Whole {
    /// For a final path in a folder that is there.
    pub fn new(path: &Path) -> Self {
        let mut name = path.as_os_str().to_owned();
        name.push(format!(".{}.part", std::process::id()));
        Self { part: PathBuf::from(name), path: path.to_owned(), kept: false }
    }

    /// For a final path, whose folder is made where it is missing.
    pub fn with_folder(path: &Path) -> Result<Self, ExportError> {
        if let Some(folder) = path.parent() {
            std::fs::create_dir_all(folder).map_err(output(folder))?;
        }
        Ok(Self::new(path))
    }

    /// Where to write.
    pub fn part(&self) -> &Path {
        &self.part
    }

    /// Makes what was written durable and gives it its name.
    pub fn keep(mut self) -> Result<(), ExportError> {
        let done = || {
            File::open(&self.part)?.sync_all()?;
            std::fs::rename(&self.part, &self.path)?;
            // The new name is durable with its folder.
            let folder = self.path.parent().filter(|p| !p.as_os_str().is_empty()).unwrap_or(Path::new("."));
            File::open(folder)?.sync_all()
        };
        done().map_err(output(&self.path))?;
        self.kept = true;
        Ok(())
    }
}

impl Drop for Whole {
    fn drop(&mut self) {
        if !self.kept {
            // It may never have been created.
            let _ = std::fs::remove_file(&self.part);
        }
    }
}

/// A name as part of a path: whatever has a meaning there is escaped as query engines expect.
pub fn escaped(name: &str) -> String {
    let plain = |c: char| c.is_alphanumeric() || " _.-".contains(c);
    let escape = |c: char| {
        let mut bytes = [0; 4];
        c.encode_utf8(&mut bytes).bytes().map(|b| format!("%{b:02X}")).collect::<String>()
    };
    let text: String = name.chars().map(|c| if plain(c) { c.to_string() } else { escape(c) }).collect();
    // A name of dots alone would be a folder of another kind.
    if text.chars().all(|c| c == '.') { text.replace('.', "%2E") } else { text }
}

/// Names the file an error of the system is about.
pub fn output(path: &Path) -> impl Fn(std::io::Error) -> ExportError + '_ {
    |why| ExportError::Output { path: path.to_owned(), why }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A file that is not kept leaves the old one and no rest.
    #[test]
    fn a_file_appears_whole_or_not_at_all() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("a/b.nc");
        let first = Whole::with_folder(&path).unwrap();
        std::fs::write(first.part(), "first").unwrap();
        assert!(!path.exists());
        first.keep().unwrap();
        let second = Whole::with_folder(&path).unwrap();
        std::fs::write(second.part(), "second").unwrap();
        drop(second);
        assert_eq!(std::fs::read_to_string(&path).unwrap(), "first");
        assert_eq!(std::fs::read_dir(path.parent().unwrap()).unwrap().count(), 1);
    }

    /// What has a meaning in a path is escaped, so that a name is one folder.
    #[test]
    fn a_name_becomes_one_folder() {
        assert_eq!(escaped("roof, head/2=a%"), "roof%2C head%2F2%3Da%25");
        assert_eq!((escaped(".."), escaped("Dach süd")), ("%2E%2E".to_owned(), "Dach süd".to_owned()));
    }
}
