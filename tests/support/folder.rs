//! The built binary, run in a fresh folder.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};

/// A fresh folder in which the program runs; removed when the test ends.
pub struct Folder(tempfile::TempDir);

impl Folder {
    /// An empty one.
    pub fn new() -> Self {
        Self(tempfile::tempdir().expect("a folder for temporary files"))
    }

    /// Where it is.
    pub fn path(&self) -> &Path {
        self.0.path()
    }

    /// Puts a file into it.
    pub fn put(&self, name: &str, content: impl AsRef<[u8]>) -> PathBuf {
        let path = self.path().join(name);
        if let Some(parent) = path.parent() {
            std::fs::create_dir_all(parent).expect("a folder can be made");
        }
        std::fs::write(&path, content).expect("a file can be written");
        path
    }

    /// Every file in it with its content.
    pub fn files(&self) -> BTreeMap<PathBuf, Vec<u8>> {
        let mut files = BTreeMap::new();
        let mut folders = vec![self.path().to_owned()];
        while let Some(folder) = folders.pop() {
            for entry in std::fs::read_dir(folder).expect("a folder can be listed").flatten() {
                let path = entry.path();
                if path.is_dir() {
                    folders.push(path);
                } else {
                    files.insert(path.clone(), std::fs::read(&path).unwrap_or_default());
                }
            }
        }
        files
    }

    /// Runs `vigilux` in it.
    pub fn vigilux(&self, arguments: &[&str]) -> Ran {
        let output = Command::new(env!("CARGO_BIN_EXE_vigilux"))
            .args(arguments)
            .current_dir(self.path())
            .env_remove("RUST_BACKTRACE")
            .output()
            .expect("the built program can be started");
        Ran { command: arguments.join(" "), output, files: self.files().into_keys().collect() }
    }
}

/// Result of a run of the program.
pub struct Ran {
    command: String,
    output: Output,
    files: Vec<PathBuf>,
}

impl Ran {
    /// The exit status; `None` after a signal.
    pub fn status(&self) -> Option<i32> {
        self.output.status.code()
    }
    /// Standard output.
    pub fn stdout(&self) -> String {
        String::from_utf8_lossy(&self.output.stdout).into_owned()
    }
    /// Standard error.
    pub fn stderr(&self) -> String {
        String::from_utf8_lossy(&self.output.stderr).into_owned()
    }
    /// The failure, line by line.
    pub fn complaints(&self) -> Vec<String> {
        self.stderr().lines().map(str::to_owned).collect()
    }
}

/// For the message of a failing test: command, files, stdout and stderr.
impl std::fmt::Display for Ran {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        writeln!(f, "vigilux {} ended with {:?}; files {:?}", self.command, self.output.status, self.files)?;
        writeln!(f, "--- stdout\n{}--- stderr\n{}---", self.stdout(), self.stderr())
    }
}
