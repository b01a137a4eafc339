//! The fields of an answer. A field that is not there is the empty text, which no reader of fields takes for a value. Pure.

use std::fmt;

/// The fields of a line, which `;` separates outside of quotes, without the blanks around them.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Fields(Vec<String>);

impl Fields {
    /// The fields of a line; one that is no text has a single empty field.
    pub fn of(line: &[u8]) -> Self {
        let mut quoted = false;
        let separates = |c: char| {
            quoted ^= c == '"';
            c == ';' && !quoted
        };
        let line = std::str::from_utf8(line).unwrap_or_default();
        Self(line.split(separates).map(|field| field.trim_ascii().to_owned()).collect())
    }

    /// The fields behind the first `n`.
    pub fn without_first(&self, n: usize) -> Self {
        Self(self.0.get(n..).unwrap_or_default().to_vec())
    }

    /// How many there are.
    pub fn len(&self) -> usize {
        self.0.len()
    }

    /// Whether there is none.
    pub fn is_empty(&self) -> bool {
        self.0.is_empty()
    }

    /// One of them, if there are so many.
    pub fn get(&self, at: usize) -> Option<&str> {
        self.0.get(at).map(String::as_str)
    }

    /// One of them, or the empty text.
    pub fn at(&self, at: usize) -> &str {
        self.get(at).unwrap_or_default()
    }

    /// All of them, in order.
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
