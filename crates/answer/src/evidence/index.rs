//! The page in a pack that people read first.

use std::fmt::Write as _;

use print::paper::safe;
use site::head::HeadFile;

use super::told::Manifest;

/// A unit in the page.
pub(super) struct Line {
    pub unit: String,
    pub state: &'static str,
    /// Why its certificate counts no more, where it is revoked.
    pub revoked: Option<String>,
    /// Whether its last check at a station failed after it had passed.
    pub check_failed: bool,
    pub product: String,
    pub chip_id: String,
    /// Chips of the boards that it had before.
    pub earlier: Vec<String>,
    /// When it was proven.
    pub proven: Option<String>,
}

/// A unit's name as part of an address: serial numbers have `# + : =` in them.
fn address(text: &str) -> String {
    text.bytes().fold(String::new(), |mut out, b| {
        if b.is_ascii_alphanumeric() || b"-_.".contains(&b) {
            out.push(char::from(b));
        } else {
            // Writing into a String can't fail.
            let _ = write!(out, "%{b:02X}");
        }
        out
    })
}

const STYLE: &str = ":root{--ground:#faf7f0;--ink:#1b2330;--quiet:#4a5568;--heed:#7a4f00;--metal:#8a5a16;--line:#d8d2c4}\
@media (prefers-color-scheme:dark){:root{--ground:#14181f;--ink:#e9e4d8;--quiet:#a9b2c0;--heed:#e8b04a;--metal:#e8b04a;--line:#333a46}}\
@media print{:root{--ground:#fff;--ink:#000;--quiet:#333;--heed:#000;--metal:#000;--line:#999}}\
body{background:var(--ground);color:var(--ink);font:16px/1.5 'Atkinson Hyperlegible Next',system-ui,sans-serif;margin:0 auto;max-width:64rem;padding:2rem 1.25rem 4rem}\
h1{font-size:1.9rem;line-height:1.2;margin:.2em 0}h2{font-size:1.25rem;margin:2em 0 .5em;border-top:2px solid var(--metal);padding-top:.5em}\
p,li{max-width:46rem}a{color:inherit}.quiet{color:var(--quiet)}code,td.m{font-family:'Atkinson Hyperlegible Mono',ui-monospace,monospace;font-size:.92em;overflow-wrap:anywhere}\
.test{border:2px solid var(--heed);color:var(--heed);display:inline-block;font-weight:700;padding:.1em .6em}\
table{border-collapse:collapse;margin:.8rem 0;font-size:.95rem}th,td{text-align:left;vertical-align:top;padding:.25rem .9rem .25rem 0;border-bottom:1px solid var(--line)}\
dt{color:var(--quiet)}dd{margin:0 0 .5em}";

/// The page. It stands alone: no script, nothing fetched.
pub(super) fn page(manifest: &Manifest, head: &HeadFile, lines: &[Line]) -> String {
    let mut out = format!(
        "<!doctype html><html lang=\"en\"><head><meta charset=\"utf-8\">\
         <meta name=\"viewport\" content=\"width=device-width,initial-scale=1\"><title>Evidence: {what}</title>\
         <style>{STYLE}</style></head><body>",
        what = safe(&manifest.what)
    );
    if manifest.test {
        out.push_str("<p class=\"test\">TEST identities: do not sell any of these units</p>");
    }
    let proven = lines.iter().filter(|l| l.proven.is_some()).count();
    let _ = write!(
        out,
        "<h1>Evidence of {} {}, {proven} proven</h1><p>What: {}. Site: {} ({}). Made {} by {}.</p>\
         <dl><dt>Entries in the log</dt><dd>{}</dd><dt>Hash of the log</dt><dd><code>{}</code></dd>\
         <dt>Signed</dt><dd>{} with the key <code>{}</code></dd></dl>",
        lines.len(),
        if lines.len() == 1 { "unit" } else { "units" },
        safe(&manifest.what),
        safe(&manifest.site),
        safe(&manifest.site_id),
        safe(&manifest.made),
        safe(&manifest.by),
        head.entries,
        safe(&head.root),
        safe(&head.at),
        safe(&head.key_id)
    );
    out.push_str(
        "<h2>How to check it</h2><p>This page proves nothing by itself. Check the whole archive with the site's public key, \
         which you should have received separately:</p><ol><li><code>touchmark evidence check PACK.zip --key KEY.pem</code>, \
         or</li><li><code>python3 check_evidence.py PACK.zip KEY.pem</code>, a checker of 150 lines that uses nothing \
         of that program, or by hand as its documentation (<code>docs/evidence.md</code>) says.</li></ol>\
         <p>Either names any file that was altered. Whether the root certificate (PAA) is one to trust, only you can say: \
         compare it with a copy that you got elsewhere. A verdict here is no certification.</p>\
         <h2>Units</h2><table><tr><th>Unit</th><th>State</th><th>Product</th><th>Chip</th><th>Proven</th><th>Files</th></tr>",
    );
    for line in lines {
        let home = format!("units/{}", address(&line.unit));
        let proof = if line.proven.is_some() {
            format!(" · <a href=\"{home}/proof.json\">proof</a> · <a href=\"{home}/dac.der\">DAC</a>")
        } else {
            String::new()
        };
        let _ = write!(
            out,
            "<tr><td class=\"m\">{}</td><td>{}{}</td><td>{}</td><td class=\"m\">{}{}</td><td>{}</td>\
             <td><a href=\"{home}/record.json\">story</a> · <a href=\"{home}/log.json\">log</a>{proof}</td></tr>",
            safe(&line.unit),
            line.state,
            match &line.revoked {
                Some(what) => format!("<br><b>REVOKED</b>: {}", safe(what)),
                None if line.check_failed => "<br><b>CHECK FAILED</b> after it had passed".into(),
                None => String::new(),
            },
            safe(&line.product),
            safe(&line.chip_id),
            line.earlier.iter().map(|chip| format!("<br>before: {}", safe(chip))).collect::<String>(),
            line.proven.as_deref().map_or_else(|| "never".into(), safe)
        );
    }
    out.push_str("</table></body></html>\n");
    out
}
