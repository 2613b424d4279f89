//! Witnesses: others who keep the last checkpoint of a log and countersign each that goes on from it, over HTTP
//! (C2SP `tlog-witness`, from memory).
//!
//! A witness is first told of a log of no entries. It answers with the size that it has, and is then sent the
//! checkpoint with the proof (RFC 9162 §2.1.4) that the log only grew since. One that has more entries than the book,
//! or that finds another beginning, shows that the book went back in time.

use base::http;
use base::times::time_text;
use base64::Engine as _;
use base64::engine::general_purpose::STANDARD;
use book::{Head, Mark, Older};
use serde::Serialize;

use super::note::{LARGEST, Note, Signature, Verifier};
use crate::{Site, WitnessSettings};

/// What a witness said.
#[derive(Debug, Clone, Serialize)]
pub struct Witnessed {
    pub witness: String,
    /// Entries that it has countersigned.
    pub entries: Option<u64>,
    pub at: Option<String>,
    /// Why it did not.
    pub trouble: Option<String>,
}

enum Answer {
    Signed(String),
    /// It has a checkpoint of this size.
    Has(u64),
    /// What it has is not the beginning of what it was sent.
    Differs,
}

fn ask(agent: &ureq::Agent, url: &str, old: u64, proof: &[[u8; 32]], note: &Note) -> Result<Answer, String> {
    let hashes: String = proof.iter().map(|hash| format!("{}\n", STANDARD.encode(hash))).collect();
    let answer = agent.post(url).send(format!("old {old}\n{hashes}\n{note}")).map_err(|e| e.to_string())?;
    let status = answer.status().as_u16();
    let body = answer.into_body().with_config().limit(LARGEST as u64).read_to_string().map_err(|e| e.to_string())?;
    match status {
        200 => Ok(Answer::Signed(body)),
        409 => body.trim().parse().map(Answer::Has).map_err(|_| "its answer names no size".to_owned()),
        422 => Ok(Answer::Differs),
        403 => Err("it does not know the key of this log".into()),
        404 => Err("it does not know this log".into()),
        status => Err(format!("it answered {status}")),
    }
}

/// The witness's cosignature of the checkpoint, and when it was made; refuses the book's writers where the witness
/// knows more of it.
fn cosigned(site: &Site, settings: &WitnessSettings, mark: &Mark, note: &Note) -> Result<(Signature, u64), String> {
    let verifier = Verifier::read(&settings.key).map_err(|e| format!("checkpoint.witness.key: {e}"))?;
    let agent = http::agent(&settings.url, settings.certificates.as_deref(), &site.dir)?;
    let url = format!("{}/add-checkpoint", settings.url.trim_end_matches('/'));
    let older = |size: u64, root| {
        let mark = Mark { life: mark.life, head: Head { size, root } };
        site.book.is_older(Older { entries: note_size(note), life: mark.life, mark });
    };
    let mut answer = ask(&agent, &url, 0, &[], note)?;
    if let Answer::Has(size) = answer {
        if size > mark.head.size {
            older(size, [0; 32]);
            return Err(format!("it has countersigned {size} entries, and the book has {}", mark.head.size));
        }
        let proof = site.book.consistency(size, Some(mark.head.size)).map_err(|e| e.to_string())?;
        answer = ask(&agent, &url, size, &proof.path, note)?;
    }
    let Answer::Signed(lines) = answer else {
        if matches!(answer, Answer::Differs) {
            older(mark.head.size, mark.head.root);
            return Err("the entries that it countersigned are not the beginning of the book".into());
        }
        return Err("another process sent it a checkpoint at the same time".into());
    };
    let read = lines.lines().map(Signature::read).collect::<Result<Vec<_>, _>>().map_err(|e| e.to_string())?;
    let signed = Note { text: note.text.clone(), signatures: read };
    let at = verifier.verifies(&signed).flatten().ok_or("its signature is not the one of its key")?;
    let own = signed.signatures.into_iter().find(|s| s.name == verifier.name).ok_or("it signed nothing")?;
    Ok((own, at))
}

fn note_size(note: &Note) -> u64 {
    super::note::Checkpoint::read(&note.text).map_or(0, |checkpoint| checkpoint.head.size)
}

/// Has each witness countersign the checkpoint of the book as it is now; the note with all that they signed.
pub(super) fn ask_all(site: &Site, mark: &Mark, mut note: Note) -> (Vec<Witnessed>, Note) {
    let plain = note.clone();
    let mut all = Vec::new();
    for settings in &site.settings.checkpoint.witness {
        let mut said = Witnessed { witness: settings.url.clone(), entries: None, at: None, trouble: None };
        match cosigned(site, settings, mark, &plain) {
            Ok((signature, at)) => {
                note.signatures.push(signature);
                let at = i64::try_from(at).ok().and_then(|at| time::OffsetDateTime::from_unix_timestamp(at).ok());
                (said.entries, said.at) = (Some(mark.head.size), at.map(time_text));
            }
            Err(trouble) => said.trouble = Some(trouble),
        }
        all.push(said);
    }
    (all, note)
}
