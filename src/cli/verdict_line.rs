//! The verdicts of a reading in one line: whether its key quantities are good, and which values are doubtful by which flags. Pure.

use crate::config::{Config, StationKind};
use crate::quality::key_quantities;
use crate::record::{Effect, Flags, QuantityValue, Reading, Verdict};
use std::collections::BTreeMap;

/// Number of doubtful quantities that are listed by name; more are counted by their flags.
const LISTED: usize = 6;

/// The key quantities of a station; without a configuration those of a roof, which most stations have as well.
pub fn keys_of(config: Option<&Config>) -> &'static [&'static str] {
    key_quantities(config.map_or(StationKind::Roof, |c| c.station.kind))
}

/// The flags that make a value doubtful.
pub fn doubts(flags: Flags) -> Flags {
    flags.iter().filter(|flag| flag.effect() != Effect::Nothing).collect()
}

/// A doubtful value.
struct Doubtful<'a> {
    id: &'a str,
    flags: String,
}

impl Doubtful<'_> {
    fn text(&self) -> String {
        if self.flags.is_empty() { self.id.to_owned() } else { format!("{} ({})", self.id, self.flags) }
    }
}

/// The line. ids: of the quantities, in the order of the reading's values; keys: identifiers of the key quantities.
pub fn verdict_line<'a>(ids: impl Iterator<Item = &'a str>, reading: &Reading, keys: &[&str]) -> String {
    let of_values = ids.zip(&reading.values).enumerate().filter(|(_, (_, value))| value.value().is_some());
    let values: Vec<(usize, &str, &QuantityValue)> = of_values.map(|(k, (id, value))| (k, id, value)).collect();
    if values.is_empty() {
        return "no values".to_owned();
    }
    let is_doubtful = |value: &QuantityValue| value.verdict().is_some_and(|v| v != Verdict::Good);
    let doubtful: Vec<Doubtful<'_>> = values
        .iter()
        .filter(|(_, _, value)| is_doubtful(value))
        .map(|(k, id, _)| Doubtful { id, flags: doubts(reading.flags_of(*k)).names().join(" ") })
        .collect();
    let of_keys: Vec<String> = doubtful.iter().filter(|d| keys.contains(&d.id)).map(Doubtful::text).collect();
    let has_keys = values.iter().any(|(_, id, _)| keys.contains(id));
    let key_part = match (has_keys, of_keys.is_empty()) {
        (false, _) => "no key values".to_owned(),
        (true, true) => "key values good".to_owned(),
        (true, false) => format!("key values doubtful: {}", of_keys.join(", ")),
    };
    let all = values.len();
    match doubtful.len() {
        0 => format!("{key_part}; all {all} good"),
        n if n == of_keys.len() => format!("{key_part}; the other {} of {all} good", all - n),
        n => format!("{key_part}; {n} of {all} doubtful: {}", listed(&doubtful)),
    }
}

/// The doubtful values by name if they are few, or else their number by flags.
fn listed(doubtful: &[Doubtful<'_>]) -> String {
    if doubtful.len() <= LISTED {
        return doubtful.iter().map(Doubtful::text).collect::<Vec<_>>().join(", ");
    }
    let mut by_flags: BTreeMap<&str, usize> = BTreeMap::new();
    for d in doubtful {
        *by_flags.entry(&d.flags).or_default() += 1;
    }
    let mut counts: Vec<(&str, usize)> = by_flags.into_iter().collect();
    counts.sort_by_key(|(_, n)| std::cmp::Reverse(*n));
    counts.into_iter().map(|(flags, n)| format!("{n} ({flags})")).collect::<Vec<_>>().join(", ")
}

#[cfg(test)]
mod tests {
    use super::super::example_archive::reading;
    use super::*;
    use crate::clock::UtcMicros;
    use crate::record::Flag;

    const IDS: [&str; 10] =
        ["ppfd", "illuminance", "uv_index", "cct", "duv", "uva", "uvb", "cri_ra", "cri_r9", "gamut_rg"];

    fn line(flags: &[(&str, &[Flag])]) -> String {
        let of = |id: &str| flags.iter().find(|f| f.0 == id).map_or(Flags::NONE, |f| f.1.iter().copied().collect());
        let mut reading = reading(UtcMicros(0), false);
        reading.quantity_flags = IDS.iter().map(|id| of(id)).collect();
        let verdict = |f: &Flags| if doubts(*f) == Flags::NONE { Verdict::Good } else { Verdict::Suspect };
        let value = |f: &Flags| QuantityValue::Value { value: 1.0, uncertainty: 0.1, verdict: verdict(f) };
        reading.values = reading.quantity_flags.iter().map(value).collect();
        reading.values[9] = QuantityValue::Null("too little light".into());
        verdict_line(IDS.into_iter(), &reading, &["ppfd", "uv_index"])
    }

    #[test]
    fn the_line_says_whether_key_values_are_good_and_names_what_is_doubtful() {
        use Flag::{DarkModelled, StrayLight, Uncertain, Warming};
        assert_eq!(line(&[]), "key values good; all 9 good");
        assert_eq!(line(&[("ppfd", &[DarkModelled])]), "key values good; all 9 good");
        assert_eq!(
            line(&[("uvb", &[StrayLight]), ("cct", &[Uncertain])]),
            "key values good; 2 of 9 doubtful: cct (uncertain), uvb (stray_light)"
        );
        assert_eq!(
            line(&[("uv_index", &[StrayLight])]),
            "key values doubtful: uv_index (stray_light); the other 8 of 9 good"
        );
        let all: Vec<(&str, &[Flag])> = IDS.iter().map(|id| (*id, &[Warming][..])).collect();
        assert_eq!(line(&all), "key values doubtful: ppfd (warming), uv_index (warming); 9 of 9 doubtful: 9 (warming)");
    }

    #[test]
    fn a_reading_without_values_says_so() {
        let mut reading = reading(UtcMicros(0), false);
        reading.values = vec![QuantityValue::Null("no dark is available".into()); 10];
        assert_eq!(verdict_line(IDS.into_iter(), &reading, &["ppfd"]), "no values");
    }
}
