//! No function of the book without a case.

use std::path::Path;

fn sources(folder: &Path, out: &mut Vec<String>) {
    for entry in std::fs::read_dir(folder).expect("a folder").flatten() {
        if entry.path().is_dir() {
            sources(&entry.path(), out);
        } else {
            out.push(std::fs::read_to_string(entry.path()).expect("a source"));
        }
    }
}

/// Names of the functions in `impl Book` blocks that a crate above can call.
fn functions(source: &str) -> Vec<String> {
    let mut found = Vec::new();
    for block in source.split("\nimpl Book {").skip(1) {
        let block = block.split("\n}\n").next().unwrap_or_default();
        for line in block.lines().filter_map(|line| line.trim().strip_prefix("pub fn ")) {
            found.push(line.split(['(', '<']).next().unwrap_or_default().to_owned());
        }
    }
    found
}

#[test]
fn every_function_has_a_case() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let (mut code, mut cases) = (Vec::new(), Vec::new());
    sources(&root.join("src"), &mut code);
    sources(&root.join("tests"), &mut cases);
    let all: Vec<_> = code.iter().flat_map(|source| functions(source)).collect();
    assert!(all.len() > 40, "the functions are found: {all:?}");
    let called =
        |name: &String| cases.iter().any(|c| c.contains(&format!(".{name}(")) || c.contains(&format!("Book::{name}(")));
    let missing: Vec<_> = all.iter().filter(|name| !called(name)).collect();
    assert!(missing.is_empty(), "no case calls {missing:?}");
}
