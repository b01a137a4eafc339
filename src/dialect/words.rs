//! The words of an instrument: names of states, and what stands for them on the line. Pure.

/// What stands for a state on the line.
#[derive(Clone, Debug, PartialEq)]
pub enum Spelling {
    /// Text that is compared exactly.
    Exact(String),
    /// A keyword with a short and a long form in SCPI notation: the short form of `CLOSed` is `CLOS`.
    Scpi(String),
    /// A number, for fields that are numbers.
    Number(f64),
}

impl Spelling {
    /// The text that is sent: the short form of a SCPI keyword, without the lower-case letters.
    pub fn sent(&self) -> String {
        match self {
            Self::Exact(text) => text.clone(),
            Self::Scpi(text) => text.chars().filter(|c| !c.is_ascii_lowercase()).collect(),
            Self::Number(number) => number.to_string(),
        }
    }

    /// Whether `found` stands for this state. A SCPI keyword is matched in its short or long form, in any case; keywords of several
    /// parts (`UINTeger,16`) are compared part by part.
    pub fn matches(&self, found: &str) -> bool {
        let text = match self {
            Self::Exact(text) => return text == found,
            Self::Number(number) => return found.parse() == Ok(*number),
            Self::Scpi(text) => text,
        };
        let mut found = found.split(',').map(str::trim);
        let same = text.split(',').all(|part| {
            let short = || part.bytes().filter(|c| !c.is_ascii_lowercase());
            let is_short = |f: &str| f.bytes().map(|c| c.to_ascii_uppercase()).eq(short());
            found.next().is_some_and(|f| is_short(f) || f.eq_ignore_ascii_case(part))
        });
        same && found.next().is_none()
    }
}

/// The tables of `[words]`: by field, the states and their spellings.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Words(pub Vec<(String, Vec<(String, Spelling)>)>);

impl Words {
    /// The states of a field.
    pub fn of(&self, field: &str) -> Option<&[(String, Spelling)]> {
        self.0.iter().find(|(name, _)| name == field).map(|(_, states)| states.as_slice())
    }

    /// The spelling of a state.
    pub fn spelling(&self, field: &str, state: &str) -> Option<&Spelling> {
        self.of(field)?.iter().find(|(name, _)| name == state).map(|(_, spelling)| spelling)
    }

    /// The state that `found` stands for.
    pub fn state(&self, field: &str, found: &str) -> Option<&str> {
        self.of(field)?.iter().find(|(_, spelling)| spelling.matches(found)).map(|(state, _)| state.as_str())
    }

    /// The state that a number stands for.
    pub fn state_of_number(&self, field: &str, found: f64) -> Option<&str> {
        let same = |spelling: &Spelling| matches!(spelling, Spelling::Number(number) if *number == found);
        self.of(field)?.iter().find(|(_, spelling)| same(spelling)).map(|(state, _)| state.as_str())
    }

    /// The spellings of a field, for messages.
    pub fn expected(&self, field: &str) -> String {
        let spellings = self.of(field).unwrap_or_default().iter().map(|(_, spelling)| format!("`{}`", spelling.sent()));
        format!("{field} as {}", spellings.collect::<Vec<_>>().join(" or "))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Published: IEEE 488.2 and SCPI-1999 accept exactly the short and the long form, in any case.
    #[test]
    fn a_keyword_matches_its_short_and_long_form_and_nothing_between() {
        let closed = Spelling::Scpi("CLOSed".into());
        assert_eq!(closed.sent(), "CLOS");
        for right in ["CLOS", "CLOSED", "closed", "Clos"] {
            assert!(closed.matches(right), "{right}");
        }
        for wrong in ["CLO", "CLOSE", "CLOSEDX", "", "CLOS,1", "OPEN"] {
            assert!(!closed.matches(wrong), "{wrong}");
        }
        let format = Spelling::Scpi("UINTeger,16".into());
        assert_eq!(format.sent(), "UINT,16");
        assert!(format.matches("UINT,16") && format.matches("uinteger, 16"));
        assert!(!format.matches("UINT,32") && !format.matches("UINT") && !format.matches("UINT,16,1"));
    }

    #[test]
    fn a_state_is_found_by_text_and_by_number() {
        let states = |a: Spelling, b: Spelling| vec![("open".to_owned(), a), ("closed".to_owned(), b)];
        let words = Words(vec![
            ("shutter".into(), states(Spelling::Exact("O".into()), Spelling::Exact("C".into()))),
            ("lid".into(), states(Spelling::Number(1.0), Spelling::Number(0.0))),
        ]);
        assert_eq!((words.state("shutter", "C"), words.state("shutter", "c")), (Some("closed"), None));
        assert_eq!((words.state_of_number("lid", 1.0), words.state_of_number("lid", 2.0)), (Some("open"), None));
        assert_eq!(words.expected("shutter"), "shutter as `O` or `C`");
    }
}
