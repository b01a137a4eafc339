//! What a running daemon can adopt of a changed configuration, and what needs a restart. Pure.
//!
//! Compares the files as TOML, key by key, before any default is filled in. Depends on no other module. Invariant: the text of a
//! [`ReloadPlan`] is exactly what is active after it: with the new values of the keys that were adopted, and the old values of all
//! others.

use toml::{Table, Value};

/// Sections of an instrument that a running daemon adopts.
const ADOPTED: [&str; 2] = ["schedule", "limits"];

/// The result of comparing two configurations.
#[derive(Clone, Debug, PartialEq)]
pub struct ReloadPlan {
    /// The configuration that is active afterwards.
    pub text: String,
    /// Keys that are adopted.
    pub adopted: Vec<String>,
    /// Keys that have changed and need a restart.
    pub needs_restart: Vec<String>,
}

/// Compares the active configuration with a new one. Both have to be valid configurations.
pub fn plan(active: &str, new: &str) -> Result<ReloadPlan, String> {
    let parse = |text: &str| text.parse::<Table>().map_err(|e| e.to_string());
    let (old, new_table) = (parse(active)?, parse(new)?);
    let mut merged = old.clone();
    for instrument in instruments_mut(&mut merged) {
        let Some(changed) = instruments(&new_table).find(|i| i.get("name") == instrument.get("name")) else { continue };
        for key in ADOPTED {
            match changed.get(key) {
                Some(section) => drop(instrument.insert(key.to_owned(), section.clone())),
                None => drop(instrument.remove(key)),
            }
        }
    }
    let (mut adopted, mut needs_restart) = (Vec::new(), Vec::new());
    compare_tables("", &old, &merged, &mut adopted);
    compare_tables("", &merged, &new_table, &mut needs_restart);
    let text = match (adopted.is_empty(), needs_restart.is_empty()) {
        (_, true) => new.to_owned(),
        (true, false) => active.to_owned(),
        (false, false) => toml::to_string(&merged).map_err(|e| e.to_string())?,
    };
    Ok(ReloadPlan { text, adopted, needs_restart })
}

fn instruments(config: &Table) -> impl Iterator<Item = &Table> {
    config.get("instrument").and_then(Value::as_array).into_iter().flatten().filter_map(Value::as_table)
}

fn instruments_mut(config: &mut Table) -> impl Iterator<Item = &mut Table> {
    config.get_mut("instrument").and_then(Value::as_array_mut).into_iter().flatten().filter_map(Value::as_table_mut)
}

/// Collects the keys at which two tables differ.
fn compare_tables(path: &str, a: &Table, b: &Table, differing: &mut Vec<String>) {
    let mut keys: Vec<&String> = a.keys().chain(b.keys().filter(|k| !a.contains_key(*k))).collect();
    keys.sort_unstable();
    for key in keys {
        let name = if path.is_empty() { key.clone() } else { format!("{path}.{key}") };
        match (a.get(key), b.get(key)) {
            (Some(Value::Table(a)), Some(Value::Table(b))) => compare_tables(&name, a, b, differing),
            (Some(Value::Table(one)), None) | (None, Some(Value::Table(one))) => {
                differing.extend(one.keys().map(|k| format!("{name}.{k}")));
            }
            (Some(Value::Array(a)), Some(Value::Array(b))) if key == "instrument" => {
                compare_instruments(a, b, differing)
            }
            (a, b) if a != b => differing.push(name),
            _ => {}
        }
    }
}

/// Compares instruments by their names.
fn compare_instruments(a: &[Value], b: &[Value], differing: &mut Vec<String>) {
    let name = |v: &Value| v.get("name").and_then(Value::as_str).unwrap_or_default().to_owned();
    for (i, one) in a.iter().enumerate() {
        let path = format!("instrument.{}", name(one));
        match b.iter().position(|other| name(other) == name(one)) {
            Some(j) => {
                if let (Some(one), Some(other)) = (one.as_table(), b[j].as_table()) {
                    compare_tables(&path, one, other, differing);
                }
                if i != j && a.len() == b.len() {
                    differing.push(format!("{path} (its place in the file)"));
                }
            }
            None => differing.push(format!("{path} (removed)")),
        }
    }
    let added = b.iter().filter(|other| !a.iter().any(|one| name(one) == name(other)));
    differing.extend(added.map(|other| format!("instrument.{} (new)", name(other))));
}

#[cfg(test)]
mod tests {
    use super::*;

    const ACTIVE: &str = "version = 1\n[station]\nname = \"roof\"\nmains_hz = 0\n[[instrument]]\nname = \"south\"\nbaud = 9600\n\
                          [instrument.schedule]\ncron = \"0 * * * * *\"\n[[instrument]]\nname = \"north\"\n";

    fn plan_of(changes: &[(&str, &str)]) -> ReloadPlan {
        let new = changes.iter().fold(ACTIVE.to_owned(), |text, (from, to)| {
            assert!(text.contains(from), "{from}");
            text.replacen(from, to, 1)
        });
        plan(ACTIVE, &new).unwrap()
    }

    /// A changed schedule is adopted with the whole new text; a comment changes nothing.
    #[test]
    fn a_changed_schedule_is_adopted() {
        let plan = plan_of(&[("0 * * * * *", "0 */5 * * * *")]);
        assert_eq!(plan.adopted, ["instrument.south.schedule.cron"]);
        assert!(plan.needs_restart.is_empty() && plan.text.contains("*/5"));
        let comment = plan_of(&[("version = 1", "version = 1 # the roof")]);
        assert!(comment.adopted.is_empty() && comment.needs_restart.is_empty());
    }

    /// New and removed sections of limits are named key by key.
    #[test]
    fn sections_that_come_and_go_are_named_by_their_keys() {
        let added = plan_of(&[("name = \"north\"\n", "name = \"north\"\n[instrument.limits]\nlow_sun_deg = 10\n")]);
        assert_eq!(added.adopted, ["instrument.north.limits.low_sun_deg"]);
        let removed = plan_of(&[("[instrument.schedule]\ncron = \"0 * * * * *\"\n", "")]);
        assert_eq!(removed.adopted, ["instrument.south.schedule.cron"]);
    }

    /// What needs a restart is named; the text stays the active one.
    #[test]
    fn other_keys_need_a_restart() {
        let plan = plan_of(&[("mains_hz = 0", "mains_hz = 50"), ("9600", "115200")]);
        assert_eq!((plan.adopted.len(), &plan.text[..]), (0, ACTIVE));
        assert_eq!(plan.needs_restart, ["instrument.south.baud", "station.mains_hz"]);
        let other = plan_of(&[("\"north\"", "\"east\"")]);
        assert_eq!(other.needs_restart, ["instrument.north (removed)", "instrument.east (new)"]);
        let swapped = plan_of(&[("\"south\"", "\"x\""), ("\"north\"", "\"south\""), ("\"x\"", "\"north\"")]);
        assert!(swapped.needs_restart.contains(&"instrument.south (its place in the file)".to_owned()), "{swapped:?}");
    }

    /// Where both occur, the active text has the new schedule and the old rest.
    #[test]
    fn the_active_text_has_what_was_adopted_and_nothing_else() {
        let plan = plan_of(&[("0 * * * * *", "0 */5 * * * *"), ("mains_hz = 0", "mains_hz = 50")]);
        let active: Table = plan.text.parse().unwrap();
        assert_eq!(active["station"]["mains_hz"].as_integer(), Some(0));
        assert_eq!(active["instrument"][0]["schedule"]["cron"].as_str(), Some("0 */5 * * * *"));
        assert_eq!(plan.needs_restart, ["station.mains_hz"]);
        // Reading the same file again adopts nothing more.
        let again =
            super::plan(&plan.text, &ACTIVE.replace("0 * *", "0 */5 *").replace("mains_hz = 0", "mains_hz = 50"));
        assert!(again.unwrap().adopted.is_empty());
    }
}
