//! Signed notes and checkpoints, in the open text form of the transparency-log community (C2SP `signed-note` and
//! `tlog-checkpoint`, version 1, from memory), so that any witness can read and countersign them.
//!
//! A checkpoint is three lines (the log's name, its size, the base 64 of its root hash), perhaps more lines, an empty
//! line, and a signature a line: `— NAME BASE64`. What is signed are the lines before the empty one.

use std::fmt;

use aws_lc_rs::digest::{Context, SHA256};
use aws_lc_rs::signature::{ED25519, UnparsedPublicKey};
use base64::Engine as _;
use base64::engine::general_purpose::STANDARD;
use book::Head;
use custody::NoteKey;

/// Octets of a note, at most: a checkpoint with a hundred cosignatures has a quarter of this.
pub const LARGEST: usize = 64 << 10;

/// Ed25519 over the text.
const PLAIN: u8 = 0x01;
/// Ed25519 by a witness over the text and the time (C2SP `tlog-cosignature`).
const COSIGNATURE: u8 = 0x04;

/// Why a text is no note or no key.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{0}")]
pub struct NoteError(&'static str);

/// What a log had come to.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Checkpoint {
    pub origin: String,
    pub head: Head,
}

impl fmt::Display for Checkpoint {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}\n{}\n{}\n", self.origin, self.head.size, STANDARD.encode(self.head.root))
    }
}

impl Checkpoint {
    /// Reads the text of a note; lines after the third are not looked at.
    ///
    /// # Errors
    ///
    /// [`NoteError`] where it is no checkpoint.
    pub fn read(text: &str) -> Result<Self, NoteError> {
        let mut lines = text.lines();
        let mut line = || lines.next().ok_or(NoteError("it has fewer than three lines"));
        let (origin, size, root) = (line()?, line()?, line()?);
        let plain = size == "0" || (!size.starts_with('0') && size.bytes().all(|b| b.is_ascii_digit()));
        let size = size.parse().ok().filter(|_| plain).ok_or(NoteError("its second line is no size"))?;
        let root = STANDARD.decode(root).ok().and_then(|octets| octets.try_into().ok());
        let head = Head { size, root: root.ok_or(NoteError("its third line is no hash of 32 bytes"))? };
        if origin.is_empty() {
            return Err(NoteError("it names no log"));
        }
        Ok(Self { origin: origin.to_owned(), head })
    }
}

/// A signature under a note.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Signature {
    /// Name of the key.
    pub name: String,
    /// The first octets of the key's hash.
    id: [u8; 4],
    octets: Vec<u8>,
}

impl Signature {
    /// Reads a line: `— NAME BASE64`.
    ///
    /// # Errors
    ///
    /// [`NoteError`] where it is none.
    pub fn read(line: &str) -> Result<Self, NoteError> {
        let none = NoteError("a line after the empty one is no signature");
        let (name, text) = line.strip_prefix("— ").and_then(|rest| rest.split_once(' ')).ok_or(none.clone())?;
        let octets = STANDARD.decode(text).map_err(|_| none.clone())?;
        let (id, octets) = octets.split_first_chunk().ok_or(none.clone())?;
        if !is_name(name) || octets.is_empty() {
            return Err(none);
        }
        Ok(Self { name: name.to_owned(), id: *id, octets: octets.to_vec() })
    }
}

impl fmt::Display for Signature {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "— {} {}", self.name, STANDARD.encode([&self.id[..], &self.octets].concat()))
    }
}

/// A text and who signed it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Note {
    /// What is signed, its last line end included.
    pub text: String,
    /// The signatures, none of them checked.
    pub signatures: Vec<Signature>,
}

impl fmt::Display for Note {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        writeln!(f, "{}", self.text)?;
        self.signatures.iter().try_for_each(|signature| writeln!(f, "{signature}"))
    }
}

impl Note {
    /// Reads a note. One that nobody signed has an empty line at its end.
    ///
    /// # Errors
    ///
    /// [`NoteError`] where it is none.
    pub fn read(octets: &[u8]) -> Result<Self, NoteError> {
        if octets.len() > LARGEST {
            return Err(NoteError("it is too long"));
        }
        let text = std::str::from_utf8(octets).map_err(|_| NoteError("it is not UTF-8"))?;
        if text.chars().any(|c| c.is_control() && c != '\n') {
            return Err(NoteError("it holds control characters"));
        }
        let at = text.rfind("\n\n").ok_or(NoteError("it has no empty line before its signatures"))?;
        let (text, signatures) = (&text[..=at], &text[at + 2..]);
        if !signatures.is_empty() && !signatures.ends_with('\n') {
            return Err(NoteError("it is cut off"));
        }
        let signatures = signatures.lines().map(Signature::read).collect::<Result<_, _>>()?;
        Ok(Self { text: text.to_owned(), signatures })
    }
}

fn is_name(name: &str) -> bool {
    !name.is_empty() && !name.contains(|c: char| c.is_whitespace() || c == '+')
}

/// The first four octets of SHA-256 over the name, a line end, the kind and the key.
fn key_id(name: &str, kind: u8, key: &[u8; 32]) -> [u8; 4] {
    let mut hash = Context::new(&SHA256);
    for part in [name.as_bytes(), &[b'\n', kind], key] {
        hash.update(part);
    }
    let mut id = [0; 4];
    id.copy_from_slice(&hash.finish().as_ref()[..4]);
    id
}

/// Who signs: `NAME+ID+BASE64`, as those who check are given it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Verifier {
    /// Name of the key.
    pub name: String,
    kind: u8,
    key: [u8; 32],
}

impl fmt::Display for Verifier {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let octets = [&[self.kind][..], &self.key].concat();
        write!(f, "{}+{}+{}", self.name, hex::encode(self.id()), STANDARD.encode(octets))
    }
}

impl Verifier {
    /// Of a log.
    pub fn of_log(name: &str, key: [u8; 32]) -> Self {
        Self { name: name.to_owned(), kind: PLAIN, key }
    }

    /// Reads what [`Self`] is written as.
    ///
    /// # Errors
    ///
    /// [`NoteError`] where it is none, or of a kind that is not known here.
    pub fn read(text: &str) -> Result<Self, NoteError> {
        let none = || NoteError("it is no key in the form NAME+ID+KEY");
        let mut parts = text.trim().splitn(3, '+');
        let (name, id, key) =
            (parts.next().ok_or_else(none)?, parts.next().ok_or_else(none)?, parts.next().ok_or_else(none)?);
        let octets = STANDARD.decode(key).map_err(|_| none())?;
        let (kind, key) = octets.split_first().ok_or_else(none)?;
        let key = <[u8; 32]>::try_from(key).map_err(|_| NoteError("it is no Ed25519 key"))?;
        if !matches!(*kind, PLAIN | COSIGNATURE) {
            return Err(NoteError("it is a key of a kind that is not known here"));
        }
        let read = Self { name: name.to_owned(), kind: *kind, key };
        if !is_name(name) || hex::encode(read.id()) != id {
            return Err(NoteError("its parts do not belong together"));
        }
        Ok(read)
    }

    fn id(&self) -> [u8; 4] {
        key_id(&self.name, self.kind, &self.key)
    }

    fn verifies_octets(&self, octets: &[u8], signature: &[u8]) -> bool {
        UnparsedPublicKey::new(&ED25519, self.key).verify(octets, signature).is_ok()
    }

    /// The signature of this key under a note, where it is good; for a witness's, when it was made (Unix seconds).
    pub fn verifies(&self, note: &Note) -> Option<Option<u64>> {
        let mine = |s: &&Signature| s.name == self.name && s.id == self.id();
        note.signatures.iter().filter(mine).find_map(|signature| {
            if self.kind == PLAIN {
                return self.verifies_octets(note.text.as_bytes(), &signature.octets).then_some(None);
            }
            let (time, octets) = signature.octets.split_first_chunk()?;
            let time = u64::from_be_bytes(*time);
            let text = format!("cosignature/v1\ntime {time}\n{}", note.text);
            self.verifies_octets(text.as_bytes(), octets).then_some(Some(time))
        })
    }
}

/// Signs a checkpoint by the name of its log.
pub fn sign(checkpoint: &Checkpoint, key: &NoteKey) -> Note {
    let text = checkpoint.to_string();
    let id = key_id(&checkpoint.origin, PLAIN, &key.public());
    let octets = key.sign(text.as_bytes()).to_vec();
    let signature = Signature { name: checkpoint.origin.clone(), id, octets };
    Note { text, signatures: vec![signature] }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The example of the Go project's package for notes (golang.org/x/mod/sumdb/note, from memory): key, text and
    /// signature by another hand.
    #[test]
    fn a_published_note_verifies() {
        let key = "PeterNeumann+c74f20a3+ARpc2QcUPDhMQegwxbzhKqiBfsVkmqq/LDE4izWy10TW";
        let note = "If you think cryptography is the answer to your problem,\n\
                    then you don't know what your problem is.\n\n\
                    — PeterNeumann x08go/ZJkuBS9UG/SffcvIAQxVBtiFupLLr8pAcElZInNIuGUgYN1FFYC2pZSNXgKvqfqdngotpRZb6KE6RyyBwJnAM=\n";
        let verifier = Verifier::read(key).expect("a key");
        let read = Note::read(note.as_bytes()).expect("a note");
        assert_eq!((verifier.to_string().as_str(), read.to_string().as_str()), (key, note));
        assert_eq!(verifier.verifies(&read), Some(None));
        let altered = Note { text: read.text.replace("your problem", "my problem"), ..read };
        assert_eq!(verifier.verifies(&altered), None);
        assert!(Verifier::read(&key.replace("c74f", "c74e")).is_err());
    }

    #[test]
    fn what_is_no_checkpoint_is_said() {
        let root = STANDARD.encode([7; 32]);
        let good = format!("log\n12\n{root}\nmore\n");
        let read = Checkpoint::read(&good).expect("a checkpoint");
        assert_eq!((read.head.size, read.to_string()), (12, format!("log\n12\n{root}\n")));
        for bad in [
            "log\n12\n".to_owned(),
            format!("log\n012\n{root}\n"),
            format!("log\n-1\n{root}\n"),
            "log\n1\nAA==\n".into(),
        ] {
            assert!(Checkpoint::read(&bad).is_err(), "{bad}");
        }
        for bad in ["", "text\n", "text\n\n— a", "text\n\n- a AAAAAAA=\n", "text\n\n— a b AAAAAAA=\n", "te\rxt\n\n"]
        {
            assert!(Note::read(bad.as_bytes()).is_err(), "{bad:?}");
        }
        assert_eq!(Note::read(b"text\n\n").expect("unsigned").signatures, []);
    }
}
