//! `vigilux quantities`: prints the registry as text, JSON or Markdown.
//!
//! Holds no list of its own. `docs/quantities.md` is the output of `--markdown`; a test compares them.

use super::{Failure, wrapped};
use crate::quantities::{FlagScope, Group, Limit, Quantity, SourceRule, registry};
use crate::record::Flag;
use serde_json::{Value, json};

/// List all quantities with unit, definition, source, range, limit of `good`, and flags.
#[derive(clap::Args, Clone, Debug)]
pub struct QuantitiesArgs {
    /// Only these quantities, by identifier
    #[arg(value_name = "ID")]
    pub ids: Vec<String>,
    /// Print JSON
    #[arg(long, conflicts_with = "markdown")]
    pub json: bool,
    /// Print Markdown tables
    #[arg(long)]
    pub markdown: bool,
}

/// Runs `quantities`.
pub fn run(args: QuantitiesArgs) -> Result<(), Failure> {
    let unknown: Vec<&str> =
        args.ids.iter().map(String::as_str).filter(|id| !registry().iter().any(|q| q.id == *id)).collect();
    if !unknown.is_empty() {
        return Err(Failure::Usage(format!(
            "expected identifiers that `vigilux quantities` lists, but found `{}`",
            unknown.join("`, `")
        )));
    }
    let chosen: Vec<&Quantity> =
        registry().iter().filter(|q| args.ids.is_empty() || args.ids.iter().any(|id| id == q.id)).collect();
    if args.json {
        return super::print_json(&json!({ "quantities": chosen.iter().map(|q| as_json(q)).collect::<Vec<_>>() }));
    }
    super::print(&if args.markdown { markdown(&chosen) } else { text(&chosen) })
}

/// The range that a quantity needs under each source rule.
fn ranges(q: &Quantity) -> String {
    let one = |source| match (q.serves(source), q.needs(source)) {
        (false, _) => "not defined".to_string(),
        (true, None) => "the calibrated range".to_string(),
        (true, Some((from, to))) => format!("{from}-{to} nm"),
    };
    let (sun, lamp) = (one(SourceRule::Sun), one(SourceRule::Lamp));
    if sun == lamp { sun } else { format!("{sun} under the sun, {lamp} at lamps") }
}

/// The default limit as text.
fn limit(q: &Quantity) -> String {
    let Limit { relative, absolute, .. } = q.limit;
    // The unit `1` is not written.
    let unit = if q.unit == "1" { String::new() } else { format!(" {}", q.unit) };
    match (relative > 0.0, absolute > 0.0) {
        (true, true) => format!("{} % or {absolute}{unit}", percent(relative)),
        (true, false) => format!("{} %", percent(relative)),
        (false, _) => format!("{absolute}{unit}"),
    }
}

/// A share in per cent, rounded to hide binary fractions.
fn percent(share: f64) -> f64 {
    (share * 1e6).round() / 1e4
}

fn names(flags: impl Iterator<Item = Flag>) -> Vec<&'static str> {
    flags.map(Flag::name).collect()
}

fn as_json(q: &Quantity) -> Value {
    let needs = |source| match q.serves(source) {
        false => Value::Null,
        true => json!({ "nm": q.needs(source).map(|(from, to)| [from, to]) }),
    };
    json!({
        "id": q.id,
        "title": q.title,
        "group": q.group.name(),
        "unit": q.unit,
        "definition": q.definition,
        "source": q.source,
        "remark": q.remark,
        "needs": { "sun": needs(SourceRule::Sun), "lamp": needs(SourceRule::Lamp) },
        "limit": { "relative": q.limit.relative, "absolute": q.limit.absolute, "reason": q.limit.reason },
        "flags": { "always": names(q.flags_with(FlagScope::Always)), "by_size": names(q.flags_with(FlagScope::BySize)) },
        "caution": q.group.caution(None),
    })
}

const LIMITS: &str = "A value can be good if its expanded uncertainty (k = 2) is within the limit: the larger of the share of the \
                      value and the absolute limit.";
const FLAGS: &str = "A flag affects a quantity by the wavelengths that the quantity uses and the size of the effect, or, where marked so, \
                     always.";

fn text(chosen: &[&Quantity]) -> String {
    let mut out = wrapped(LIMITS, 0) + &wrapped(FLAGS, 0);
    for group in Group::ALL {
        let members: Vec<&&Quantity> = chosen.iter().filter(|q| q.group == group).collect();
        if members.is_empty() {
            continue;
        }
        out += &format!("\n{}\n", group.name());
        if let Some(caution) = group.caution(None) {
            out += &wrapped(&format!("caution: {caution}"), 2);
        }
        for q in members {
            let unit = if q.unit == "1" { "" } else { q.unit };
            out += format!("\n  {}  {}  {unit}", q.id, q.title).trim_end();
            out += "\n";
            out += &wrapped(&format!("{} ({})", q.definition, q.source), 6);
            if !q.remark.is_empty() {
                out += &wrapped(&format!("note: {}", q.remark), 6);
            }
            out += &format!("      needs {}; good within {}\n", ranges(q), limit(q));
            out += &wrapped(&format!("limit: {}", q.limit.reason), 6);
            out += &wrapped(&format!("flags: {}", names(q.flags_with(FlagScope::BySize)).join(" ")), 6);
            out += &wrapped(&format!("always: {}", names(q.flags_with(FlagScope::Always)).join(" ")), 6);
        }
    }
    out
}

fn markdown(chosen: &[&Quantity]) -> String {
    let cell = |words: &str| words.replace('|', "\\|");
    let mut out = format!(
        "# Quantities\n\nThis page is what `vigilux quantities --markdown` prints. {LIMITS} {FLAGS} Flags that always affect \
         every quantity: {}.\n",
        code(names(Flag::ALL.iter().copied().filter(|f| everywhere(*f))))
    );
    for group in Group::ALL {
        let members: Vec<&&Quantity> = chosen.iter().filter(|q| q.group == group).collect();
        if members.is_empty() {
            continue;
        }
        out += &format!("\n## {}\n\n", group.name());
        if let Some(caution) = group.caution(None) {
            out += &format!("**Caution:** {caution}.\n\n");
        }
        out += "| identifier | unit | definition | source | needs | good within | other flags |\n";
        out += "|---|---|---|---|---|---|---|\n";
        for q in members {
            let remark = if q.remark.is_empty() { String::new() } else { format!(". Note: {}", q.remark) };
            out += &format!(
                "| `{}` | {} | {}: {}{} | {} | {} | {} | {} |\n",
                q.id,
                q.unit,
                cell(q.title),
                cell(q.definition),
                cell(&remark),
                cell(q.source),
                ranges(q),
                cell(&format!("{}: {}", limit(q), q.limit.reason)),
                code(names(q.flags_with(FlagScope::BySize)))
            );
        }
    }
    out
}

fn code(names: Vec<&str>) -> String {
    names.iter().map(|n| format!("`{n}`")).collect::<Vec<_>>().join(" ")
}

/// Whether a flag always affects every quantity.
fn everywhere(flag: Flag) -> bool {
    registry().iter().all(|q| q.flags_with(FlagScope::Always).any(|f| f == flag))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn all() -> Vec<&'static Quantity> {
        registry().iter().collect()
    }

    /// `VIGILUX_WRITE_DOCS=1 cargo test --lib` writes the page.
    #[test]
    fn the_page_of_quantities_is_up_to_date() {
        let path = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("docs/quantities.md");
        let want = markdown(&all());
        if std::env::var_os("VIGILUX_WRITE_DOCS").is_some() {
            std::fs::write(&path, &want).unwrap();
        }
        let found = std::fs::read_to_string(&path).unwrap_or_default();
        assert!(
            found == want,
            "{} is out of date: write it with VIGILUX_WRITE_DOCS=1 cargo test --lib",
            path.display()
        );
    }

    #[test]
    fn every_quantity_has_definition_source_range_limit_and_flags() {
        let (text, markdown) = (text(&all()), markdown(&all()));
        for q in registry() {
            let json = as_json(q);
            assert!(text.contains(&format!("\n  {}  {}", q.id, q.title)), "{}", q.id);
            assert!(markdown.contains(&format!("| `{}` | {} |", q.id, q.unit)), "{}", q.id);
            for key in ["definition", "source", "unit", "group"] {
                assert!(json[key].as_str().is_some_and(|t| !t.is_empty()), "{} {key}", q.id);
            }
            assert!(json["flags"]["by_size"].as_array().is_some_and(|f| f.len() > 5), "{}", q.id);
            assert!(q.limit.relative > 0.0 || q.limit.absolute > 0.0, "{}", q.id);
        }
        let find = |id: &str| registry().iter().find(|q| q.id == id).unwrap();
        assert_eq!(ranges(find("uv_index")), "290-400 nm under the sun, 250-400 nm at lamps");
        assert_eq!(ranges(find("uvc")), "not defined under the sun, 250-280 nm at lamps");
        assert_eq!(ranges(find("irradiance")), "the calibrated range");
        assert_eq!(limit(find("ppfd")), "10 % or 1 umol m-2 s-1");
        assert_eq!(limit(find("uv_index")), "15 % or 0.1");
        assert!(text.lines().all(|l| l.chars().count() <= 100), "a line is too long");
    }

    #[test]
    fn an_unknown_identifier_is_refused() {
        let args = QuantitiesArgs { ids: vec!["ppfd".into(), "lumens".into()], json: false, markdown: false };
        let want = "expected identifiers that `vigilux quantities` lists, but found `lumens`";
        assert_eq!(run(args), Err(Failure::Usage(want.into())));
    }
}
