//! Bytes that can never become the expected answer, and bytes in messages to a person.

/// Bytes that can never become the answer.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("expected {expected}, but found {found}")]
pub struct Malformed {
    /// What would have been right.
    pub expected: String,
    /// What is there.
    pub found: String,
}

/// A refusal as the result of a reader.
pub(super) fn malformed<T>(expected: impl Into<String>, found: impl Into<String>) -> Result<T, Malformed> {
    Err(Malformed { expected: expected.into(), found: found.into() })
}

/// Bytes for a message to a person: printable, and not too many.
pub fn shown(bytes: &[u8]) -> String {
    const MOST: usize = 48;
    let text = bytes[..bytes.len().min(MOST)].escape_ascii();
    if bytes.len() > MOST { format!("`{text}…` ({} bytes)", bytes.len()) } else { format!("`{text}`") }
}
