//! `vigilux flags`: prints the glossary of flags as text, JSON or Markdown.
//!
//! Holds no texts of its own. `docs/flags.md` is the output of `--markdown`; a test compares them.

use super::{Failure, wrapped};
use crate::record::{Effect, Flag, GlossaryEntry};
use serde_json::{Value, json};

/// Explain the flags: meaning, effect on a value, usual cause, what to do.
#[derive(clap::Args, Clone, Debug)]
pub struct FlagsArgs {
    /// Only these flags, by name
    #[arg(value_name = "NAME")]
    pub names: Vec<String>,
    /// Print JSON
    #[arg(long, conflicts_with = "markdown")]
    pub json: bool,
    /// Print Markdown
    #[arg(long)]
    pub markdown: bool,
}

/// Runs `flags`.
pub fn run(args: &FlagsArgs) -> Result<(), Failure> {
    let known = |name: &String| Flag::ALL.iter().any(|flag| flag.name() == name);
    let unknown: Vec<&str> = args.names.iter().filter(|name| !known(name)).map(String::as_str).collect();
    if !unknown.is_empty() {
        return Err(Failure::Usage(format!(
            "expected names that `vigilux flags` lists, but found `{}`",
            unknown.join("`, `")
        )));
    }
    let is_chosen = |flag: &Flag| args.names.is_empty() || args.names.iter().any(|name| name == flag.name());
    let chosen: Vec<Flag> = Flag::ALL.iter().copied().filter(is_chosen).collect();
    if args.json {
        return super::print_json(&json!({ "flags": chosen.iter().map(|f| as_json(*f)).collect::<Vec<_>>() }));
    }
    super::print(&if args.markdown { markdown(&chosen) } else { text(&chosen) })
}

/// What becomes of a value that a flag touches.
fn becomes(flag: Flag) -> &'static str {
    match flag.effect() {
        Effect::Nothing => "unchanged (information)",
        Effect::Suspect => "suspect",
        Effect::Bad => "bad",
        Effect::Null => "null",
    }
}

fn as_json(flag: Flag) -> Value {
    let GlossaryEntry { meaning, cause, action } = flag.glossary();
    json!({
        "name": flag.name(), "bit": flag as u8, "value_becomes": becomes(flag),
        "meaning": meaning, "cause": cause, "action": action,
    })
}

const INTRODUCTION: &str = "A flag touches a quantity by the wavelengths that the quantity uses and the size of the effect; each value \
                            carries its own flags. The flags of a whole reading are those of the station's key quantities, those that hold for \
                            every quantity, and those for information.";

fn text(chosen: &[Flag]) -> String {
    let mut out = wrapped(INTRODUCTION, 0);
    for flag in chosen {
        let GlossaryEntry { meaning, cause, action } = flag.glossary();
        out += &format!("\n{}  (value: {})\n", flag.name(), becomes(*flag));
        out += &wrapped(meaning, 2);
        out += &wrapped(&format!("cause: {cause}"), 2);
        out += &wrapped(&format!("what to do: {action}"), 2);
    }
    out
}

fn markdown(chosen: &[Flag]) -> String {
    let mut out = format!("# Flags\n\nThis page is what `vigilux flags --markdown` prints. {INTRODUCTION}\n\n");
    out += "| flag | a value becomes | meaning | usual cause | what to do |\n|---|---|---|---|---|\n";
    for flag in chosen {
        let GlossaryEntry { meaning, cause, action } = flag.glossary();
        out += &format!("| `{}` | {} | {meaning} | {cause} | {action} |\n", flag.name(), becomes(*flag));
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    /// `VIGILUX_WRITE_DOCS=1 cargo test --lib` writes the page.
    #[test]
    fn the_page_of_flags_is_up_to_date() {
        let path = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("docs/flags.md");
        let want = markdown(Flag::ALL);
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
    fn every_flag_is_explained_in_every_form() {
        let (text, markdown) = (text(Flag::ALL), markdown(Flag::ALL));
        for flag in Flag::ALL {
            assert!(text.contains(&format!("\n{}  (value: ", flag.name())), "{}", flag.name());
            assert!(markdown.contains(&format!("| `{}` | ", flag.name())), "{}", flag.name());
            let json = as_json(*flag);
            for key in ["meaning", "cause", "action", "value_becomes"] {
                assert!(json[key].as_str().is_some_and(|t| !t.is_empty()), "{} {key}", flag.name());
            }
        }
        assert!(text.lines().all(|l| l.chars().count() <= 100), "a line is too long");
        assert!(markdown.lines().all(|l| !l.starts_with('|') || l.matches('|').count() == 6), "{markdown}");
    }

    #[test]
    fn an_unknown_name_is_refused() {
        let args = FlagsArgs { names: vec!["uncertain".into(), "dusty".into()], json: false, markdown: false };
        let want = "expected names that `vigilux flags` lists, but found `dusty`";
        assert_eq!(run(&args), Err(Failure::Usage(want.into())));
    }
}
