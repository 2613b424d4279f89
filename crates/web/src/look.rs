//! Shapes and numbers as they look on every page.

/// HTML of a word's shape: the shape, then the word. `of` names the family.
pub fn state(of: &str, word: &str) -> String {
    let shape = match (of, word) {
        ("unit" | "attempt", "open") | ("station", "ready") => "ring",
        ("unit" | "attempt" | "step", "passed" | "done") | ("station", "passed") => "struck",
        ("unit" | "attempt" | "step", "failed") | ("station", "failed" | "stopped" | "failing") => "cracked",
        ("station", "slow" | "silent") => "triangle",
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
        ("verdict", "unreachable") => "ring",
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
        "failed" | "failing" | "rejected" | "refused" | "error" | "scrapped" | "revoked" | "stopped" => "broken",
        "warning" | "slow" | "silent" | "accepted-in-part" | "returned" | "interrupted" | "no credential" | "held"
        | "spent" => "heed",
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
pub fn count(n: &impl Whole) -> String {
    let n = n.whole();
    let digits = n.unsigned_abs().to_string();
    let mut out = String::new();
    for (at, c) in digits.chars().enumerate() {
        if at > 0 && (digits.len() - at).is_multiple_of(3) {
            out.push('\u{202f}');
        }
        out.push(c);
    }
    if n < 0 { format!("\u{2212}{out}") } else { out }
}

/// A text of an answer; empty where it has none.
pub fn text<'a>(answer: &'a serde_json::Value, key: &str) -> &'a str {
    answer.get(key).and_then(serde_json::Value::as_str).unwrap_or_default()
}

/// A size as people say it.
pub fn octets(octets: &impl Whole) -> String {
    let octets = octets.whole();
    #[expect(clippy::cast_precision_loss, reason = "a size in words")]
    let of = |unit: i64| octets as f64 / unit as f64;
    match octets {
        1 => "1 byte".into(),
        ..1_024 => format!("{} bytes", count(&octets)),
        1_024..1_048_576 => format!("{:.0} KiB", of(1 << 10)),
        1_048_576..1_073_741_824 => format!("{:.1} MiB", of(1 << 20)),
        _ => format!("{:.1} GiB", of(1 << 30)),
    }
}

/// Things a second.
pub fn rate(rate: f64) -> String {
    if rate < 10.0 {
        return format!("{rate:.1} a second");
    }
    #[expect(clippy::cast_possible_truncation, reason = "rounded, of things that were counted")]
    let whole = rate.round() as i64;
    format!("{} a second", count(&whole))
}

/// Time that is left, as people say it: never more exact than it is known.
pub fn left(left: std::time::Duration) -> String {
    match left.as_secs() {
        ..5 => "a few seconds left".into(),
        seconds @ 5..55 => format!("about {} s left", seconds.div_ceil(5) * 5),
        seconds @ 55..3300 => format!("about {} min left", (seconds + 30) / 60),
        seconds => match ((seconds + 300) / 600, (seconds + 300) / 600 % 6) {
            (tens, 0) => format!("about {} h left", tens / 6),
            (tens, ten) => format!("about {} h {} min left", tens / 6, ten * 10),
        },
    }
}

/// Seconds out of milliseconds, as people say them.
pub fn seconds(ms: &i64) -> String {
    match *ms {
        ms @ ..1000 => format!("{ms} ms"),
        ms @ 1000..100_000 => format!("{}.{} s", ms / 1000, ms % 1000 / 100),
        ms => format!("{} min", ms / 60_000),
    }
}

/// A whole number of any size, to be shown.
pub trait Whole {
    /// The number; the largest where it is larger.
    fn whole(&self) -> i64;
}

impl Whole for i64 {
    fn whole(&self) -> i64 {
        *self
    }
}

impl Whole for u64 {
    fn whole(&self) -> i64 {
        i64::try_from(*self).unwrap_or(i64::MAX)
    }
}

impl<T: Whole> Whole for &T {
    fn whole(&self) -> i64 {
        (**self).whole()
    }
}

#[cfg(test)]
mod tests {
    #[test]
    fn nothing_gets_out_of_its_text() {
        let hostile = "<script>alert(1)</script>\"'&";
        assert!(!super::state("unit", hostile).contains("<script"));
        assert!(!super::grouped(hostile).contains("<script"));
        assert_eq!(super::count(&50_000_i64), "50\u{202f}000");
        assert_eq!(super::count(&-1_i64), "\u{2212}1");
        let said = [900_i64, 2_048, 5 << 20, 7 << 30].map(|octets| super::octets(&octets));
        assert_eq!(said, ["900 bytes", "2 KiB", "5.0 MiB", "7.0 GiB"]);
    }

    #[test]
    fn time_left_is_said_roughly() {
        let said = |seconds| super::left(std::time::Duration::from_secs(seconds));
        for (seconds, words) in [
            (0, "a few seconds left"),
            (12, "about 15 s left"),
            (54, "about 55 s left"),
            (59, "about 1 min left"),
            (119, "about 2 min left"),
            (3_299, "about 55 min left"),
            (3_400, "about 1 h left"),
            (5_000, "about 1 h 20 min left"),
            (7_200, "about 2 h left"),
        ] {
            assert_eq!(said(seconds), words, "{seconds}");
        }
        assert_eq!(super::rate(3.21), "3.2 a second");
        assert_eq!(super::rate(12_345.6), "12\u{202f}346 a second");
    }
}
