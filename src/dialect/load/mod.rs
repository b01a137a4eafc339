//! Loads a dialect file: reads every key, reports all faults with file, line and key, and checks that the parts fit together.

mod consistency;
mod detector;
mod line;
mod protocol;
mod steps;

use super::step::Action;
use super::{Checks, Dialect};
use crate::document::{Diagnostic, Diagnostics, Document, Range, read_text};
use std::path::Path;
use std::sync::Arc;

/// Version of the file format.
const VERSION: f64 = 1.0;

/// Loads the built-in dialect by its name, or a dialect file.
pub fn load(path: &Path) -> Result<Arc<Dialect>, Diagnostics> {
    let text = read_text(path)?;
    parse(path, &text).map(Arc::new)
}

/// Parses the text of the dialect file `path`.
pub fn parse(path: &Path, text: &str) -> Result<Dialect, Diagnostics> {
    let document = Document::parse(path, text)?;
    let root = document.root();
    let head = root.section("dialect");
    if head.number("version", None, Range::finite("")).is_some_and(|v| v != VERSION) {
        head.refuse("version", format!("version {VERSION} of the dialect file"));
    }
    let name = head.text("name", None, "a name");
    head.text("description", Some("none"), "a sentence");
    head.close();
    let (serial, timing) = line::read_line(&root.section("line"));
    let text_section = root.optional_section("text");
    let scpi_words = text_section.as_ref().and_then(line::scpi_keywords).unwrap_or(false);
    let text = text_section.as_ref().map(line::read_text).unwrap_or_default();
    let words = root.optional_section("words").map(|s| line::read_words(&s, scpi_words)).unwrap_or_default();
    let probes = root.optional_section("tag").and_then(|s| protocol::read_probes(&s));
    let packet = root.optional_section("packet").and_then(|s| protocol::read_packet(&s));
    let modbus = root.optional_section("modbus").and_then(|s| protocol::read_modbus(&s));
    let frame = root.optional_section("checksum").and_then(|s| protocol::read_frame_check(&s));
    let errors = root.optional_section("errors").map(|s| protocol::read_errors(&s)).unwrap_or_default();
    let identity = root.optional_section("identity").and_then(|s| protocol::read_identity(&s));
    let detector = detector::read_detector(&root.section("detector"));
    let actions_section = root.section("action");
    let mut actions = Vec::new();
    for action in Action::ALL {
        if !actions_section.has(action.name()) {
            actions_section.ignore(action.name());
            continue;
        }
        let sections = actions_section.sections(action.name());
        let steps: Vec<_> = sections.iter().enumerate().map(|(i, s)| steps::read_step(s, path, action, i)).collect();
        actions.push((action, steps.into_iter().flatten().collect()));
    }
    actions_section.close();
    root.close();
    let (Some(serial), Some(detector)) = (serial, detector) else {
        return Err(document.finish().err().unwrap_or_else(|| unusable(path)));
    };
    let dialect = Dialect {
        name: name.unwrap_or_default(),
        file: path.display().to_string(),
        serial,
        timing,
        text,
        words,
        probes,
        packet,
        modbus,
        detector,
        checks: Checks { identity, frame, errors },
        actions,
    };
    consistency::check(&dialect, &root, &actions_section);
    document.finish().map(|()| dialect)
}

fn unusable(path: &Path) -> Diagnostics {
    Diagnostics::one(Diagnostic::of_file(path, "a complete dialect", "one with a part that cannot be used".into()))
}

#[cfg(test)]
mod tests;
