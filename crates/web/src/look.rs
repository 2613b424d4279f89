//! Shapes and numbers as they look on every page.

/// HTML of a word's shape: the shape, then the word. `of` names the family.
pub fn state(of: &str, word: &str) -> String {
    let shape = match (of, word) {
        ("unit" | "attempt", "open") | ("station", "ready") => "ring",
        ("unit" | "attempt" | "step", "passed" | "done") | ("station", "passed") => "struck",
        ("unit" | "attempt" | "step", "failed") | ("station", "failed" | "stopped") => "cracked",
        ("unit", "scrapped") => "crossed",
        ("unit", "returned") => "returned",
        ("station", "working") | ("step", "running") | ("chip", "held") => "half",
        ("station" | "attempt", "interrupted") => "half",
        ("chip", "blank") => "dot",
        ("chip", "provisioned") => "hexagon",
        ("chip", "scrapped") => "dot-crossed",
        ("credential", "available") => "tag",
        ("credential", "reserved") => "tag-half",
        ("credential", "installed") => "tag-full",
        ("credential", "spent") => "tag-crossed",
        ("credential", "revoked") => "tag-cracked",
        ("finding", "error") | ("verdict", "rejected" | "refused") => "cracked",
        ("finding", "warning") | ("verdict", "accepted-in-part") => "triangle",
        ("finding", "note") => "ring-small",
        ("verdict", "accepted" | "already-received" | "trusted") => "struck",
        ("fate", "passed") => "struck",
        ("fate", "blank") => "dot",
        ("fate", "open") => "ring",
        ("fate", "failed") => "cracked",
        ("fate", "scrapped") => "dot-crossed",
        ("fate", "returned") => "returned",
        ("fate", "no credential") => "tag-crossed",
        _ => "ring-small",
    };
    let tone = tone(word);
    format!(
        "<span class=\"state {tone}\"><svg class=\"shape\" aria-hidden=\"true\"><use href=\"#{shape}\"/></svg>{}</span>",
        escaped(word)
    )
}

/// The colour's role of a word; never the only sign.
pub fn tone(word: &str) -> &'static str {
    match word {
        "passed" | "accepted" | "provisioned" | "installed" | "done" | "already-received" | "trusted" => "struck",
        "failed" | "rejected" | "refused" | "error" | "scrapped" | "revoked" | "stopped" => "broken",
        "warning" | "accepted-in-part" | "returned" | "interrupted" | "no credential" | "held" | "spent" => "heed",
        _ => "plain",
    }
}

/// Text inside HTML.
pub fn escaped(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            '&' => out.push_str("&amp;"),
            '<' => out.push_str("&lt;"),
            '>' => out.push_str("&gt;"),
            '"' => out.push_str("&quot;"),
            '\'' => out.push_str("&#39;"),
            c => out.push(c),
        }
    }
    out
}

/// HTML of a code, its groups of four set apart by style alone, so that it copies without gaps.
pub fn grouped(code: &str) -> String {
    let characters: Vec<char> = code.chars().collect();
    let groups: Vec<String> =
        characters.chunks(4).map(|c| format!("<i>{}</i>", escaped(&c.iter().collect::<String>()))).collect();
    format!("<code class=\"grouped\">{}</code>", groups.concat())
}

/// A count with thin gaps between thousands.
pub fn count(n: &i64) -> String {
    let digits = n.unsigned_abs().to_string();
    let mut out = String::new();
    for (at, c) in digits.chars().enumerate() {
        if at > 0 && (digits.len() - at).is_multiple_of(3) {
            out.push('\u{202f}');
        }
        out.push(c);
    }
    if *n < 0 { format!("\u{2212}{out}") } else { out }
}

/// Seconds out of milliseconds, as people say them.
pub fn seconds(ms: &i64) -> String {
    match *ms {
        ms @ ..1000 => format!("{ms} ms"),
        ms @ 1000..100_000 => format!("{}.{} s", ms / 1000, ms % 1000 / 100),
        ms => format!("{} min", ms / 60_000),
    }
}

#[cfg(test)]
mod tests {
    #[test]
    fn nothing_gets_out_of_its_text() {
        let hostile = "<script>alert(1)</script>\"'&";
        assert!(!super::state("unit", hostile).contains("<script"));
        assert!(!super::grouped(hostile).contains("<script"));
        assert_eq!(super::count(&50_000), "50\u{202f}000");
        assert_eq!(super::count(&-1), "\u{2212}1");
    }
}
