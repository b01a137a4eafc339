//! Checks that the parts of a dialect fit together, so that it can be interpreted.

use crate::dialect::field::{Coding, Field};
use crate::dialect::step::{Action, Step, Work};
use crate::dialect::template::Part;
use crate::dialect::{Dialect, ShutterRule};
use crate::document::Section;

/// Names with a meaning for the program.
const KNOWN: [&str; 24] = [
    "maker",
    "model",
    "serial",
    "firmware",
    "pixels",
    "full_scale",
    "integration_min",
    "integration_max",
    "shielded",
    "integration",
    "shutter",
    "format",
    "temperature",
    "checksum",
    "counts",
    "error_code",
    "error_text",
    "tag",
    "frame",
    "state",
    "status",
    "length",
    "values",
    "skip",
];
/// Names that the program has a value for.
const SENT: [&str; 5] = ["integration", "shutter", "format", "tag", "skip"];

pub(super) fn check(dialect: &Dialect, root: &Section, actions: &Section) {
    let mut complete = true;
    for (action, steps) in &dialect.actions {
        let sections = actions.sections(action.name());
        // A step with a fault was reported and left out.
        complete &= sections.len() == steps.len();
        if sections.len() == steps.len() {
            let mut known: Vec<String> = SENT.iter().map(|name| (*name).to_owned()).collect();
            for (step, section) in steps.iter().zip(&sections) {
                check_step(dialect, step, section, &mut known);
            }
        }
    }
    if complete {
        check_actions(dialect, root, actions);
    }
}

fn check_actions(d: &Dialect, root: &Section, actions: &Section) {
    if !d.has(Action::Expose) {
        actions.missing("expose", "steps `[[action.expose]]` that expose and read the frame");
    } else {
        if !d.answers(Action::Expose, "counts") {
            actions.refuse_with("expose", "a step whose answer has the field `counts`", "none");
        }
        let exposes = d.steps(Action::Expose).iter().any(|step| step.exposes);
        if !exposes && !d.timing.free_running {
            actions.refuse_with("expose", "a step with `exposes = true`: the exposure begins with its message", "none");
        }
    }
    if !d.has(Action::Identify) && d.checks.identity.is_none() {
        actions.missing("identify", "steps `[[action.identify]]`, or a section `[identity]`");
    }
    if d.has(Action::Identify) && !d.answers(Action::Identify, "serial") && d.checks.identity.is_none() {
        actions.refuse_with("identify", "an answer with the field `serial`, or a section `[identity]`", "neither");
    }
    check_detector(d, root, actions);
    check_frames(d, root, actions);
}

/// What is known of the detector, and whether its settings are sent.
fn check_detector(d: &Dialect, root: &Section, actions: &Section) {
    let described = |name| d.answers(Action::Describe, name);
    let detector = |missing: bool, key: &str, field: &'static str| {
        if missing && !described(field) {
            root.missing(
                &format!("detector.{key}"),
                format!("the key, or the field `{field}` in `[[action.describe]]`"),
            );
        }
    };
    detector(d.detector.values.is_none(), "values", "pixels");
    detector(d.detector.full_scale.is_none(), "full_scale", "full_scale");
    detector(d.detector.integration_s.0.is_none(), "integration_min_ms", "integration_min");
    detector(d.detector.integration_s.1.is_none(), "integration_max_ms", "integration_max");
    let sends = |name: &str| {
        let steps = [Action::Set, Action::Expose].iter().flat_map(|action| d.steps(*action)).collect::<Vec<_>>();
        steps.iter().any(|step| step.send().is_some_and(|template| template.has(name)))
    };
    if !sends("integration") {
        actions.missing("set", "a step of `set` or `expose` that sends the field `integration`");
    }
    match d.detector.shutter {
        ShutterRule::No => {}
        _ if !sends("shutter") => {
            root.missing(
                "detector.shutter",
                "`shutter = \"no\"`, or a step of `set` or `expose` that sends the field `shutter`",
            );
        }
        ShutterRule::Detect if !d.has(Action::DetectShutter) => {
            actions.missing("detect_shutter", "steps, because `detector.shutter` is `detect`");
        }
        _ => {}
    }
}

/// Where frames and their checksums come.
fn check_frames(d: &Dialect, root: &Section, actions: &Section) {
    let takes_checksum = [Action::Expose, Action::Confirm].iter().any(|action| d.answers(*action, "checksum"));
    if takes_checksum != d.checks.frame.is_some() {
        let expected =
            "a section `[checksum]` exactly where an answer of `expose` or `confirm` has the field `checksum`";
        root.refuse_with("checksum", expected, "only one of them");
    }
    for (action, _) in &d.actions {
        if *action != Action::Expose
            && *action != Action::SetAndExpose
            && *action != Action::Fetch
            && d.answers(*action, "counts")
        {
            actions.refuse_with(
                action.name(),
                "`counts` only in `expose`, `set_and_expose` and `fetch`",
                "the field `counts`",
            );
        }
    }
}

fn check_step(d: &Dialect, step: &Step, s: &Section, known: &mut Vec<String>) {
    let key = |keys: [&'static str; 3]| keys.into_iter().find(|key| s.has(key)).unwrap_or(keys[0]);
    let (send_key, expect_key) = (key(["send", "send_bytes", "send"]), key(["expect", "expect_bytes", "expect"]));
    if matches!(step.work, Work::ReadRegisters { .. } | Work::WriteRegisters { .. }) {
        if d.modbus.is_none() {
            s.refuse_with(key(["read_input", "read_holding", "write_holding"]), "a section `[modbus]`", "none");
        }
        for (template, key) in [(step.send(), send_key), (step.expect(), expect_key)] {
            if template.is_some_and(|template| !template.binary) {
                s.refuse(key, format!("`{key}_bytes`, since registers are bytes"));
            }
        }
    }
    if let Some((name, ..)) = &step.for_each {
        known.push(name.clone());
    }
    check_send(d, step, s, send_key, known);
    check_expect(d, step, s, expect_key, known);
    for (tests, key) in [(&step.until, "until"), (&step.require, "require")] {
        for test in tests {
            if !known.contains(&test.name) {
                s.refuse_with(key, "the name of a field of this or an earlier answer", format!("`{}`", test.name));
            }
        }
    }
    if step.exposes && !matches!(&step.work, Work::Message { send: Some(_), .. } | Work::WriteRegisters { .. }) {
        s.refuse_with("exposes", "a step that sends a message", "none");
    }
    if !step.until.is_empty() && step.answers("counts") {
        s.refuse("until", "a step without `counts`, because a frame is read once");
    }
}

/// Every field that is sent has a value.
fn check_send(d: &Dialect, step: &Step, s: &Section, send_key: &str, known: &[String]) {
    if let Some(template) = step.send() {
        for field in template.fields() {
            if !known.contains(&field.name) {
                let expected = format!("a field that has a value here ({})", known.join(", "));
                s.refuse_with(send_key, expected, format!("`{}`", field.name));
            }
            check_field(d, field, s, send_key);
        }
        let refused = template.fields().into_iter().find(|f| matches!(f.coding, Coding::Block | Coding::List));
        if refused.is_some() {
            s.refuse(send_key, "types that can be sent");
        }
    }
}

/// Every field that is expected has an end, and a use.
fn check_expect(d: &Dialect, step: &Step, s: &Section, expect_key: &str, known: &mut Vec<String>) {
    if let Some(template) = step.expect() {
        let tests: Vec<&String> = step.until.iter().chain(&step.require).map(|test| &test.name).collect();
        for field in template.fields() {
            let used = KNOWN.contains(&field.name.as_str())
                || known.contains(&field.name)
                || tests.contains(&&field.name)
                || d.words.of(&field.name).is_some()
                || step.require.iter().any(|test| test.operand == field.name)
                || d.actions.iter().any(|(_, steps)| uses(steps, &field.name));
            if !used {
                let found = format!("`{}`, which nothing uses (a value without use is `skip`)", field.name);
                s.refuse_with(expect_key, format!("one of the fields {}", KNOWN.join(", ")), found);
            }
            check_field(d, field, s, expect_key);
            known.push(field.name.clone());
        }
        let bounded = !template.binary
            || matches!(step.work, Work::ReadRegisters { .. })
            || (d.packet.is_some() && step.framing.packet);
        check_ends(&template.parts, bounded, s, expect_key);
    }
}

/// Whether a later condition or message uses a value.
fn uses(steps: &[Step], name: &str) -> bool {
    let mut occurrences = 0;
    for step in steps {
        occurrences += step.expect().map_or(0, |t| t.fields().iter().filter(|field| field.name == name).count());
        let tested = step.require.iter().chain(&step.until).any(|test| test.operand == name || test.name == name);
        if tested || step.send().is_some_and(|template| template.has(name)) {
            return true;
        }
    }
    occurrences > 1
}

fn check_field(d: &Dialect, field: &Field, s: &Section, key: &str) {
    match field.coding {
        Coding::Word if d.words.of(&field.name).is_none() => {
            s.refuse_with(key, format!("a table `[words.{}]`, or a type", field.name), "neither");
        }
        Coding::Probes { .. } if d.probes.is_none() => {
            s.refuse_with(key, "a section `[tag]` with probes, or a type such as `{tag:u8}`", "neither");
        }
        _ => {}
    }
    let counted = matches!(
        field.coding,
        Coding::Integer { .. } | Coding::Float(_) | Coding::Decimal(_) | Coding::Hex(_) | Coding::Block
    );
    if field.name == "counts" && !counted {
        s.refuse(key, "`counts` with a binary type, `dec`, `hex` or `block`");
    }
}

/// A field without a fixed width ends at the fixed text behind it, at the end of the line or at the end of the packet.
fn check_ends(parts: &[Part], bounded: bool, s: &Section, key: &str) {
    for (i, part) in parts.iter().enumerate() {
        if let Part::If(_, inner) = part {
            check_ends(inner, bounded || matches!(parts.get(i + 1), Some(Part::Literal(_))), s, key);
        }
        let Part::Field(field) = part else { continue };
        let open = matches!(
            field.coding,
            Coding::Text(None)
                | Coding::Skip(None)
                | Coding::Word
                | Coding::List
                | Coding::Decimal(None)
                | Coding::Real
                | Coding::Hex(None)
        );
        let ends = match parts.get(i + 1) {
            Some(Part::Literal(_)) => true,
            Some(Part::If(_, inner)) => matches!(inner.first(), Some(Part::Literal(_))),
            Some(Part::Field(field)) => matches!(field.coding, Coding::Probes { .. }),
            Some(Part::Peek(_)) => false,
            None => bounded,
        };
        if open && !ends && field.name != "counts" {
            let expected = format!("fixed text behind `{}`, or a type of fixed width", field.name);
            s.refuse_with(key, expected, "neither");
        }
    }
}
