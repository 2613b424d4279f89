//! Passphrases: where they may come from, and what they may be.
//!
//! A passphrase is taken octet for octet, as UTF-8: `é` as one character and
//! as `e` with an accent are different, as they are to every other tool that
//! opens the same file.

use std::fmt;
use std::fs::File;
use std::io::{self, Read};
use std::path::Path;

use zeroize::Zeroizing;

use crate::PassphraseError;

/// A passphrase. Wiped when dropped; `Debug` shows a placeholder.
#[derive(Clone)]
pub struct Passphrase(Zeroizing<String>);

/// A passphrase from a file, and what is odd about that file.
#[derive(Debug)]
pub struct ReadPassphrase {
    pub passphrase: Passphrase,
    /// A sentence for the user, where others may read the file.
    pub warning: Option<String>,
}

impl Passphrase {
    /// The most octets.
    pub const LONGEST: usize = 1024;

    /// Takes a passphrase as typed.
    ///
    /// # Errors
    ///
    /// [`PassphraseError`] where it is empty, longer than [`Self::LONGEST`]
    /// octets or holds a control character.
    pub fn new(text: impl Into<Zeroizing<String>>) -> Result<Self, PassphraseError> {
        let text = text.into();
        if text.is_empty() {
            Err(PassphraseError::Empty)
        } else if text.len() > Self::LONGEST {
            Err(PassphraseError::TooLong(Self::LONGEST))
        } else if text.chars().any(char::is_control) {
            Err(PassphraseError::Control)
        } else {
            Ok(Self(text))
        }
    }

    /// Fewer characters than NIST SP 800-63B-4 asks of any secret that people remember.
    pub fn is_short(&self) -> bool {
        self.0.chars().count() < 8
    }

    /// Reads the one line of a file; its line ending is no part of it.
    ///
    /// A named pipe or `/dev/fd/N` serves as well as a file.
    ///
    /// # Errors
    ///
    /// [`PassphraseError::File`] where it can't be read, else as [`Self::new`].
    pub fn from_file(path: &Path) -> Result<ReadPassphrase, PassphraseError> {
        let failed = |source| PassphraseError::File { path: path.to_owned(), source };
        let file = File::open(path).map_err(failed)?;
        let warning = others_may_read(&file).map_err(failed)?.map(|mode| {
            format!(
                "Other users of this machine may read the passphrase file {} (mode {mode:04o}). Run `chmod 600` on it.",
                path.display()
            )
        });
        // One octet past the longest passphrase with its line ending tells that there is more.
        let mut octets = Zeroizing::new(Vec::with_capacity(Self::LONGEST + 3));
        file.take(Self::LONGEST as u64 + 3).read_to_end(&mut octets).map_err(failed)?;
        let text = std::str::from_utf8(&octets).map_err(|_| PassphraseError::NotText)?;
        let text = text.strip_suffix('\n').map_or(text, |line| line.strip_suffix('\r').unwrap_or(line));
        Ok(ReadPassphrase { passphrase: Self::new(Zeroizing::new(text.to_owned()))?, warning })
    }

    /// As a PIN is handed to a token.
    pub(crate) fn text(&self) -> &str {
        &self.0
    }

    /// The octets that a key is derived from.
    pub(crate) fn octets(&self) -> &[u8] {
        self.0.as_bytes()
    }
}

impl fmt::Debug for Passphrase {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("Passphrase(hidden)")
    }
}

/// Permission bits of a regular file whose group or others may read it.
#[cfg(unix)]
fn others_may_read(file: &File) -> io::Result<Option<u32>> {
    use std::os::unix::fs::MetadataExt;
    let about = file.metadata()?;
    Ok((about.is_file() && about.mode() & 0o044 != 0).then_some(about.mode() & 0o7777))
}

#[cfg(not(unix))]
fn others_may_read(_: &File) -> io::Result<Option<u32>> {
    Ok(None)
}

/// Asks a person with the words given and returns what was typed, unseen.
pub type Ask<'a> = dyn FnMut(&str) -> io::Result<Zeroizing<String>> + 'a;

/// Where a passphrase comes from, in this order: a file that was named, the
/// environment, a person. The binary fills it in; it decides nothing.
pub struct ChoosePassphrase<'a> {
    /// Of `--passphrase-file`.
    pub file: Option<&'a Path>,
    /// Of `TOUCHMARK_PASSPHRASE`, unset or not.
    pub environment: Option<Zeroizing<String>>,
    /// Asks a person with the words given; `None` where standard input is no terminal.
    pub ask: Option<&'a mut Ask<'a>>,
}

impl ChoosePassphrase<'_> {
    /// The passphrase `purpose` needs, as "to open keys/pai.key".
    ///
    /// `fresh`: it is being chosen now, so a person is asked twice.
    ///
    /// # Errors
    ///
    /// [`PassphraseError::NoneGiven`] where there is no source at all; that a
    /// source which was named fails is an error too, and the next one is not tried.
    pub fn obtain(self, purpose: &str, fresh: bool) -> Result<ReadPassphrase, PassphraseError> {
        let plain = |passphrase| ReadPassphrase { passphrase, warning: None };
        if let Some(path) = self.file {
            return Passphrase::from_file(path);
        }
        if let Some(text) = self.environment {
            return Passphrase::new(text).map(plain);
        }
        let Some(ask) = self.ask else {
            return Err(PassphraseError::NoneGiven { purpose: purpose.to_owned() });
        };
        let passphrase = Passphrase::new(ask(&format!("Passphrase {purpose}: ")).map_err(PassphraseError::Prompt)?)?;
        if fresh && *ask("The same again: ").map_err(PassphraseError::Prompt)? != *passphrase.0 {
            return Err(PassphraseError::Differ);
        }
        Ok(plain(passphrase))
    }
}

impl fmt::Debug for ChoosePassphrase<'_> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("ChoosePassphrase")
            .field("file", &self.file)
            .field("environment", &self.environment.is_some())
            .field("ask", &self.ask.is_some())
            .finish()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn file(content: &[u8]) -> tempfile::NamedTempFile {
        let file = tempfile::NamedTempFile::new().unwrap();
        std::fs::write(file.path(), content).unwrap();
        file
    }

    #[test]
    fn one_line_without_its_ending() {
        let long = "x".repeat(Passphrase::LONGEST);
        for (name, content, expected) in [
            ("no ending", "stamp", "stamp"),
            ("LF", "stamp\n", "stamp"),
            ("CRLF", "stamp\r\n", "stamp"),
            ("blanks belong to it", "  stamp  \n", "  stamp  "),
            ("letters of any script", "Schlüssel 鍵 🗝\n", "Schlüssel 鍵 🗝"),
            ("the longest", &format!("{long}\r\n"), &*long),
        ] {
            let read = Passphrase::from_file(file(content.as_bytes()).path()).unwrap();
            assert_eq!(&**read.passphrase.0, expected, "{name}");
            assert!(read.warning.is_none(), "{name}");
        }
        let too_long = format!("{long}x\n");
        for (name, content) in [
            ("empty", &b""[..]),
            ("only a line ending", b"\n"),
            ("two lines", b"one\ntwo\n"),
            ("two line endings", b"one\n\n"),
            ("a lone CR", b"one\r"),
            ("NUL", b"one\0two"),
            ("not UTF-8", b"\xff\xfe"),
            ("too long", too_long.as_bytes()),
        ] {
            assert!(Passphrase::from_file(file(content).path()).is_err(), "{name}");
        }
    }

    #[cfg(unix)]
    #[test]
    fn a_file_open_to_others_is_told_of() {
        use std::os::unix::fs::PermissionsExt;
        let file = file(b"stamp\n");
        for (mode, warned) in [(0o600, false), (0o400, false), (0o640, true), (0o604, true)] {
            std::fs::set_permissions(file.path(), std::fs::Permissions::from_mode(mode)).unwrap();
            let read = Passphrase::from_file(file.path()).unwrap();
            assert_eq!(read.warning.is_some(), warned, "{mode:o}");
        }
    }

    #[test]
    fn nothing_shows_it() {
        let secret = "Quarry-Lane-42";
        let passphrase = Passphrase::new(secret.to_owned()).unwrap();
        let chosen = ChoosePassphrase { file: None, environment: Some(Zeroizing::new(secret.to_owned())), ask: None };
        assert!(!format!("{passphrase:?} {chosen:?}").contains("Quarry"));
        let refused = Passphrase::new(format!("{secret}\n")).unwrap_err();
        assert!(!format!("{refused:?} {refused}").contains("Quarry"));
    }

    #[test]
    fn the_first_source_that_is_there_counts() {
        let named = file(b"from the file\n");
        let mut asked = Vec::new();
        let mut answers = vec!["typed", "typed", "typed", "mistyped"].into_iter();
        let mut ask = |words: &str| {
            asked.push(words.to_owned());
            Ok(Zeroizing::new(answers.next().unwrap().to_owned()))
        };
        let env = || Some(Zeroizing::new("from the environment".to_owned()));
        let open = "to open pai.key";

        let all = ChoosePassphrase { file: Some(named.path()), environment: env(), ask: Some(&mut ask) };
        assert_eq!(&**all.obtain(open, false).unwrap().passphrase.0, "from the file");
        let two = ChoosePassphrase { file: None, environment: env(), ask: Some(&mut ask) };
        assert_eq!(&**two.obtain(open, true).unwrap().passphrase.0, "from the environment");
        let one = ChoosePassphrase { file: None, environment: None, ask: Some(&mut ask) };
        assert_eq!(&**one.obtain(open, true).unwrap().passphrase.0, "typed");
        let twice = ChoosePassphrase { file: None, environment: None, ask: Some(&mut ask) };
        assert!(matches!(twice.obtain(open, true), Err(PassphraseError::Differ)));
        assert_eq!(asked[0], "Passphrase to open pai.key: ");
        assert_eq!(asked.len(), 4);

        let nobody = ChoosePassphrase { file: None, environment: None, ask: None };
        assert!(matches!(nobody.obtain(open, false), Err(PassphraseError::NoneGiven { .. })));
        // An empty variable is a mistake to be told, not a reason to ask.
        let empty = ChoosePassphrase { file: None, environment: Some(Zeroizing::default()), ask: None };
        assert!(matches!(empty.obtain(open, false), Err(PassphraseError::Empty)));
    }
}
