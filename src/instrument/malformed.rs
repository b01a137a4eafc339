//! The error for bytes that do not begin the expected answer, and the representation of bytes in messages.

/// Received bytes that are not the beginning of the expected answer.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("expected {expected}, but found {found}")]
pub struct Malformed {
    /// The expected text.
    pub expected: String,
    /// The text found.
    pub found: String,
}

/// [`Malformed`] as the result of a parser.
pub(super) fn malformed<T>(expected: impl Into<String>, found: impl Into<String>) -> Result<T, Malformed> {
    Err(Malformed { expected: expected.into(), found: found.into() })
}

/// Bytes as printable, shortened text for messages.
pub fn shown(bytes: &[u8]) -> String {
    const MOST: usize = 48;
    let text = bytes[..bytes.len().min(MOST)].escape_ascii();
    if bytes.len() > MOST { format!("`{text}…` ({} bytes)", bytes.len()) } else { format!("`{text}`") }
}
