//! The words of the help, the rules and the documents: plain, present-day English, and one word a thing.

use std::collections::BTreeSet;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;

/// Words that are not used in what people read, and what is used instead.
const BANNED: &[(&str, &str)] = &[
    ("heed", "warning"),
    ("heeds", "warning"),
    ("bite", "due, expire, run out"),
    ("bites", "due, expire, run out"),
    ("mend", "fix"),
    ("mends", "fixes"),
    ("mended", "fixed"),
    ("for ever", "permanently; cannot be undone"),
    ("for good", "permanently; cannot be undone"),
    ("raise an authority", "create an authority"),
    ("raised", "created"),
    ("raises", "creates"),
    ("found a site", "create a site"),
    ("gave out", "ran out"),
    ("given out", "used"),
    ("at hand", "available"),
    ("by a way", "through a separate, trusted channel"),
    ("to no end", "no expiry"),
    ("torment", "stress test"),
    ("torments", "stress-tests"),
    ("tormented", "stress-tested"),
    ("nineteen in twenty", "95th percentile"),
    ("99 of 100", "99th percentile"),
    ("is not there", "does not exist; not found"),
    ("are not there", "do not exist; not found"),
    ("is no time", "is not a valid time"),
    ("is no site", "no site here"),
    ("it came back", "record a return"),
    ("touched", "affected; changed"),
    ("touches", "affects; changes"),
    ("requests that wait", "pending requests"),
    ("tell", "show, list, report, warn"),
    ("tells", "shows, lists, reports, warns"),
    ("told", "shown, listed, reported"),
    ("octet", "byte"),
    ("octets", "bytes"),
    ("alike", "the same; N times"),
    ("stretch", "interval; section"),
    ("stretches", "intervals; sections"),
    ("anew", "again"),
    ("units an hour", "units per hour"),
    ("dots an inch", "dpi"),
    ("labels a second", "labels per second"),
    ("set a station up", "add a station"),
    ("sets a station up", "adds a station"),
];

/// Where a banned word stays: the place, the phrase around it, and why.
const ALLOWED: &[(&str, &str, &str)] = &[
    ("docs/proof.md", "octet string", "the name of the type in the standard's TLV"),
    ("rule", "octet string", "the name of the type in ASN.1 and TLV"),
];

fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../..")
}

fn answer(typed: &[&str]) -> String {
    let output = Command::new(env!("CARGO_BIN_EXE_touchmark")).args(typed).output().expect("it starts");
    assert!(output.status.success(), "{typed:?}: {}", String::from_utf8_lossy(&output.stderr));
    String::from_utf8(output.stdout).expect("UTF-8")
}

/// The names under `Commands:` of a help text.
fn commands(help: &str) -> Vec<String> {
    let below = help.lines().skip_while(|line| *line != "Commands:").skip(1);
    let names =
        below.take_while(|line| !line.is_empty()).filter(|line| line.starts_with("  ") && !line[2..].starts_with(' '));
    names.filter_map(|line| line.split_whitespace().next()).filter(|name| *name != "help").map(str::to_owned).collect()
}

/// Every help text with the call that it belongs to.
fn helps() -> Vec<(String, String)> {
    let mut found = Vec::new();
    let mut open = vec![Vec::<String>::new()];
    while let Some(call) = open.pop() {
        let mut typed: Vec<&str> = call.iter().map(String::as_str).collect();
        typed.push("--help");
        let help = answer(&typed);
        open.extend(commands(&help).into_iter().map(|name| [call.clone(), vec![name]].concat()));
        found.push((call.join(" "), help));
    }
    assert!(found.len() > 80, "{} commands", found.len());
    found
}

/// Documents of the person who uses the program: the README and each page of `docs`.
fn documents() -> Vec<(String, String)> {
    let pages = fs::read_dir(root().join("docs")).expect("docs").map(|entry| entry.expect("an entry").path());
    let pages = pages.filter(|path| path.extension().is_some_and(|e| e == "md"));
    let mut found: Vec<(String, String)> = pages
        .map(|path| {
            (format!("docs/{}", path.file_name().expect("a name").display()), fs::read_to_string(&path).expect("text"))
        })
        .collect();
    found.push(("README.md".into(), fs::read_to_string(root().join("README.md")).expect("text")));
    assert!(found.len() > 15, "{} documents", found.len());
    found
}

/// The prose of a document: no blocks of code and no code in a line.
fn prose(markdown: &str) -> String {
    let mut out = String::new();
    let mut code = false;
    for line in markdown.lines() {
        if line.trim_start().starts_with("```") {
            code = !code;
        } else if !code {
            out.push_str(line);
            out.push('\n');
        }
    }
    out.split('`').step_by(2).collect::<Vec<_>>().join(" ")
}

/// One space between words, so that a phrase is found across the end of a line.
fn joined(text: &str) -> String {
    text.split_whitespace().collect::<Vec<_>>().join(" ").to_lowercase()
}

/// Adds what is wrong with one text.
fn judge(place: &str, text: &str, wrong: &mut Vec<String>) {
    let mut text = joined(text);
    for (_, phrase, _) in ALLOWED.iter().filter(|(allowed, ..)| place.starts_with(allowed)) {
        text = text.replace(phrase, "…");
    }
    for (banned, instead) in BANNED {
        let whole = |at: usize| {
            let before = text[..at].chars().next_back();
            let after = text[at + banned.len()..].chars().next();
            ![before, after].into_iter().flatten().any(char::is_alphanumeric)
        };
        if let Some((at, _)) = text.match_indices(banned).find(|(at, _)| whole(*at)) {
            let around: String = text[..at].chars().rev().take(30).collect::<Vec<_>>().into_iter().rev().collect();
            wrong.push(format!("{place}: “{banned}” in “…{around}{banned}…”; say: {instead}"));
        }
    }
}

#[test]
fn help_rules_and_documents_are_in_plain_words() {
    let mut wrong = Vec::new();
    for (call, help) in helps() {
        judge(&format!("touchmark {call} --help"), &help, &mut wrong);
    }
    let rules: serde_json::Value = serde_json::from_str(&answer(&["examine", "--rules", "--json"])).expect("JSON");
    let rules = rules["rules"].as_array().expect("rules");
    assert!(rules.len() > 100, "{} rules", rules.len());
    for rule in rules {
        for key in ["required", "advice"] {
            let text = rule[key].as_str().expect("a text");
            judge(&format!("rule {} {key}", rule["rule"]), text, &mut wrong);
            assert!(text.ends_with(['.', '?']), "{}: {text}", rule["rule"]);
        }
    }
    for (name, text) in documents() {
        judge(&name, &prose(&text), &mut wrong);
    }
    assert!(wrong.is_empty(), "{} places:\n{}", wrong.len(), wrong.join("\n"));
}

#[test]
fn the_first_line_of_a_help_is_a_line_and_no_sentence() {
    for (call, help) in helps() {
        let first = help.lines().next().unwrap_or_default();
        assert!(first.starts_with(char::is_uppercase) && !first.ends_with('.'), "touchmark {call}: {first}");
    }
}

#[test]
fn the_readme_is_short_and_has_every_command() {
    let readme = fs::read_to_string(root().join("README.md")).expect("text");
    assert!(readme.lines().count() <= 120, "{} lines", readme.lines().count());
    let rows: String = readme.lines().filter(|line| line.starts_with('|')).collect();
    let named: BTreeSet<&str> = rows.split('`').skip(1).step_by(2).filter_map(|code| code.split(' ').next()).collect();
    let missing: Vec<_> = commands(&answer(&["--help"])).into_iter().filter(|c| !named.contains(c.as_str())).collect();
    assert!(missing.is_empty(), "the table of README.md lacks {missing:?}");
}

#[test]
fn the_list_of_documents_has_every_document() {
    let list = fs::read_to_string(root().join("docs/README.md")).expect("text");
    for (name, _) in documents() {
        let Some(page) = name.strip_prefix("docs/").filter(|page| *page != "README.md") else { continue };
        assert!(list.contains(&format!("({page})")), "docs/README.md does not list {page}");
    }
    let links = list.split("](").skip(1).filter_map(|rest| rest.split(')').next());
    for link in links {
        assert!(root().join("docs").join(link).exists(), "docs/README.md links to {link}, which does not exist");
    }
}
