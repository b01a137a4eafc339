//! Reads a TOML file key by key and reports all of its faults together.
//!
//! The caller asks a [`Section`] for each key that it knows, with the rule for its value. A key that is missing, of the wrong type
//! or in breach of its rule becomes a [`Diagnostic`], and the caller continues with `None`. Unknown keys are diagnostics too.
//! Depends on the TOML parser only; knows no key by name.
//!
//! Invariants:
//! - Values may be used only after [`Document::finish`] has returned `Ok`.
//! - No content of a file causes a panic.

mod diagnostic;
mod range;
mod section;

pub use diagnostic::{Diagnostic, Diagnostics};
pub use range::Range;
pub use section::{Scalar, Section};

use std::cell::RefCell;
use std::path::Path;
use toml::Spanned;
use toml::de::DeTable;

/// Largest file that is read [bytes]; configurations and calibrations are far smaller.
const MAX_FILE_BYTES: u64 = 16 * 1024 * 1024;

/// Reads a text file; refuses special files, oversized files and text that is not UTF-8.
pub fn read_text(path: &Path) -> Result<String, Diagnostics> {
    let refuse = |expected: &str, found: String| Diagnostics::one(Diagnostic::of_file(path, expected, found));
    let metadata = std::fs::metadata(path).map_err(|e| refuse("a readable file", describe_io_error(path, &e)))?;
    if !metadata.is_file() {
        return Err(refuse("a readable file", "something that is not a regular file".into()));
    }
    if metadata.len() > MAX_FILE_BYTES {
        return Err(refuse(&format!("at most {MAX_FILE_BYTES} bytes"), format!("{} bytes", metadata.len())));
    }
    let bytes = std::fs::read(path).map_err(|e| refuse("a readable file", describe_io_error(path, &e)))?;
    String::from_utf8(bytes)
        .map_err(|e| refuse("UTF-8 text", format!("another byte at {}", e.utf8_error().valid_up_to())))
}

/// Describes an error of the operating system, with its likely cause.
pub fn describe_io_error(path: &Path, error: &std::io::Error) -> String {
    match error.kind() {
        std::io::ErrorKind::NotFound => match path.parent() {
            Some(folder) if !folder.as_os_str().is_empty() && !folder.exists() => {
                format!("no such file: its folder {} does not exist", folder.display())
            }
            _ => "no such file".into(),
        },
        std::io::ErrorKind::PermissionDenied => "no permission to read it".into(),
        _ => error.to_string(),
    }
}

/// A parsed file whose keys are being read.
pub struct Document<'t> {
    file: String,
    text: &'t str,
    root: Spanned<DeTable<'t>>,
    line_starts: Vec<usize>,
    diagnostics: RefCell<Vec<Diagnostic>>,
}

impl<'t> Document<'t> {
    /// Parses `text`; `file` is its name in messages. Reports every syntax error that the parser finds.
    pub fn parse(file: &Path, text: &'t str) -> Result<Self, Diagnostics> {
        let line_starts: Vec<usize> = std::iter::once(0)
            .chain(text.bytes().enumerate().filter(|(_, b)| *b == b'\n').map(|(i, _)| i + 1))
            .collect();
        let file = file.display().to_string();
        let (root, errors) = DeTable::parse_recoverable(text);
        let document = Self { file, text, root, line_starts, diagnostics: RefCell::default() };
        for error in errors {
            let line = error.span().map(|span| document.line(span.start));
            document.push(line, String::new(), "TOML".into(), error.message().replace('\n', "; "));
        }
        document.take_diagnostics().map(|()| document)
    }

    /// The top-level table.
    pub fn root(&self) -> Section<'_, 't> {
        Section::new(self, String::new(), Some(self.root.get_ref()))
    }

    /// Ends the reading: an error with every diagnostic, if there is any.
    pub fn finish(self) -> Result<(), Diagnostics> {
        self.take_diagnostics()
    }

    fn take_diagnostics(&self) -> Result<(), Diagnostics> {
        let diagnostics = self.diagnostics.take();
        if diagnostics.is_empty() { Ok(()) } else { Err(Diagnostics(diagnostics)) }
    }

    fn line(&self, offset: usize) -> usize {
        self.line_starts.partition_point(|start| *start <= offset).max(1)
    }

    fn push(&self, line: Option<usize>, key: String, expected: String, found: String) {
        self.diagnostics.borrow_mut().push(Diagnostic { file: self.file.clone(), line, key, expected, found });
    }
}

#[cfg(test)]
mod tests;
