//! One table of a document: typed getters for its keys, which record a diagnostic for every fault.

use super::{Diagnostics, Document, Range};
use std::cell::RefCell;
use toml::Spanned;
use toml::de::{DeArray, DeTable, DeValue};
use toml::value::Datetime;

/// Most entries of one list that are reported singly; further ones are counted.
const MAX_DIAGNOSTICS_PER_LIST: usize = 5;

/// Longest quotation of the file in a message [characters].
const MAX_QUOTE: usize = 60;

type Value<'t> = Spanned<DeValue<'t>>;

/// A value under a key that the file names.
#[derive(Clone, Debug, PartialEq)]
pub enum Scalar {
    /// Text.
    Text(String),
    /// A whole number.
    Number(f64),
}

/// One table. A getter that finds a fault records a diagnostic and returns `None`.
pub struct Section<'d, 't> {
    document: &'d Document<'t>,
    path: String,
    table: Option<&'d DeTable<'t>>,
    /// Keys that the caller knows.
    known: RefCell<Vec<&'static str>>,
}

impl<'d, 't> Section<'d, 't> {
    pub(super) fn new(document: &'d Document<'t>, path: String, table: Option<&'d DeTable<'t>>) -> Self {
        Self { document, path, table, known: RefCell::default() }
    }

    /// The full name of a key of this table.
    pub fn name(&self, key: &str) -> String {
        if self.path.is_empty() { key.to_owned() } else { format!("{}.{key}", self.path) }
    }

    /// Whether the file has the key.
    pub fn has(&self, key: &str) -> bool {
        self.table.is_some_and(|t| t.contains_key(key))
    }

    /// The keys that the file has.
    pub fn keys(&self) -> Vec<String> {
        self.table.map(|t| t.keys().map(|k| k.get_ref().to_string()).collect()).unwrap_or_default()
    }

    /// Records that the value of a key breaks a rule of the caller; quotes the value.
    pub fn refuse(&self, key: &str, expected: impl Into<String>) {
        let found = self.table.and_then(|t| t.get(key)).map_or_else(|| "nothing".into(), |value| self.quote(value));
        self.refuse_with(key, expected, found);
    }

    /// Records that the value of a key breaks a rule of the caller; `found` describes the value.
    pub fn refuse_with(&self, key: &str, expected: impl Into<String>, found: impl Into<String>) {
        let base = key.split('[').next().unwrap_or(key);
        let line = self.table.and_then(|t| t.get_key_value(base)).map(|(k, _)| self.document.line(k.span().start));
        self.document.push(line, self.name(key), expected.into(), found.into());
    }

    /// Records the faults of another file that this one names.
    pub fn report(&self, other: Diagnostics) {
        self.document.diagnostics.borrow_mut().extend(other.0);
    }

    /// Records that a required key is missing.
    pub fn missing(&self, key: &str, expected: impl Into<String>) {
        self.document.push(None, self.name(key), expected.into(), "nothing: the key is required".into());
    }

    /// Marks a key as known without reading its value.
    pub fn ignore(&self, key: &'static str) {
        self.known.borrow_mut().push(key);
    }

    fn get(&self, key: &'static str) -> Option<&'d Value<'t>> {
        self.ignore(key);
        self.table?.get(key)
    }

    /// The value of a key; records a diagnostic if it is required and absent.
    fn value(&self, key: &'static str, required: bool, expected: &dyn Fn() -> String) -> Option<&'d Value<'t>> {
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

    /// A number; the key may be absent where there is a `default`.
    pub fn number(&self, key: &'static str, default: Option<f64>, range: Range) -> Option<f64> {
        let expected = || format!("a number {range}");
        let Some(value) = self.value(key, default.is_none(), &expected) else { return default };
        let number = as_number(value).filter(|n| range.contains(*n));
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
            self.ignore(key);
            None
        }
    }

    /// An integer from 0 to `u32::MAX`; the key may be absent where there is a `default`.
    pub fn integer(&self, key: &'static str, default: Option<u32>, range: Range) -> Option<u32> {
        let expected = || format!("a whole number {range}");
        let Some(value) = self.value(key, default.is_none(), &expected) else { return default };
        let number = match value.get_ref() {
            DeValue::Integer(_) => {
                as_number(value).filter(|n| range.contains(*n) && *n >= 0.0 && *n <= f64::from(u32::MAX))
            }
            _ => None,
        };
        if number.is_none() {
            self.wrong(key, value, expected());
        }
        number.map(|n| n as u32)
    }

    /// A boolean; `default` where the key is absent.
    pub fn boolean(&self, key: &'static str, default: bool) -> bool {
        match self.get(key) {
            None => default,
            Some(value) => match value.get_ref() {
                DeValue::Boolean(boolean) => *boolean,
                _ => {
                    self.wrong(key, value, "true or false".into());
                    default
                }
            },
        }
    }

    /// Text that is not blank; `rule` describes it in messages.
    pub fn text(&self, key: &'static str, default: Option<&str>, rule: &str) -> Option<String> {
        self.parse_with(key, default, rule, |text| (!text.trim().is_empty()).then(|| text.to_owned()))
    }

    /// Text that `parse` accepts; `rule` describes it in messages.
    pub fn parse_with<T>(
        &self,
        key: &'static str,
        default: Option<&str>,
        rule: &str,
        parse: impl Fn(&str) -> Option<T>,
    ) -> Option<T> {
        let Some(value) = self.value(key, default.is_none(), &|| rule.to_owned()) else {
            return default.and_then(parse);
        };
        let parsed = match value.get_ref() {
            DeValue::String(text) => parse(text),
            _ => None,
        };
        if parsed.is_none() {
            self.wrong(key, value, rule.to_owned());
        }
        parsed
    }

    /// Text that `parse` accepts, under a key that may be absent.
    pub fn optional_parse_with<T>(
        &self,
        key: &'static str,
        rule: &str,
        parse: impl Fn(&str) -> Option<T>,
    ) -> Option<T> {
        if self.has(key) {
            self.parse_with(key, None, rule, parse)
        } else {
            self.ignore(key);
            None
        }
    }

    /// The texts of a list, without any diagnostic; entries of other types are left out.
    pub fn texts_unchecked(&self, key: &str) -> Vec<String> {
        let entries = self.table.and_then(|t| t.get(key)).and_then(list);
        let text = |e: &Value<'t>| if let DeValue::String(s) = e.get_ref() { Some(s.to_string()) } else { None };
        entries.into_iter().flatten().filter_map(text).collect()
    }

    /// Text or a TOML date or time, as text that `parse` accepts; required.
    pub fn timestamp<T>(&self, key: &'static str, rule: &str, parse: impl Fn(&str) -> Option<T>) -> Option<T> {
        let value = self.value(key, true, &|| rule.to_owned())?;
        let parsed = match value.get_ref() {
            DeValue::String(text) => parse(text),
            DeValue::Datetime(timestamp) => parse(&Datetime::to_string(timestamp)),
            _ => None,
        };
        if parsed.is_none() {
            self.wrong(key, value, rule.to_owned());
        }
        parsed
    }

    /// A list of texts; `None` also where it is optional and absent.
    pub fn texts(&self, key: &'static str, required: bool, rule: &str) -> Option<Vec<String>> {
        let value = self.value(key, required, &|| rule.to_owned())?;
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

    /// A list of `at_least` or more numbers, each within `range`; `None` also where it is optional and absent.
    pub fn numbers(&self, key: &'static str, required: bool, at_least: usize, range: Range) -> Option<Vec<f64>> {
        let expected = || format!("a list of at least {at_least} numbers, each {range}");
        let value = self.value(key, required, &expected)?;
        let Some(entries) = list(value).filter(|l| l.len() >= at_least) else {
            self.wrong(key, value, expected());
            return None;
        };
        let mut numbers = Vec::with_capacity(entries.len());
        let mut wrong = 0;
        for (i, entry) in entries.iter().enumerate() {
            match as_number(entry).filter(|n| range.contains(*n)) {
                Some(number) => numbers.push(number),
                None => {
                    wrong += 1;
                    if wrong <= MAX_DIAGNOSTICS_PER_LIST {
                        self.wrong(&format!("{key}[{i}]"), entry, format!("a number {range}"));
                    }
                }
            }
        }
        if wrong > MAX_DIAGNOSTICS_PER_LIST {
            self.wrong(
                key,
                value,
                format!("numbers {range}: {} more entries are not", wrong - MAX_DIAGNOSTICS_PER_LIST),
            );
        }
        (wrong == 0).then_some(numbers)
    }

    /// Two numbers, the first below the second; `None` also where it is optional and absent.
    pub fn interval(&self, key: &'static str, required: bool, range: Range) -> Option<(f64, f64)> {
        let expected = || format!("two numbers [low, high], low below high, each a number {range}");
        let value = self.value(key, required, &expected)?;
        let ends: Option<Vec<f64>> = list(value).and_then(|l| l.iter().map(as_number).collect());
        match ends.as_deref() {
            Some([low, high]) if range.contains(*low) && range.contains(*high) && low < high => Some((*low, *high)),
            _ => {
                self.wrong(key, value, expected());
                None
            }
        }
    }

    /// Whether the value of a key is a table.
    pub fn is_table(&self, key: &str) -> bool {
        self.table.and_then(|t| t.get(key)).is_some_and(|v| matches!(v.get_ref(), DeValue::Table(_)))
    }

    /// Whether the value of a key is a list.
    pub fn is_list(&self, key: &str) -> bool {
        self.table.and_then(|t| t.get(key)).is_some_and(|v| list(v).is_some())
    }

    /// The table under a key; an empty table where the key is absent, so that each of its required keys is reported.
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
            self.ignore(key);
            None
        }
    }

    /// The tables under `[[key]]`; at least one is required.
    pub fn sections(&self, key: &'static str) -> Vec<Section<'d, 't>> {
        let expected = || format!("`[[{0}]]`, also when there is only one", self.name(key));
        let Some(value) = self.value(key, true, &expected) else { return Vec::new() };
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

    /// The table under a key that is named by the file (an entry of [`Section::keys`]).
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

    /// All keys of a table whose names the file chooses, with texts and whole numbers as values.
    pub fn scalars(&self) -> Vec<(String, Scalar)> {
        let mut scalars = Vec::new();
        for (key, value) in self.table.into_iter().flatten() {
            let name = key.get_ref().to_string();
            match (value.get_ref(), as_number(value)) {
                (DeValue::String(text), _) => scalars.push((name, Scalar::Text(text.to_string()))),
                (DeValue::Integer(_), Some(number)) => scalars.push((name, Scalar::Number(number))),
                _ => self.wrong(&name, value, "text or a whole number".into()),
            }
        }
        scalars
    }

    /// The line of a key, counted from 1; 0 where the file does not have it.
    pub fn line_of(&self, key: &str) -> usize {
        self.table.and_then(|t| t.get_key_value(key)).map_or(0, |(k, _)| self.document.line(k.span().start))
    }

    /// Records a diagnostic for every key of the file that the caller does not know.
    pub fn close(&self) {
        let known = self.known.borrow();
        for (key, _) in self.table.into_iter().flatten() {
            let name = key.get_ref().as_ref();
            if known.contains(&name) {
                continue;
            }
            let names: Vec<String> = known.iter().map(|k| format!("`{k}`")).collect();
            let expected =
                if names.is_empty() { "no keys".into() } else { format!("one of the keys {}", names.join(", ")) };
            let hint = nearest(name, &known).map(|k| format!(" (did you mean `{k}`?)")).unwrap_or_default();
            let line = Some(self.document.line(key.span().start));
            self.document.push(line, self.name(name), expected, format!("an unknown key{hint}"));
        }
    }
}

fn list<'d, 't>(value: &'d Value<'t>) -> Option<&'d DeArray<'t>> {
    match value.get_ref() {
        DeValue::Array(list) => Some(list),
        _ => None,
    }
}

/// The value as a number; `None` for other types.
fn as_number(value: &Value<'_>) -> Option<f64> {
    match value.get_ref() {
        DeValue::Integer(digits) => i64::from_str_radix(digits.as_str(), digits.radix()).ok().map(|n| n as f64),
        DeValue::Float(digits) => digits.as_str().parse().ok(),
        _ => None,
    }
}

/// The known key closest to `name`: within two letters, or else one that contains the other.
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
