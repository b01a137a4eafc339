use super::*;

fn diagnostics(text: &str, read: impl Fn(&Section)) -> Vec<String> {
    let document = match Document::parse(Path::new("a.toml"), text) {
        Ok(document) => document,
        Err(diagnostics) => return diagnostics.0.iter().map(ToString::to_string).collect(),
    };
    let root = document.root();
    read(&root);
    root.close();
    document.finish().err().map(|f| f.0.iter().map(ToString::to_string).collect()).unwrap_or_default()
}

#[test]
fn every_fault_is_reported_with_line_key_rule_and_value() {
    let text = "a = nan\nb = 3.5\nc = [1, inf, 2]\nd = ''\nlattitude = 3\n[s]\nx = 1\n";
    let found = diagnostics(text, |s| {
        s.number("a", None, Range::between(0.0, 1.0, "m"));
        s.integer("b", None, Range::between(1.0, 4.0, ""));
        s.numbers("c", true, 1, Range::finite("nm"));
        s.text("d", None, "a name");
        s.number("latitude", None, Range::finite(""));
        s.section("s").close();
    });
    assert_eq!(
        found,
        [
            "a.toml:1: a: expected a number from 0 to 1 [m], but found `nan`",
            "a.toml:2: b: expected a whole number from 1 to 4, but found `3.5`",
            "a.toml:3: c[1]: expected a number that is finite [nm], but found `inf`",
            "a.toml:4: d: expected a name, but found `''`",
            "a.toml: latitude: expected a number that is finite, but found nothing: the key is required",
            "a.toml:7: s.x: expected no keys, but found an unknown key",
            "a.toml:5: lattitude: expected one of the keys `a`, `b`, `c`, `d`, `latitude`, `s`, but found an unknown key \
             (did you mean `latitude`?)",
        ]
    );
}

#[test]
fn broken_syntax_is_refused_with_its_line() {
    let found = diagnostics("a = 1\nb = = 2\n", |_| ());
    assert!(!found.is_empty() && found[0].starts_with("a.toml:2: expected TOML, but found "), "{found:?}");
    let found = diagnostics("a = 1\na = 2\n", |_| ());
    assert!(found.len() == 1 && found[0].starts_with("a.toml:2: expected TOML, but found "), "{found:?}");
}

#[test]
fn no_range_contains_nan_or_infinity() {
    for range in [Range::finite(""), Range::above(0.0, ""), Range::at_least(0.0, ""), Range::between(0.0, 1.0, "")] {
        assert!(range.contains(1.0));
        for bad in [f64::NAN, f64::INFINITY, f64::NEG_INFINITY] {
            assert!(!range.contains(bad), "{range} contains {bad}");
        }
    }
}

#[test]
fn wrong_entries_of_a_long_list_are_counted() {
    let text = format!("c = [{}]", ["nan"; 100].join(", "));
    let found = diagnostics(&text, |s| {
        s.numbers("c", true, 1, Range::finite(""));
    });
    assert_eq!(found.len(), 6);
    assert!(found[5].contains("95 more entries are not, but found a list of 100 entries"), "{}", found[5]);
}
