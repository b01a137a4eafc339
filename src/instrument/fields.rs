//! The fields of an answer. Pure.
//!
//! A missing field is the empty text, which every field parser refuses.

use std::fmt;

/// The fields of a line, separated by `;` outside quotes, without surrounding blanks.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Fields(Vec<String>);

impl Fields {
    /// Splits a line; a line that is not UTF-8 gives a single empty field.
    pub fn of(line: &[u8]) -> Self {
        let mut quoted = false;
        let separates = |c: char| {
            quoted ^= c == '"';
            c == ';' && !quoted
        };
        let line = std::str::from_utf8(line).unwrap_or_default();
        Self(line.split(separates).map(|field| field.trim_ascii().to_owned()).collect())
    }

    /// The fields after the first `n`.
    pub fn without_first(&self, n: usize) -> Self {
        Self(self.0.get(n..).unwrap_or_default().to_vec())
    }

    /// Number of fields.
    pub fn len(&self) -> usize {
        self.0.len()
    }

    /// Whether there are no fields.
    pub fn is_empty(&self) -> bool {
        self.0.is_empty()
    }

    /// The field at an index.
    pub fn get(&self, at: usize) -> Option<&str> {
        self.0.get(at).map(String::as_str)
    }

    /// The field at an index, or the empty text.
    pub fn at(&self, at: usize) -> &str {
        self.get(at).unwrap_or_default()
    }

    /// All fields, in order.
    pub fn iter(&self) -> impl Iterator<Item = &str> {
        self.0.iter().map(String::as_str)
    }
}

impl fmt::Display for Fields {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.0.join(";"))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_line_is_split_outside_of_quotes_and_blanks_are_dropped() {
        let fields = Fields::of(b" 1 ;;OPEN;-222,\"a;b\" ; \t");
        assert_eq!(fields.iter().collect::<Vec<_>>(), ["1", "", "OPEN", "-222,\"a;b\"", ""]);
        assert_eq!((fields.len(), fields.at(2), fields.get(5), fields.at(5)), (5, "OPEN", None, ""));
        assert_eq!(fields.without_first(2), Fields::of(b"OPEN;-222,\"a;b\";"));
        assert!(fields.without_first(9).is_empty());
        assert_eq!(Fields::of(b"").iter().collect::<Vec<_>>(), [""]);
        assert_eq!(Fields::of(b"1;caf\xe9").iter().collect::<Vec<_>>(), [""]);
    }
}
