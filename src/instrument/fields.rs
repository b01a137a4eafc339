//! The fields of an answer: one line, and where in it each of them stands.
//!
//! Pure. Every exposure brings a dozen fields, which are looked at once: none of them has memory of its own. What must stay true:
//! a field that is not there is the empty text, which no reader of fields takes for a value.

/// The fields of a line, which `;` separates outside of quotes, without the blanks around them.
#[derive(Clone, Debug, Default)]
pub struct Fields {
    line: String,
    /// Where each begins and ends.
    places: Vec<(usize, usize)>,
    /// How many of them are passed over.
    passed: usize,
}

impl Fields {
    /// Takes a line apart; one that is no text has no fields but an empty one.
    pub fn of(line: &[u8]) -> Self {
        let line = std::str::from_utf8(line).unwrap_or_default();
        let mut places = Vec::with_capacity(16);
        let (mut begin, mut quoted) = (0, false);
        let mut put = |begin: usize, end: usize| {
            let field = &line[begin..end];
            let blank = field.len() - field.trim_ascii_start().len();
            places.push((begin + blank, begin + blank + field.trim_ascii().len()));
        };
        for (at, byte) in line.bytes().enumerate() {
            quoted ^= byte == b'"';
            if byte == b';' && !quoted {
                put(begin, at);
                begin = at + 1;
            }
        }
        put(begin, line.len());
        Self { line: line.to_owned(), places, passed: 0 }
    }

    /// The rest of them, behind the first `n`.
    pub fn behind(mut self, n: usize) -> Self {
        self.passed = (self.passed + n).min(self.places.len());
        self
    }

    /// How many there are.
    pub fn len(&self) -> usize {
        self.places.len() - self.passed
    }

    /// Whether there is none.
    pub fn is_empty(&self) -> bool {
        self.len() == 0
    }

    /// One of them, if there are so many.
    pub fn get(&self, at: usize) -> Option<&str> {
        self.iter().nth(at)
    }

    /// One of them, or nothing.
    pub fn at(&self, at: usize) -> &str {
        self.get(at).unwrap_or_default()
    }

    /// All of them, in their order.
    pub fn iter(&self) -> impl Iterator<Item = &str> {
        self.places[self.passed..].iter().map(|(begin, end)| &self.line[*begin..*end])
    }

    /// The line they came in.
    pub fn line(&self) -> &str {
        &self.line
    }
}

impl PartialEq for Fields {
    /// By what they say, blanks left out.
    fn eq(&self, other: &Self) -> bool {
        self.iter().eq(other.iter())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Identity: blanks go, empty fields stay, a `;` in quotes separates nothing, and what is passed over is no longer there.
    #[test]
    fn a_line_is_taken_apart_where_its_fields_end() {
        let fields = Fields::of(b" 1 ;;OPEN;-222,\"a;b\" ; \t");
        assert_eq!(fields.iter().collect::<Vec<_>>(), ["1", "", "OPEN", "-222,\"a;b\"", ""]);
        assert_eq!((fields.len(), fields.at(2), fields.get(5), fields.at(5)), (5, "OPEN", None, ""));
        let rest = fields.clone().behind(2);
        assert_eq!((rest.len(), rest.at(0)), (3, "OPEN"));
        assert_eq!(rest, Fields::of(b"OPEN;-222,\"a;b\";"));
        assert!(fields.behind(9).is_empty());
        assert_eq!(Fields::of(b"").iter().collect::<Vec<_>>(), [""]);
        assert_eq!(Fields::of(b"1;caf\xe9").iter().collect::<Vec<_>>(), [""]);
    }
}
