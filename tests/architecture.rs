//! The imports in `src` against the table of modules in `docs/architecture.md`, and against circles between sibling files.
//!
//! Reads the sources as text: every path that begins with `crate`, `super` or `self`, groups expanded, test code left out. A path
//! through a re-export counts as a path to the module that re-exports.

use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};

type Module = Vec<String>;

/// The table's rows in order: a module, and the modules it may use.
struct Table(Vec<(String, BTreeSet<String>)>);

impl Table {
    fn read(document: &str) -> Self {
        let mut rows: Vec<(String, BTreeSet<String>)> = Vec::new();
        for line in document.lines().filter(|l| l.starts_with("| `")) {
            let cells: Vec<&str> = line.trim_matches('|').split('|').map(str::trim).collect();
            let [module, purpose, uses] = cells[..] else { panic!("expected three cells, but found {line}") };
            assert!(!purpose.is_empty(), "{module}: expected what it is for");
            let above = || rows.iter().map(|r| r.0.clone()).collect();
            let uses = if uses == "all above" { above() } else { names(uses) };
            rows.push((names(module).into_iter().next().expect("a module is named"), uses));
        }
        Self(rows)
    }

    fn may_use(&self, module: &str) -> Option<&BTreeSet<String>> {
        self.0.iter().find(|r| r.0 == module).map(|r| &r.1)
    }
}

/// The names between backticks.
fn names(cell: &str) -> BTreeSet<String> {
    cell.split('`').skip(1).step_by(2).map(str::to_owned).collect()
}

/// The source files by module, test code left out.
struct Sources(BTreeMap<Module, String>);

impl Sources {
    fn read(src: &Path) -> Self {
        let mut files = BTreeMap::new();
        let mut folders = vec![src.to_owned()];
        while let Some(folder) = folders.pop() {
            for entry in std::fs::read_dir(&folder).expect("the sources can be read") {
                let path = entry.expect("the sources can be read").path();
                if path.is_dir() {
                    folders.push(path);
                } else if path.extension().is_some_and(|e| e == "rs") {
                    files.insert(module_of(src, &path), std::fs::read_to_string(&path).expect("a source is text"));
                }
            }
        }
        files.remove(&vec!["main".to_owned()]);
        let mut tests: Vec<Module> = Vec::new();
        let mut code = BTreeMap::new();
        for (module, text) in files {
            let (text, test_modules) = without_tests(&text);
            tests.extend(test_modules.into_iter().map(|name| [&module[..], &[name]].concat()));
            code.insert(module, text);
        }
        code.retain(|module, _| !tests.iter().any(|test| module.starts_with(test)));
        Self(code)
    }

    /// The innermost module that a path leads into.
    fn module_at(&self, path: &[String]) -> Module {
        (0..=path.len()).rev().map(|n| path[..n].to_vec()).find(|m| self.0.contains_key(m)).unwrap_or_default()
    }

    /// Every module with the modules that its paths lead into.
    fn uses(&self) -> impl Iterator<Item = (&Module, Module)> {
        self.0.iter().flat_map(move |(module, text)| {
            paths(&tokens(text)).into_iter().filter_map(move |path| {
                let used = self.module_at(&absolute(module, &path)?);
                (used != *module).then_some((module, used))
            })
        })
    }
}

fn module_of(src: &Path, file: &Path) -> Module {
    let path: PathBuf = file.strip_prefix(src).expect("a source is below src").with_extension("");
    let mut module: Module = path.iter().map(|c| c.to_string_lossy().into_owned()).collect();
    if ["mod", "lib"].contains(&module.last().map_or("", String::as_str)) {
        module.pop();
    }
    module
}

/// A source without its comments and test items, and the names of its test modules in files of their own.
fn without_tests(text: &str) -> (String, Vec<String>) {
    let (mut code, mut modules) = (String::new(), Vec::new());
    let mut lines = text.lines();
    while let Some(line) = lines.next() {
        let indent = &line[..line.len() - line.trim_start().len()];
        match line.trim_start() {
            comment if comment.starts_with("//") => {}
            "#[cfg(test)]" => {
                let item = lines.find(|l| !l.trim_start().starts_with("#[")).unwrap_or_default();
                let name = item.split_once("mod ").map(|(_, name)| name);
                if let Some(name) = name.and_then(|n| n.strip_suffix(';')) {
                    modules.push(name.to_owned());
                } else if !item.ends_with(';') {
                    // As the formatter leaves it, an item ends in a line of its own indent.
                    let end = format!("{indent}}}");
                    lines.find(|l| *l == end);
                }
            }
            _ => {
                code.push_str(line);
                code.push('\n');
            }
        }
    }
    (code, modules)
}

/// Words and the marks that paths are made of; all else is a gap.
fn tokens(text: &str) -> Vec<&str> {
    let mut tokens = Vec::new();
    let mut rest = text;
    while let Some(first) = rest.chars().next() {
        let word = |c: char| c.is_alphanumeric() || c == '_';
        let length = match first {
            c if word(c) => rest.find(|c| !word(c)).unwrap_or(rest.len()),
            ':' if rest.starts_with("::") => 2,
            c => c.len_utf8(),
        };
        if !first.is_whitespace() {
            tokens.push(&rest[..length]);
        }
        rest = &rest[length..];
    }
    tokens
}

/// All paths that begin with `crate`, `super` or `self`, groups expanded.
fn paths(tokens: &[&str]) -> Vec<Vec<String>> {
    let mut found = Vec::new();
    let mut at = 0;
    while at < tokens.len() {
        let begins = ["crate", "super", "self"].contains(&tokens[at]) && tokens.get(at + 1) == Some(&"::");
        let ends_another = at > 0 && tokens[at - 1] == "::";
        if begins && !ends_another {
            at = path(tokens, at, &[], &mut found);
        } else {
            at += 1;
        }
    }
    found
}

/// One path, or one group of them, from a token on; answers where it ends.
fn path(tokens: &[&str], mut at: usize, before: &[String], found: &mut Vec<Vec<String>>) -> usize {
    let mut path = before.to_vec();
    loop {
        match tokens.get(at) {
            Some(&"{") => {
                at += 1;
                while tokens.get(at).is_some_and(|t| *t != "}") {
                    at = if tokens[at] == "," { at + 1 } else { self::path(tokens, at, &path, found) };
                }
                return at + 1;
            }
            Some(word) if word.starts_with(|c: char| c.is_alphanumeric() || c == '_') => path.push((*word).to_owned()),
            _ => {
                found.push(path);
                return at + 1;
            }
        }
        at += 1;
        if tokens.get(at) != Some(&"::") {
            found.push(path);
            // A new name of an import.
            return if tokens.get(at) == Some(&"as") { at + 2 } else { at };
        }
        at += 1;
    }
}

/// A path from the root of the crate; `None` where it leads above it.
fn absolute(module: &Module, path: &[String]) -> Option<Vec<String>> {
    let mut base = if path[0] == "crate" { Vec::new() } else { module.clone() };
    let mut names = path.iter().skip(usize::from(path[0] != "super")).peekable();
    while names.next_if(|name| *name == "super").is_some() {
        base.pop()?;
    }
    base.extend(names.cloned());
    Some(base)
}

fn root() -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR"))
}

fn table() -> Table {
    let document = root().join("docs/architecture.md");
    Table::read(&std::fs::read_to_string(document).expect("the document can be read"))
}

/// Every module is in the table, once, and the table names no other.
#[test]
fn the_table_names_every_module() {
    let sources = Sources::read(&root().join("src"));
    let modules: BTreeSet<&str> = sources.0.keys().filter(|m| m.len() == 1).map(|m| m[0].as_str()).collect();
    let table = table();
    let listed: Vec<&str> = table.0.iter().map(|r| r.0.as_str()).collect();
    assert_eq!(listed.iter().copied().collect::<BTreeSet<_>>(), modules);
    assert_eq!(listed.len(), modules.len(), "each once");
}

/// A row names modules of earlier rows only: no module depends on one below it.
#[test]
fn the_table_is_in_the_order_of_use() {
    let table = table();
    for (n, (module, uses)) in table.0.iter().enumerate() {
        let above: BTreeSet<String> = table.0[..n].iter().map(|r| r.0.clone()).collect();
        let below: Vec<&String> = uses.difference(&above).collect();
        assert!(below.is_empty(), "`{module}` may not use {below:?}, which stand below it");
    }
}

/// A module uses what its row allows, and nothing else.
#[test]
fn modules_use_what_the_table_allows() {
    let (table, sources) = (table(), Sources::read(&root().join("src")));
    let mut wrong = BTreeSet::new();
    for (module, used) in sources.uses() {
        let (Some(of), Some(what)) = (module.first(), used.first()) else { continue };
        if of != what && !table.may_use(of).is_some_and(|may| may.contains(what)) {
            wrong.insert(format!("src/{}.rs uses `{}`", module.join("/"), used.join("::")));
        }
    }
    assert!(wrong.is_empty(), "not in the table of docs/architecture.md:\n{}", Vec::from_iter(wrong).join("\n"));
}

/// A row allows what its module uses, and no more: a use that has gone leaves the table, too.
#[test]
fn the_table_allows_no_more_than_is_used() {
    let (table, sources) = (table(), Sources::read(&root().join("src")));
    let used: BTreeSet<(String, String)> =
        sources.uses().filter_map(|(of, what)| Some((of.first()?.clone(), what.first()?.clone()))).collect();
    let document = std::fs::read_to_string(root().join("docs/architecture.md")).expect("the document can be read");
    let idle: Vec<String> = table
        .0
        .iter()
        .filter(|(module, _)| {
            !document.lines().any(|l| l.starts_with(&format!("| `{module}`")) && l.contains("all above"))
        })
        .flat_map(|(module, uses)| uses.iter().map(move |what| (module.clone(), what.clone())))
        .filter(|pair| !used.contains(pair))
        .map(|(module, what)| format!("`{module}` no longer uses `{what}`"))
        .collect();
    assert!(idle.is_empty(), "{}", idle.join("\n"));
}

/// Files and folders beside each other use each other in one direction only.
#[test]
fn siblings_do_not_use_each_other_in_a_circle() {
    let sources = Sources::read(&root().join("src"));
    // By parent: which child uses which.
    let mut edges: BTreeMap<Module, BTreeMap<String, BTreeSet<String>>> = BTreeMap::new();
    for (module, used) in sources.uses() {
        let common = module.iter().zip(&used).take_while(|(a, b)| a == b).count();
        if let (Some(of), Some(what)) = (module.get(common), used.get(common)) {
            let parent = edges.entry(module[..common].to_vec()).or_default();
            parent.entry(of.clone()).or_default().insert(what.clone());
        }
    }
    let mut circles = Vec::new();
    for (parent, uses) in &edges {
        for child in uses.keys() {
            if let Some(circle) = circle_from(child, uses) {
                circles.push(format!("{}: {}", parent.join("::"), circle.join(" → ")));
            }
        }
    }
    assert!(circles.is_empty(), "circles:\n{}", circles.join("\n"));
}

/// A shortest way from a child back to itself that passes no child before it in order, so that each circle is found once.
fn circle_from(child: &String, uses: &BTreeMap<String, BTreeSet<String>>) -> Option<Vec<String>> {
    let mut ways = vec![vec![child.clone()]];
    let mut seen = BTreeSet::new();
    while !ways.is_empty() {
        let mut longer = Vec::new();
        for way in ways {
            for next in way.last().and_then(|last| uses.get(last)).into_iter().flatten() {
                if next == child {
                    return Some([&way[..], std::slice::from_ref(next)].concat());
                }
                if next > child && seen.insert(next.clone()) {
                    longer.push([&way[..], std::slice::from_ref(next)].concat());
                }
            }
        }
        ways = longer;
    }
    None
}

/// The reader of sources finds paths, groups, and what `super` means, and leaves tests and comments out.
#[test]
fn paths_are_read_as_the_compiler_reads_them() {
    let text = "use crate::a::{self, b::{C, d}, E as F};\n//! crate::comment\nfn f() { super::g::h(crate::i::J) }\n\
                #[cfg(test)]\nmod tests {\n    use crate::tests_only;\n}\n#[cfg(test)]\nmod away;\nuse super::super::k;\n";
    let (code, modules) = without_tests(text);
    assert_eq!(modules, ["away"]);
    let module: Module = ["m", "n", "o"].map(str::to_owned).to_vec();
    let found: Vec<String> = paths(&tokens(&code))
        .iter()
        .map(|p| absolute(&module, p).map_or_else(|| "above".to_owned(), |p| p.join("::")))
        .collect();
    assert_eq!(found, ["a::self", "a::b::C", "a::b::d", "a::E", "m::n::g::h", "i::J", "m::k"]);
}

/// A path into the project that a document names between backticks.
fn named_paths(text: &str) -> impl Iterator<Item = &str> {
    const FOLDERS: [&str; 6] = ["src/", "tests/", "docs/", "config/", "benches/", "fuzz/"];
    let plain = |word: &&str| !word.contains([' ', '*', '<', '{']) && FOLDERS.iter().any(|f| word.starts_with(f));
    text.split('`').skip(1).step_by(2).filter(plain)
}

#[test]
fn every_path_that_a_document_for_contributors_names_exists() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let mut seen = 0;
    for document in ["DEVELOPERS.md", "README.md", "docs/architecture.md", "docs/measurements.md"] {
        let text = std::fs::read_to_string(root.join(document)).expect("the document can be read");
        for path in named_paths(&text) {
            seen += 1;
            assert!(root.join(path).exists(), "{document}: expected {path} to exist");
        }
    }
    assert!(seen > 20, "{seen} paths");
}
