//! Forms as they are drawn: every field in one way, with what was typed before
//! and what is wrong with it.

use std::fmt::{self, Display, Write as _};
use std::sync::Arc;

use answer::revocation;
use standard::revocation::Reason;

use crate::again::{Kept, said_id};
use crate::frame::Frame;
use crate::look::escaped;
use crate::on_page::on_page;

/// HTML that is safe as it stands.
pub struct Html(pub(crate) String);

impl Display for Html {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.0)
    }
}

impl askama::filters::HtmlSafe for Html {}

/// A form of a page. Attributes that are given as text come from templates, never from people.
pub struct Form {
    id: &'static str,
    word: String,
    again: Option<Arc<Kept>>,
}

impl Frame {
    /// A form by its id, as [`crate::routes`] names it.
    pub fn form(&self, id: &'static str) -> Form {
        let again = self.again.0.clone().filter(|kept| kept.form == id);
        Form { id, word: self.form.clone(), again }
    }
}

impl Form {
    /// The form's beginning, to be sent to an address; `more` are further attributes. What is wrong with it as a
    /// whole stands first.
    pub fn open(&self, address: &str, more: &str) -> Html {
        self.open_door(address, &format!("hx-post=\"{}\" {more}", escaped(address)))
    }

    /// The same of a form that leads to another page whatever comes of it, and is sent by the browser itself.
    pub fn open_door(&self, address: &str, more: &str) -> Html {
        let (id, to, word) = (self.id, escaped(address), escaped(&self.word));
        Html(format!(
            "<form id=\"form-{id}\" method=\"post\" action=\"{to}\" {more}>\
             <input type=\"hidden\" name=\"form\" value=\"{word}\">{}",
            self.above()
        ))
    }

    /// The same of a form that carries files.
    pub fn open_files(&self, address: &str, more: &str) -> Html {
        self.open(
            address,
            &format!("enctype=\"multipart/form-data\" hx-encoding=\"multipart/form-data\" data-upload {more}"),
        )
    }

    /// The same of a form that only asks.
    pub fn open_asking(&self, address: &str, more: &str) -> Html {
        let (id, to) = (self.id, escaped(address));
        Html(format!("<form id=\"form-{id}\" action=\"{to}\" {more}>{}", self.above()))
    }

    /// Whether it is given for the first time.
    pub fn fresh(&self) -> bool {
        self.again.is_none()
    }

    /// Whether something was typed into one of the fields, or is wrong with it: what hides them stands open then.
    pub fn touched(&self, names: &[&str]) -> bool {
        names.iter().any(|n| self.kept(n).is_some_and(|v| !v.is_empty()) || self.is_wrong(n))
    }

    fn kept(&self, name: &str) -> Option<&str> {
        let values = &self.again.as_ref()?.values;
        values.iter().find(|(n, _)| n == name).map(|(_, value)| value.as_str())
    }

    /// Whether what failed is about this field, so that a question that is seldom asked stands there.
    pub fn asks(&self, name: &str) -> bool {
        self.is_wrong(name)
    }

    fn is_wrong(&self, name: &str) -> bool {
        self.again.as_ref().is_some_and(|kept| kept.field == Some(name))
    }

    fn said(&self) -> String {
        let Some(kept) = &self.again else { return String::new() };
        let mut advice = escaped(&on_page(&kept.advice));
        if kept.files {
            advice += " Choose the files again: a page can't keep them.";
        }
        let shape = "<svg class=\"shape\" aria-hidden=\"true\"><use href=\"#cracked\"/></svg>";
        format!("{shape}<div><b>{}</b><p>{advice}</p></div>", escaped(&kept.message))
    }

    /// What is wrong with no field by itself; it has the focus then.
    fn above(&self) -> String {
        match &self.again {
            Some(kept) if kept.field.is_none() => {
                format!("<div class=\"told broken\" role=\"alert\" tabindex=\"-1\" autofocus>{}</div>", self.said())
            }
            _ => String::new(),
        }
    }

    /// What was typed into an input that a template draws by itself; else what it begins with.
    pub fn value<'a>(&'a self, name: &str, at_first: &'a str) -> &'a str {
        self.kept(name).unwrap_or(at_first)
    }

    /// Name, and what is wrong, of an input or a choice that a template draws by itself.
    pub fn at(&self, name: &str) -> Html {
        let mut out = format!("name=\"{name}\"");
        if self.is_wrong(name) {
            let _ = write!(out, " aria-invalid=\"true\" aria-describedby=\"said-{}-{name}\" autofocus", self.id);
        }
        Html(out)
    }

    /// The message of a field, to stand below it.
    pub fn beside(&self, name: &str) -> Html {
        if !self.is_wrong(name) {
            return Html(String::new());
        }
        Html(format!("<div class=\"beside told broken\" {}>{}</div>", said_id(self.id, name), self.said()))
    }

    fn drawn(&self, name: &str, label: &str, kind: &str, value: Option<&str>, more: &str) -> Html {
        let value = value.map_or_else(String::new, |v| format!(" value=\"{}\"", escaped(v)));
        let class = if kind.contains("file") { " class=\"drop\"" } else { "" };
        Html(format!(
            "<div class=\"field\"><label{class}>{label}<input {}{kind}{value} {more}></label>{}</div>",
            self.at(name),
            self.beside(name)
        ))
    }

    /// A field: label (HTML of the template's) and input.
    pub fn field(&self, name: &str, label: &str, more: &str) -> Html {
        self.field_of(name, label, "", more)
    }

    /// The same with a value to begin with.
    pub fn field_of(&self, name: &str, label: &str, value: &str, more: &str) -> Html {
        self.drawn(name, label, "", Some(self.kept(name).unwrap_or(value)), more)
    }

    /// A field whose value is never given back.
    pub fn secret(&self, name: &str, label: &str, more: &str) -> Html {
        self.drawn(name, label, " type=\"password\"", None, more)
    }

    /// Files.
    pub fn file(&self, name: &str, label: &str, more: &str) -> Html {
        self.drawn(name, label, " type=\"file\"", None, more)
    }

    /// A value that nobody types.
    pub fn hidden(&self, name: &str, value: &str) -> Html {
        let value = escaped(self.kept(name).unwrap_or(value));
        Html(format!("<input type=\"hidden\" name=\"{name}\" value=\"{value}\">"))
    }

    /// A tick, set at first or not.
    pub fn tick(&self, name: &str, label: &str, set: bool) -> Html {
        let set = self.again.as_ref().map_or(set, |_| self.kept(name).is_some());
        let set = if set { " checked" } else { "" };
        Html(format!(
            "<label class=\"tick\"><input type=\"checkbox\" {}{set}>{label}</label>{}",
            self.at(name),
            self.beside(name)
        ))
    }

    /// The choice of what becomes of the certificate of something that is scrapped: nothing, or the reason for which its
    /// revocation is asked for.
    pub fn disposal(&self, name: &str) -> Html {
        let mut options = self.option(name, "", "kept: it counts as spent, and still holds outside", true).0;
        for reason in revocation::REASONS.iter().filter_map(|reason| Reason::name_of(*reason as u8)) {
            options += &self.option(name, reason, &format!("to be revoked: {reason}"), false).0;
        }
        Html(format!(
            "<div class=\"field\"><label>When scrapped, its certificate is<select {}>{options}</select></label>{}</div>",
            self.at(name),
            self.beside(name)
        ))
    }

    /// One of a choice: its value, what it says, and whether it is chosen at first.
    pub fn option(&self, name: &str, value: &str, label: &str, chosen: bool) -> Html {
        let chosen = self.again.as_ref().map_or(chosen, |_| self.kept(name) == Some(value));
        let chosen = if chosen { " selected" } else { "" };
        Html(format!("<option value=\"{}\"{chosen}>{}</option>", escaped(value), escaped(label)))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn form(field: Option<&'static str>) -> Form {
        let values = vec![("name".into(), "<b>\"x\"".into()), ("role".into(), "pai".into())];
        let (message, advice) = ("no <i>".into(), "Mend it.".into());
        let again = Some(Arc::new(Kept { form: "add", values, message, advice, field, files: false }));
        Form { id: "add", word: "w".into(), again }
    }

    #[test]
    fn what_was_typed_is_kept_and_stays_text() {
        let f = form(Some("name"));
        let html = f.field("name", "Name", "required").to_string();
        assert!(html.contains("value=\"&lt;b&gt;&quot;x&quot;\""), "{html}");
        assert!(html.contains("aria-invalid=\"true\" aria-describedby=\"said-add-name\" autofocus"), "{html}");
        assert!(html.contains("id=\"said-add-name\"") && html.contains("no &lt;i&gt;"), "{html}");
        assert!(!f.open("/x", "").to_string().contains("Mend it."), "told once");
        assert!(f.option("role", "pai", "PAI", false).to_string().contains(" selected"));
        assert!(!f.tick("lock", "Lock", true).to_string().contains("checked"), "a tick that was taken away stays so");
        assert!(!f.secret("name", "Name", "").to_string().contains("value="));
    }

    #[test]
    fn what_is_about_no_field_stands_above() {
        let f = form(None);
        assert!(f.open("/x", "").to_string().contains("role=\"alert\" tabindex=\"-1\" autofocus"));
        assert!(!f.field("name", "Name", "").to_string().contains("aria-invalid"));
    }
}
