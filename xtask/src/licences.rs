//! `cargo xtask licences`: every dependency may be used by a program under MIT OR Apache-2.0.

use std::collections::BTreeMap;
use xtask::shell::{cargo, output};

/// Licences that ask for no more than a notice. MPL-2.0 keeps to its own files, and is taken with that known.
const FREE: [&str; 13] = [
    "MIT",
    "Apache-2.0",
    "Apache-2.0 WITH LLVM-exception",
    "BSD-1-Clause",
    "BSD-2-Clause",
    "BSD-3-Clause",
    "ISC",
    "Zlib",
    "0BSD",
    "Unlicense",
    "Unicode-3.0",
    "CC0-1.0",
    "MPL-2.0",
];
/// Others that ask for no more than a notice: Boost, and the fonts' licences, which bind fonts only.
const FREE_TOO: [&str; 4] = ["BSL-1.0", "OFL-1.1", "Ubuntu-font-1.0", "CDLA-Permissive-2.0"];

/// Fails with the names of those that may not be used.
pub fn run() -> Result<(), String> {
    let format = "{p}\t{l}";
    let tree = output(
        cargo()
            .args(["tree", "--workspace", "--all-features", "--prefix", "none", "--edges", "normal,build"])
            .args(["--format", format, "--target", "all"]),
    )?;
    let packages: BTreeMap<&str, &str> = tree.lines().filter_map(|line| line.split_once('\t')).collect();
    let bound: Vec<String> = packages
        .iter()
        .filter(|(_, licence)| !is_free(licence.trim_end_matches(" (*)")))
        .map(|(package, licence)| format!("  {package}: {licence}"))
        .collect();
    println!("licences of {} packages looked at", packages.len());
    if bound.is_empty() { Ok(()) } else { Err(format!("may not be used:\n{}", bound.join("\n"))) }
}

/// Whether an SPDX expression can be met with free licences: one of every OR, all of every AND.
fn is_free(expression: &str) -> bool {
    let expression = expression.replace('/', " OR ").replace(" or ", " OR ");
    // Brackets bind an AND or OR within; crates nest them one deep at most: (A OR B) AND C.
    split(&expression, " AND ").iter().all(|part| {
        let part = part.trim().trim_start_matches('(').trim_end_matches(')');
        split(part, " OR ").iter().any(|one| {
            let one = one.trim().trim_start_matches('(').trim_end_matches(')');
            one.split(" AND ").all(|name| FREE.contains(&name.trim()) || FREE_TOO.contains(&name.trim()))
        })
    })
}

/// Splits at a word outside brackets.
fn split<'a>(expression: &'a str, at: &str) -> Vec<&'a str> {
    let (mut parts, mut depth, mut from) = (Vec::new(), 0i32, 0);
    for (i, c) in expression.char_indices() {
        depth += i32::from(c == '(') - i32::from(c == ')');
        if depth == 0 && i >= from && expression[i..].starts_with(at) {
            parts.push(&expression[from..i]);
            from = i + at.len();
        }
    }
    parts.push(&expression[from..]);
    parts
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn expressions_are_met_by_free_licences_or_not() {
        for free in ["MIT", "MIT/Apache-2.0", "GPL-3.0 OR MIT", "(MIT OR Apache-2.0) AND Unicode-3.0", "MPL-2.0"] {
            assert!(is_free(free), "{free}");
        }
        for bound in ["GPL-3.0", "MIT AND GPL-3.0-only", "(MIT OR ISC) AND AGPL-3.0", "", "LGPL-2.1"] {
            assert!(!is_free(bound), "{bound}");
        }
    }
}
