//! Messages as sentences, for everybody who shows one.

/// The message with a capital letter first and a full stop at its end.
///
/// Errors are written without both, because they are also parts of longer messages. A first word that is an
/// identifier (`touchmark.toml`, `notBefore`, a path, a quoted value) stays as it is, and nothing is put straight
/// after a last word that people copy. A word with a verb straight after it may be the name of a file, whose
/// letters are not ours to change: `chips does not exist`.
pub fn sentence(message: &str) -> String {
    let mut words = message.split(' ');
    let (word, second) = (words.next().unwrap_or_default(), words.next().unwrap_or_default());
    let plain = |word: &str| !word.is_empty() && word.chars().all(|c| c.is_ascii_lowercase() || "'-,;".contains(c));
    let may_be_a_name = VERBS.contains(&second) && !PRONOUNS.contains(&word);
    let mut out = String::with_capacity(message.len() + 1);
    let mut letters = message.chars();
    match letters.next() {
        Some(first) if word.len() < message.len() && plain(word) && !may_be_a_name => {
            out.push(first.to_ascii_uppercase())
        }
        Some(first) => out.push(first),
        None => {}
    }
    out.push_str(letters.as_str());
    let last = message.rsplit(' ').next().unwrap_or_default();
    if last.len() < message.len() && (plain(last) || last.ends_with(')')) {
        out.push('.');
    }
    out
}

/// What stands straight after a name at the beginning of a message.
const VERBS: &[&str] = &["already", "can't", "contains", "does", "has", "holds", "is", "was"];
/// Words before those that are no name.
const PRONOUNS: &[&str] = &["it", "that", "there", "this"];

/// Names in a list of many; the others are counted.
const NAMED: usize = 10;

/// The first few names, and how many there are.
#[derive(Default)]
pub struct Names {
    first: Vec<String>,
    pub count: usize,
}

impl Names {
    pub fn add(&mut self, name: String) {
        self.count += 1;
        if self.first.len() < NAMED {
            self.first.push(name);
        }
    }
}

impl<'a> FromIterator<&'a String> for Names {
    fn from_iter<I: IntoIterator<Item = &'a String>>(names: I) -> Self {
        let mut all = Self::default();
        names.into_iter().for_each(|name| all.add(name.clone()));
        all
    }
}

impl std::fmt::Display for Names {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(&self.first.join(", "))?;
        match self.count - self.first.len() {
            0 => Ok(()),
            more => write!(f, " and {more} more"),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::sentence;

    #[test]
    fn words_become_sentences_and_identifiers_stay() {
        for (message, wanted) in [
            ("reel A is not in the book", "Reel A is not in the book."),
            ("the chip's key is missing", "The chip's key is missing."),
            ("the file is readable by others (mode 0644)", "The file is readable by others (mode 0644)."),
            ("It is whole already.", "It is whole already."),
            ("touchmark.toml: unknown key", "touchmark.toml: unknown key."),
            ("notBefore is after notAfter", "notBefore is after notAfter"),
            ("chip 514C is on reel A-2", "Chip 514C is on reel A-2"),
            ("/tmp/x can't be read: permission denied", "/tmp/x can't be read: permission denied."),
            ("\"x y\" is not a time", "\"x y\" is not a time."),
            ("cancelled; nothing was stored", "Cancelled; nothing was stored."),
            ("chips does not exist", "chips does not exist."),
            ("there is no product Vent", "There is no product Vent"),
            ("works", "works"),
            ("", ""),
        ] {
            assert_eq!(sentence(message), wanted, "{message}");
        }
    }
}
