//! One table of a document: asks for keys, notes what is wrong with them.

use super::{Document, Range};
use std::cell::RefCell;
use toml::Spanned;
use toml::de::{DeArray, DeTable, DeValue};
use toml::value::Datetime;

/// Diagnostics of single entries that one list reports before it only counts them.
const MAX_FLAWS_A_LIST: usize = 5;

/// The longest piece of the file that a message repeats [characters].
const MAX_QUOTE: usize = 60;

type Value<'t> = Spanned<DeValue<'t>>;

/// One table being read. Every getter notes a diagnostic and answers `None` when the value cannot be used.
pub struct Section<'d, 't> {
    document: &'d Document<'t>,
    path: String,
    table: Option<&'d DeTable<'t>>,
    asked: RefCell<Vec<&'static str>>,
}

impl<'d, 't> Section<'d, 't> {
    pub(super) fn new(document: &'d Document<'t>, path: String, table: Option<&'d DeTable<'t>>) -> Self {
        Self { document, path, table, asked: RefCell::default() }
    }

    /// The full name of a key in it.
    pub fn name(&self, key: &str) -> String {
        if self.path.is_empty() { key.to_owned() } else { format!("{}.{key}", self.path) }
    }

    /// Whether the file holds the key.
    pub fn has(&self, key: &str) -> bool {
        self.table.is_some_and(|t| t.contains_key(key))
    }

    /// The keys the file holds.
    pub fn keys(&self) -> Vec<String> {
        self.table.map(|t| t.keys().map(|k| k.get_ref().to_string()).collect()).unwrap_or_default()
    }

    /// Notes that the value of a key breaks a rule that no getter knows; quotes what the file holds.
    pub fn refuse(&self, key: &str, expected: impl Into<String>) {
        let found = self.table.and_then(|t| t.get(key)).map_or_else(|| "nothing".into(), |value| self.quote(value));
        self.refuse_with(key, expected, found);
    }

    /// The same, in which `found` says what was found.
    pub fn refuse_with(&self, key: &str, expected: impl Into<String>, found: impl Into<String>) {
        let base = key.split('[').next().unwrap_or(key);
        let line = self.table.and_then(|t| t.get_key_value(base)).map(|(k, _)| self.document.line(k.span().start));
        self.document.push(line, self.name(key), expected.into(), found.into());
    }

    /// Notes that a key which must be there is not.
    pub fn missing(&self, key: &str, expected: impl Into<String>) {
        self.document.push(None, self.name(key), expected.into(), "nothing: the key is required".into());
    }

    /// Notes that the key belongs here, without reading it.
    pub fn knows(&self, key: &'static str) {
        self.asked.borrow_mut().push(key);
    }

    fn get(&self, key: &'static str) -> Option<&'d Value<'t>> {
        self.knows(key);
        self.table?.get(key)
    }

    /// The value of a key, or a diagnostic when it is required and absent.
    fn need(&self, key: &'static str, required: bool, expected: &dyn Fn() -> String) -> Option<&'d Value<'t>> {
        let value = self.get(key);
        if value.is_none() && required {
            self.missing(key, expected());
        }
        value
    }

    fn wrong(&self, key: &str, value: &Value<'t>, expected: String) {
        self.document.push(Some(self.document.line(value.span().start)), self.name(key), expected, self.quote(value));
    }

    fn quote(&self, value: &Value<'t>) -> String {
        let piece = match value.get_ref() {
            DeValue::Table(_) => return "a table".into(),
            DeValue::Array(list) if list.len() > 8 => return format!("a list of {} entries", list.len()),
            _ => self.document.text.get(value.span()).unwrap_or_default(),
        };
        let mut line: String = piece.split_whitespace().collect::<Vec<_>>().join(" ");
        if line.chars().count() > MAX_QUOTE {
            line = line.chars().take(MAX_QUOTE).collect::<String>() + "…";
        }
        format!("`{line}`")
    }

    /// A number; with `default`, the key may be absent.
    pub fn number(&self, key: &'static str, default: Option<f64>, range: Range) -> Option<f64> {
        let expected = || format!("a number {range}");
        let Some(value) = self.need(key, default.is_none(), &expected) else { return default };
        let number = as_number(value).filter(|n| range.holds(*n));
        if number.is_none() {
            self.wrong(key, value, expected());
        }
        number
    }

    /// A number that may be absent.
    pub fn optional_number(&self, key: &'static str, range: Range) -> Option<f64> {
        if self.has(key) {
            self.number(key, None, range)
        } else {
            self.knows(key);
            None
        }
    }

    /// A whole number; with `default`, the key may be absent.
    pub fn whole(&self, key: &'static str, default: Option<u32>, range: Range) -> Option<u32> {
        let expected = || format!("a whole number {range}");
        let Some(value) = self.need(key, default.is_none(), &expected) else { return default };
        let number = match value.get_ref() {
            DeValue::Integer(_) => {
                as_number(value).filter(|n| range.holds(*n) && *n >= 0.0 && *n <= f64::from(u32::MAX))
            }
            _ => None,
        };
        if number.is_none() {
            self.wrong(key, value, expected());
        }
        number.map(|n| n as u32)
    }

    /// True or false; absent is `default`.
    pub fn truth(&self, key: &'static str, default: bool) -> bool {
        match self.get(key) {
            None => default,
            Some(value) => match value.get_ref() {
                DeValue::Boolean(truth) => *truth,
                _ => {
                    self.wrong(key, value, "true or false".into());
                    default
                }
            },
        }
    }

    /// Text that is not blank; `rule` says what the text has to be.
    pub fn text(&self, key: &'static str, default: Option<&str>, rule: &str) -> Option<String> {
        self.understood(key, default, rule, |text| (!text.trim().is_empty()).then(|| text.to_owned()))
    }

    /// Text that `understand` makes something of; `rule` says what the text has to be.
    pub fn understood<T>(
        &self,
        key: &'static str,
        default: Option<&str>,
        rule: &str,
        understand: impl Fn(&str) -> Option<T>,
    ) -> Option<T> {
        let Some(value) = self.need(key, default.is_none(), &|| rule.to_owned()) else {
            return default.and_then(understand);
        };
        let meant = match value.get_ref() {
            DeValue::String(text) => understand(text),
            _ => None,
        };
        if meant.is_none() {
            self.wrong(key, value, rule.to_owned());
        }
        meant
    }

    /// The same for a key that may be absent.
    pub fn optional_understood<T>(
        &self,
        key: &'static str,
        rule: &str,
        understand: impl Fn(&str) -> Option<T>,
    ) -> Option<T> {
        if self.has(key) {
            self.understood(key, None, rule, understand)
        } else {
            self.knows(key);
            None
        }
    }

    /// The texts in a list, whatever else is wrong with it, without noting a diagnostic.
    pub fn quiet_texts(&self, key: &str) -> Vec<String> {
        let entries = self.table.and_then(|t| t.get(key)).and_then(list);
        let text = |e: &Value<'t>| if let DeValue::String(s) = e.get_ref() { Some(s.to_string()) } else { None };
        entries.into_iter().flatten().filter_map(text).collect()
    }

    /// Text or a TOML date or time, as text; required.
    pub fn moment<T>(&self, key: &'static str, rule: &str, understand: impl Fn(&str) -> Option<T>) -> Option<T> {
        let value = self.need(key, true, &|| rule.to_owned())?;
        let meant = match value.get_ref() {
            DeValue::String(text) => understand(text),
            DeValue::Datetime(moment) => understand(&Datetime::to_string(moment)),
            _ => None,
        };
        if meant.is_none() {
            self.wrong(key, value, rule.to_owned());
        }
        meant
    }

    /// A list of texts; `None` also when it is absent and not required.
    pub fn texts(&self, key: &'static str, required: bool, rule: &str) -> Option<Vec<String>> {
        let value = self.need(key, required, &|| rule.to_owned())?;
        let texts = list(value).and_then(|entries| {
            entries
                .iter()
                .map(|e| if let DeValue::String(s) = e.get_ref() { Some(s.to_string()) } else { None })
                .collect()
        });
        if texts.is_none() {
            self.wrong(key, value, rule.to_owned());
        }
        texts
    }

    /// A list of numbers, each within `range`, `at_least` of them; `None` also when it is absent and not required.
    pub fn numbers(&self, key: &'static str, required: bool, at_least: usize, range: Range) -> Option<Vec<f64>> {
        let expected = || format!("a list of at least {at_least} numbers, each {range}");
        let value = self.need(key, required, &expected)?;
        let Some(entries) = list(value).filter(|l| l.len() >= at_least) else {
            self.wrong(key, value, expected());
            return None;
        };
        let mut numbers = Vec::with_capacity(entries.len());
        let mut wrong = 0;
        for (i, entry) in entries.iter().enumerate() {
            match as_number(entry).filter(|n| range.holds(*n)) {
                Some(number) => numbers.push(number),
                None => {
                    wrong += 1;
                    if wrong <= MAX_FLAWS_A_LIST {
                        self.wrong(&format!("{key}[{i}]"), entry, format!("a number {range}"));
                    }
                }
            }
        }
        if wrong > MAX_FLAWS_A_LIST {
            self.wrong(key, value, format!("numbers {range}: {} more entries are not", wrong - MAX_FLAWS_A_LIST));
        }
        (wrong == 0).then_some(numbers)
    }

    /// Two numbers, the first below the second; `None` also when it is absent and not required.
    pub fn span(&self, key: &'static str, required: bool, range: Range) -> Option<(f64, f64)> {
        let expected = || format!("two numbers [low, high], low below high, each a number {range}");
        let value = self.need(key, required, &expected)?;
        let ends: Option<Vec<f64>> = list(value).and_then(|l| l.iter().map(as_number).collect());
        match ends.as_deref() {
            Some([low, high]) if range.holds(*low) && range.holds(*high) && low < high => Some((*low, *high)),
            _ => {
                self.wrong(key, value, expected());
                None
            }
        }
    }

    /// Whether the value of a key is a list.
    pub fn is_list(&self, key: &str) -> bool {
        self.table.and_then(|t| t.get(key)).is_some_and(|v| list(v).is_some())
    }

    /// The table under a key; an empty one when it is absent, so that each required key in it is named as missing.
    pub fn section(&self, key: &'static str) -> Section<'d, 't> {
        let table = match self.get(key) {
            None => None,
            Some(value) => match value.get_ref() {
                DeValue::Table(table) => Some(table),
                _ => {
                    self.wrong(key, value, format!("a table `[{}]`", self.name(key)));
                    None
                }
            },
        };
        Section::new(self.document, self.name(key), table)
    }

    /// The table under a key that may be absent.
    pub fn optional_section(&self, key: &'static str) -> Option<Section<'d, 't>> {
        if self.has(key) {
            Some(self.section(key))
        } else {
            self.knows(key);
            None
        }
    }

    /// The tables under `[[key]]`, at least one.
    pub fn sections(&self, key: &'static str) -> Vec<Section<'d, 't>> {
        let expected = || format!("`[[{0}]]`, also when there is only one", self.name(key));
        let Some(value) = self.need(key, true, &expected) else { return Vec::new() };
        let tables: Option<Vec<&'d DeTable<'t>>> = list(value).filter(|l| !l.is_empty()).and_then(|entries| {
            entries.iter().map(|e| if let DeValue::Table(t) = e.get_ref() { Some(t) } else { None }).collect()
        });
        let Some(tables) = tables else {
            self.wrong(key, value, expected());
            return Vec::new();
        };
        let section = |(i, table)| Section::new(self.document, format!("{}[{i}]", self.name(key)), Some(table));
        tables.into_iter().enumerate().map(section).collect()
    }

    /// The table under a key whose name the file chooses (an entry of [`Section::keys`]).
    pub fn entry(&self, key: &str) -> Section<'d, 't> {
        let table = match self.table.and_then(|t| t.get(key)) {
            Some(value) => match value.get_ref() {
                DeValue::Table(table) => Some(table),
                _ => {
                    self.wrong(key, value, "a table".into());
                    None
                }
            },
            None => None,
        };
        Section::new(self.document, self.name(key), table)
    }

    /// Every key of the file that was not asked for is a diagnostic.
    pub fn close(&self) {
        let asked = self.asked.borrow();
        for (key, _) in self.table.into_iter().flatten() {
            let name = key.get_ref().as_ref();
            if asked.contains(&name) {
                continue;
            }
            let known: Vec<String> = asked.iter().map(|k| format!("`{k}`")).collect();
            let known =
                if known.is_empty() { "no keys".into() } else { format!("one of the keys {}", known.join(", ")) };
            let hint = nearest(name, &asked).map(|k| format!(" (did you mean `{k}`?)")).unwrap_or_default();
            let line = Some(self.document.line(key.span().start));
            self.document.push(line, self.name(name), known, format!("an unknown key{hint}"));
        }
    }
}

fn list<'d, 't>(value: &'d Value<'t>) -> Option<&'d DeArray<'t>> {
    match value.get_ref() {
        DeValue::Array(list) => Some(list),
        _ => None,
    }
}

/// The number a value is, whole or not; `None` for anything else.
fn as_number(value: &Value<'_>) -> Option<f64> {
    match value.get_ref() {
        DeValue::Integer(digits) => i64::from_str_radix(digits.as_str(), digits.radix()).ok().map(|n| n as f64),
        DeValue::Float(digits) => digits.as_str().parse().ok(),
        _ => None,
    }
}

/// The known key that is likely meant: the closest one within two letters, else one that contains the other.
fn nearest(name: &str, known: &[&'static str]) -> Option<&'static str> {
    let close = known.iter().map(|k| (edits(name, k), *k)).filter(|(n, k)| *n <= 2 && *n < k.len()).min();
    let stem = || known.iter().find(|k| name.len() >= 3 && k.len() >= 3 && (k.contains(name) || name.contains(**k)));
    close.map(|(_, key)| key).or_else(|| stem().copied())
}

/// Levenshtein distance [letters].
fn edits(a: &str, b: &str) -> usize {
    let b: Vec<char> = b.chars().collect();
    let mut row: Vec<usize> = (0..=b.len()).collect();
    for (i, x) in a.chars().enumerate() {
        let mut diagonal = row[0];
        row[0] = i + 1;
        for (j, y) in b.iter().enumerate() {
            let swap = diagonal + usize::from(x != *y);
            diagonal = row[j + 1];
            row[j + 1] = swap.min(row[j] + 1).min(diagonal + 1);
        }
    }
    row[b.len()]
}
