//! `cargo xtask tidy`: the rules of the house that neither rustc nor clippy know.

mod numbers;

use std::path::{Path, PathBuf};
use xtask::shell::root;

/// Longest file and longest function, in lines. A file of tests may be longer: it is read test by test.
const MAX_FILE_LINES: usize = 450;
const MAX_TEST_FILE_LINES: usize = 700;
const MAX_FUNCTION_LINES: usize = 60;

/// Looks at every source file and every document; fails with all that is untidy.
pub fn run() -> Result<(), String> {
    let mut untidy = Vec::new();
    let sources = files_with_ending(&root(), "rs");
    for path in &sources {
        let text = read(path)?;
        let mut of_file = begins_with_a_purpose(&text);
        of_file.extend(lengths(path, &text));
        of_file.extend(foreign_places(&text));
        of_file.extend(silent_skip(path, &text));
        of_file.extend(beside_the_wall(path, &text));
        untidy.extend(of_file.into_iter().map(|what| format!("{}: {what}", shown(path))));
    }
    untidy.extend(numbers_of_the_analysis(&sources)?);
    untidy.extend(flow_of("dsp")?);
    untidy.extend(flow_of("plugin")?);
    untidy.extend(documents()?);
    println!("tidy: {} source files looked at", sources.len());
    if untidy.is_empty() { Ok(()) } else { Err(untidy.join("\n")) }
}

/// Where the numbers of `dsp` come from.
fn numbers_of_the_analysis(sources: &[PathBuf]) -> Result<Vec<String>, String> {
    let of_dsp = sources.iter().filter(|path| path.starts_with(root().join("dsp")));
    let texts: Vec<(String, String)> =
        of_dsp.map(|path| Ok((shown(path), read(path)?))).collect::<Result<_, String>>()?;
    let is_by_hand = |name: &str| name == numbers::BY_HAND;
    println!("{}", numbers::counted(texts.iter().map(|(name, text)| (is_by_hand(name), text.as_str()))));
    let untidy = texts.iter().flat_map(|(name, text)| {
        numbers::untidy(is_by_hand(name), text).into_iter().map(move |what| format!("{name}: {what}"))
    });
    Ok(untidy.collect())
}

fn shown(path: &Path) -> String {
    path.strip_prefix(root()).unwrap_or(path).display().to_string()
}

fn read(path: &Path) -> Result<String, String> {
    std::fs::read_to_string(path).map_err(|e| format!("{}: {e}", shown(path)))
}

/// Files of the project, without what is built or hidden.
fn files_with_ending(folder: &Path, ending: &str) -> Vec<PathBuf> {
    let mut found = Vec::new();
    for path in std::fs::read_dir(folder).into_iter().flatten().flatten().map(|entry| entry.path()) {
        let name = path.file_name().unwrap_or_default().to_string_lossy().into_owned();
        if path.is_dir() && !name.starts_with('.') && name != "target" && name != "node_modules" {
            found.extend(files_with_ending(&path, ending));
        } else if path.extension().is_some_and(|e| e == ending) {
            found.push(path);
        }
    }
    found.sort();
    found
}

fn begins_with_a_purpose(text: &str) -> Vec<String> {
    if text.starts_with("//! ") { Vec::new() } else { vec!["does not begin with `//!` and what it is for".into()] }
}

fn lengths(path: &Path, text: &str) -> Vec<String> {
    let for_tests = path.components().any(|part| part.as_os_str() == "tests");
    let most = if for_tests { MAX_TEST_FILE_LINES } else { MAX_FILE_LINES };
    let num_lines = text.split("#[cfg(test)]\nmod tests").next().unwrap_or(text).lines().count();
    let mut untidy = Vec::new();
    if num_lines > most {
        untidy.push(format!("{num_lines} lines without its tests, {most} at most"));
    }
    for (name, num_lines) in functions(text) {
        if num_lines > MAX_FUNCTION_LINES {
            untidy.push(format!("fn {name} has {num_lines} lines, {MAX_FUNCTION_LINES} at most"));
        }
    }
    untidy
}

/// Name and length of every function, by the indentation that rustfmt gives its closing brace.
fn functions(text: &str) -> Vec<(String, usize)> {
    let lines: Vec<&str> = text.lines().collect();
    let mut found = Vec::new();
    for (i, line) in lines.iter().enumerate() {
        let Some(name) = function_name(line) else { continue };
        let indent = &line[..line.len() - line.trim_start().len()];
        let closing = format!("{indent}}}");
        let ends_here = line.trim_end().ends_with('}') || line.trim_end().ends_with(';');
        let length = if ends_here { 1 } else { 1 + lines[i..].iter().position(|l| *l == closing).unwrap_or(0) };
        found.push((name, length));
    }
    found
}

fn function_name(line: &str) -> Option<String> {
    let mut rest = line.trim_start();
    for word in ["pub(crate) ", "pub(super) ", "pub ", "const ", "async ", "unsafe ", "extern \"C\" "] {
        rest = rest.strip_prefix(word).unwrap_or(rest);
    }
    let name: String = rest.strip_prefix("fn ")?.chars().take_while(|c| c.is_alphanumeric() || *c == '_').collect();
    (!name.is_empty()).then_some(name)
}

/// Paths of somebody's machine have no place in the project. Written in parts, so that this file passes.
fn foreign_places(text: &str) -> Vec<String> {
    let places =
        [["/ho", "me/"], ["/wo", "rk/"], ["/Us", "ers/"], ["C:\\Us", "ers"], ["/ro", "ot/"]].map(|p| p.concat());
    let found = places.iter().filter(|place| text.contains(place.as_str()));
    found.map(|place| format!("holds the path {place} of a machine")).collect()
}

/// A test that skips says so where the last lines of `cargo xtask test` find it.
fn silent_skip(path: &Path, text: &str) -> Option<String> {
    let says_it_itself =
        text.contains(&["eprintln!(\"", "SKIPPED"].concat()) && !path.ends_with("tests/src/skipped.rs");
    says_it_itself.then(|| "prints SKIPPED by itself: use notefront_tests::skipped::say".into())
}

/// The plug-in framework stands behind one wall. The insert that does nothing (`bare`) is made of it to be measured.
fn beside_the_wall(path: &Path, text: &str) -> Option<String> {
    let (folder, ours) = (root().join("plugin"), [Path::new("src/framework"), Path::new("examples/bare.rs")]);
    let within = path.strip_prefix(folder).ok()?;
    let names_it = code_of(text).any(|line| ["nice_plug", "baseview"].iter().any(|name| line.contains(name)));
    (names_it && !ours.iter().any(|own| within.starts_with(own)))
        .then(|| "names the plug-in framework, which stands behind `plugin/src/framework`".into())
}

/// The lines that are no comments.
fn code_of(text: &str) -> impl Iterator<Item = &str> {
    text.lines().filter(|line| !line.trim_start().starts_with("//"))
}

/// A module of a crate uses only those declared before it in lib.rs: the order of `mod` lines is that of the flow.
fn flow_of(package: &str) -> Result<Vec<String>, String> {
    let folder = root().join(package).join("src");
    let order = modules(&read(&folder.join("lib.rs"))?);
    // Until every module is declared in the order of the flow, alphabetical order says nothing.
    let mut untidy = Vec::new();
    for (place, module) in order.iter().enumerate() {
        for path in files_of(&folder, module) {
            let text = read(&path)?;
            let body = text.split("#[cfg(test)]").next().unwrap_or(&text);
            let later = order[place + 1..].iter().filter(|later| uses(body, later));
            untidy
                .extend(later.map(|later| format!("{} uses `{later}`, which stands after it in lib.rs", shown(&path))));
        }
    }
    Ok(untidy)
}

/// The file of a module and those in its folder, where it has one.
fn files_of(folder: &Path, module: &str) -> Vec<PathBuf> {
    let file = folder.join(format!("{module}.rs"));
    let mut files = files_with_ending(&folder.join(module), "rs");
    files.extend(file.is_file().then_some(file));
    files
}

fn modules(lib: &str) -> Vec<String> {
    lib.lines()
        .filter_map(|line| line.trim_start_matches("pub ").strip_prefix("mod ")?.strip_suffix(';'))
        .map(str::to_owned)
        .collect()
}

fn uses(text: &str, module: &str) -> bool {
    code_of(text)
        .any(|line| line.contains(&format!("crate::{module}::")) || line.contains(&format!("crate::{module};")))
}

/// Documents name commands that exist, and no machine's paths.
fn documents() -> Result<Vec<String>, String> {
    let mut untidy = Vec::new();
    for path in files_with_ending(&root(), "md") {
        let text = read(&path)?;
        let mut of_file = foreign_places(&text);
        of_file.extend(unknown_chores(&text));
        untidy.extend(of_file.into_iter().map(|what| format!("{}: {what}", shown(&path))));
    }
    Ok(untidy)
}

fn unknown_chores(text: &str) -> Vec<String> {
    text.split("cargo xtask ")
        .skip(1)
        .filter_map(|after| {
            let chore: String = after.chars().take_while(|c| c.is_ascii_alphanumeric() || *c == '-').collect();
            let known = chore.is_empty() || crate::CHORES.iter().any(|(name, _)| *name == chore);
            (!known).then(|| format!("`cargo xtask {chore}` does not exist"))
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn functions_are_measured_from_their_name_to_their_brace() {
        let text = "fn a() {\n    b();\n}\n\nimpl X {\n    pub fn c(&self) -> u8 {\n        1\n    }\n}\nfn d() {}\n";
        assert_eq!(functions(text), [("a".to_owned(), 3), ("c".to_owned(), 3), ("d".to_owned(), 1)]);
    }

    #[test]
    fn a_file_without_a_purpose_or_with_a_machines_path_is_untidy() {
        assert_eq!(begins_with_a_purpose("use std;").len(), 1);
        assert_eq!(foreign_places(&["see /ho", "me/me/x"].concat()).len(), 1);
        assert!(foreign_places("see the home/page").is_empty());
    }

    #[test]
    fn a_chore_that_does_not_exist_is_seen() {
        assert_eq!(unknown_chores("run cargo xtask shine now"), ["`cargo xtask shine` does not exist"]);
        assert!(unknown_chores("run `cargo xtask test` now").is_empty());
    }

    #[test]
    fn the_framework_is_named_behind_its_wall_only() {
        let (inside, outside) = (root().join("plugin/src/framework/x.rs"), root().join("plugin/src/x.rs"));
        for text in ["use nice_plug::prelude::*;", "let w = nice_plug_egui::baseview::Window;"] {
            assert_eq!((beside_the_wall(&inside, text), beside_the_wall(&outside, text).is_some()), (None, true));
        }
        assert_eq!(beside_the_wall(&outside, "// nice_plug does it so"), None);
    }

    #[test]
    fn a_use_of_a_later_module_is_seen_and_a_comment_is_none() {
        assert!(uses("use crate::later::Thing;", "later"));
        assert!(!uses("// crate::later::Thing would be wrong", "later"));
    }
}
