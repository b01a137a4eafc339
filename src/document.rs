//! A TOML file read key by key, so that everything wrong with it is found in one go.
//!
//! A reader asks a [`Section`] for each key it knows, with the rule the value must keep; what is missing, of the wrong
//! kind or against the rule becomes a [`Diagnostic`] and the reader goes on with `None`. Keys nobody asked for are diagnostics
//! too. Nothing read here may be used unless [`Document::finish`] found no diagnostic. Never panics, whatever the file holds.

mod diagnostic;
mod range;
mod section;

pub use diagnostic::{Diagnostic, Diagnostics};
pub use range::Range;
pub use section::Section;

use std::cell::RefCell;
use std::path::Path;
use toml::Spanned;
use toml::de::DeTable;

/// The longest file that is read [bytes]; a configuration or calibration is far below it.
const MAX_FILE_BYTES: u64 = 16 * 1024 * 1024;

/// Reads the text of a file; refuses what cannot be a configuration or calibration.
pub fn read_text(path: &Path) -> Result<String, Diagnostics> {
    let refuse = |expected: &str, found: String| Diagnostics::one(Diagnostic::of_file(path, expected, found));
    let facts = std::fs::metadata(path).map_err(|e| refuse("a readable file", in_words(path, &e)))?;
    if !facts.is_file() {
        return Err(refuse("a readable file", "something that is not a regular file".into()));
    }
    if facts.len() > MAX_FILE_BYTES {
        return Err(refuse(&format!("at most {MAX_FILE_BYTES} bytes"), format!("{} bytes", facts.len())));
    }
    let bytes = std::fs::read(path).map_err(|e| refuse("a readable file", in_words(path, &e)))?;
    String::from_utf8(bytes)
        .map_err(|e| refuse("UTF-8 text", format!("another byte at {}", e.utf8_error().valid_up_to())))
}

/// The bare error of the system, with its likely cause.
pub fn in_words(path: &Path, error: &std::io::Error) -> String {
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

/// One file being read.
pub struct Document<'t> {
    file: String,
    text: &'t str,
    root: Spanned<DeTable<'t>>,
    line_starts: Vec<usize>,
    diagnostics: RefCell<Vec<Diagnostic>>,
}

impl<'t> Document<'t> {
    /// Understands the syntax of `text`; `file` is the name for messages. Every syntax error found is reported.
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
        document.refuse_if_flawed().map(|()| document)
    }

    /// The file's top level.
    pub fn root(&self) -> Section<'_, 't> {
        Section::new(self, String::new(), Some(self.root.get_ref()))
    }

    /// All diagnostics found, unless there are none.
    pub fn finish(self) -> Result<(), Diagnostics> {
        self.refuse_if_flawed()
    }

    fn refuse_if_flawed(&self) -> Result<(), Diagnostics> {
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
