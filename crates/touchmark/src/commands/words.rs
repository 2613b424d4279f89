//! How answers are laid out in words.

use std::io::{self, Write};

use base::finding_view::FindingView;
pub use print::chart::many;

/// One value with its name.
pub fn row(w: &mut dyn Write, what: &str, value: &str) -> io::Result<()> {
    writeln!(w, "  {what:<20} {value}")
}

/// A finding: what was found, then what is required and what to do.
pub fn finding_lines(w: &mut dyn Write, finding: &FindingView) -> io::Result<()> {
    let about = if finding.subject == "code" || finding.subject == "verifier" {
        String::new()
    } else {
        format!("{}: ", finding.subject)
    };
    writeln!(w, "{} {}: {about}{}", finding.severity, finding.rule, finding.found)?;
    writeln!(w, "  required: {} ({})", finding.required, finding.clause)?;
    writeln!(w, "  next: {}", finding.advice)
}
