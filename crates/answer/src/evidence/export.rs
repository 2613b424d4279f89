//! Making a pack.

use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::io::{self, Seek, Write};
use std::path::{Path, PathBuf};

use base::course::{Course, Phase, Stopped};
use base::files::{Pending, Readers};
use base::times::time_text;
use base::trouble::Trouble;
use book::ids::{Sequence, UnitSerial};
use book::{ChipStory, Purpose, Subject, UnitStory};
use custody::Passphrase;
use line::chosen::Which;
use line::unit;
use serde::Serialize;
use serde_json::json;
use site::head::HeadFile;
use site::{Site, Who, head};
use standard::certificate::Certificate;
use standard::key::Signer;

use super::pack::{self, Writer, seal, sha256};
use super::told::{EarlierHead, EntryTold, FORMAT, Log, Manifest, MeetingTold, ProofTold, RowsTold, text};
use super::{index, inner};

/// Earlier signed heads that a pack carries beside the first one.
const HEADS: u32 = 16;
/// Units a pack may hold: some 24 KiB each, so 7 GiB.
const MOST: usize = 300_000;

/// A pack that was made.
#[derive(Debug, Clone, Serialize)]
pub struct Exported {
    pub pack: String,
    /// The public key that it is checked with, PEM.
    pub key: String,
    pub units: u64,
    /// Those of them with a proof.
    pub proven: u64,
    /// Entries in the log that its head covers.
    pub entries: u64,
    pub root: String,
    /// Octets of the pack.
    pub octets: u64,
}

fn serials(site: &Site, which: &Which<'_>, course: &Course) -> Result<Vec<UnitSerial>, Trouble> {
    let mut out = Vec::new();
    which.each(site, None, course, &mut |unit| {
        if out.len() == MOST {
            return Err(Trouble::usage(
                format!("a pack holds at most {MOST} units"),
                "Make several: by reel with --reel, or by day with --from and --to.",
            ));
        }
        out.push(unit.serial);
        Ok(())
    })?;
    Ok(out)
}

struct Maker<'a> {
    site: &'a Site,
    /// Entries in the log that the head covers.
    size: u64,
    /// Entries and rows that units share.
    shared_entries: BTreeSet<i64>,
    shared_rows: BTreeSet<(&'static str, String)>,
    /// Certificates and declarations, each once, by the name of their file.
    octets: BTreeMap<String, Vec<u8>>,
    test: bool,
}

/// A pack's file that could not be written, or that nobody wants any more.
fn failed(path: &Path) -> impl Fn(io::Error) -> Trouble + '_ {
    move |e| match e.downcast::<Stopped>() {
        Ok(stopped) => no_pack(stopped),
        Err(e) => Trouble::file(path, e),
    }
}

/// It was stopped: the log says so, but there is no file.
fn no_pack(_: Stopped) -> Trouble {
    Trouble::surroundings(
        "cancelled; no pack was written",
        "Run it again at any time: it starts from the beginning. The log records that it was begun and cancelled.",
    )
}

fn told<T: Serialize>(value: &T) -> Result<Vec<u8>, Trouble> {
    text(value).map_err(|e| Trouble::surroundings(format!("the pack's JSON can't be written: {e}"), "Report this."))
}

impl Maker<'_> {
    fn entry(&self, sequence: i64) -> Result<Option<EntryTold>, Trouble> {
        let Some(proof) = self.site.book.inclusion(Sequence(sequence), Some(self.size))? else { return Ok(None) };
        Ok(Some(EntryTold { sequence, leaf: proof.entry.leaf, path: proof.path.iter().map(hex::encode).collect() }))
    }

    /// Rows with the entries that vouch for them. What was changed after the head was
    /// signed is left out: this head does not cover it.
    fn log(&self, mut sequences: BTreeSet<i64>, rows: &[(&str, String)]) -> Result<Log, Trouble> {
        let mut log = Log::default();
        for (table, key) in rows {
            let Some(vouched) = self.site.book.vouched(table, key)? else { continue };
            if u64::try_from(vouched.entry.0).is_ok_and(|entry| entry < self.size) {
                sequences.insert(vouched.entry.0);
                log.rows.push(RowsTold::of(&vouched));
            }
        }
        for sequence in sequences {
            log.entries.extend(self.entry(sequence)?);
        }
        Ok(log)
    }

    fn keep(&mut self, folder: &str, octets: &[u8]) -> String {
        let name = format!("{folder}/{}.der", sha256(octets));
        self.octets.entry(name.clone()).or_insert_with(|| octets.to_vec());
        name
    }

    /// What a unit shares with others: where chip and certificate came from.
    fn share(&mut self, story: &UnitStory) {
        let boards: Vec<_> = story.boards.iter().map(|board| &board.origin).collect();
        boards.into_iter().for_each(|origin| self.share_origin(origin));
        for attempt in &story.attempts {
            if let Some(name) = &attempt.attempt.declaration {
                self.shared_rows.insert(("declaration", name.to_string()));
            }
        }
    }

    fn share_origin(&mut self, origin: &ChipStory) {
        self.test |= origin.product.facts.purpose == Purpose::Test;
        let mut add = |table, key: &str, entry: i64| {
            self.shared_entries.insert(entry);
            self.shared_rows.insert((table, key.to_owned()));
        };
        add("product", origin.product.facts.name.as_str(), origin.product.entry.0);
        add("reel", origin.reel.facts.reel.as_str(), origin.reel.entry.0);
        // Where it was split off another; there is a row only then.
        add("reel_split", origin.reel.facts.reel.as_str(), origin.reel.entry.0);
        if let Some(delivery) = &origin.delivery {
            add("delivery", delivery.delivery.as_str(), delivery.entry.0);
        }
        for authority in &origin.authorities {
            // Its row names where its key is, which is nobody's business; its entry is enough.
            self.shared_entries.insert(authority.entry.0);
        }
        for authority in &origin.authorities {
            self.keep("certificates", &authority.facts.certificate);
        }
    }

    fn unit<W: Write + Seek>(
        &mut self,
        zip: &mut Writer<W>,
        serial: &UnitSerial,
        who: &Who,
        out: &Path,
    ) -> Result<index::Line, Trouble> {
        let story = unit::story(self.site, serial.as_str())?;
        let home = format!("units/{serial}");
        self.share(&story);
        let record = unit::shown(self.site, &story, None, who)?;
        zip.add(&format!("{home}/record.json"), &told(&record)?).map_err(failed(out))?;
        let mut rows = vec![("proof", serial.to_string())];
        for attempt in &story.attempts {
            let key = format!("{serial}/{}", attempt.attempt.number.0);
            rows.extend(attempt.facts.tables().into_iter().map(|table| (table, key.clone())));
            rows.extend([("attempt", key.clone()), ("step", key)]);
        }
        rows.extend((1..=story.labels.len()).map(|number| ("label", format!("{serial}/{number}"))));
        rows.extend((1..=story.renewals.len()).map(|number| ("renewal", format!("{serial}/{number}"))));
        rows.extend((1..=story.meetings.len()).map(|number| ("meeting", format!("{serial}/{number}"))));
        if let Some(packed) = &story.packed {
            rows.extend([("packed", serial.to_string()), ("carton", packed.carton.to_string())]);
        }
        for board in &story.boards {
            rows.push(("chip", board.origin.chip.chip_id.to_string()));
            if let Some(c) = &board.origin.credential {
                rows.push(("credential", format!("{}/{}", hex::encode(&c.issuer_key_id), hex::encode(&c.serial))));
            }
            for proof in &board.proofs {
                rows.push(("later_proof", format!("{serial}/{}", proof.attempt.0)));
                if board.origin.chip.chip_id != story.unit.chip_id {
                    self.keep("certificates", &proof.facts.dac);
                }
            }
        }
        let log = self.log(story.entries.iter().map(|e| e.sequence.0).collect(), &rows)?;
        zip.add(&format!("{home}/log.json"), &told(&log)?).map_err(failed(out))?;
        for met in &story.meetings {
            let (Some(exchange), Some(dac), Some(pai)) = (&met.exchange, &met.dac, &met.pai) else { continue };
            let file = MeetingTold {
                unit: serial.to_string(),
                meeting: met.number,
                verdict: met.verdict,
                nonce: hex::encode(exchange.nonce),
                challenge: hex::encode(&exchange.challenge),
                elements: hex::encode(&exchange.elements),
                signature: hex::encode(&exchange.signature),
                at: time_text(met.met),
                dac: self.keep("certificates", dac),
                pai: self.keep("certificates", pai),
            };
            zip.add(&format!("{home}/meeting-{}.json", met.number), &told(&file)?).map_err(failed(out))?;
        }
        if let Some(proof) = &story.proof {
            let facts = &proof.facts;
            let paa = root_of(&story, &facts.pai);
            let file = ProofTold {
                unit: serial.to_string(),
                chip_id: story.unit.chip_id.to_string(),
                nonce: hex::encode(facts.nonce),
                challenge: hex::encode(&facts.challenge),
                elements: hex::encode(&facts.elements),
                signature: hex::encode(&facts.signature),
                at: time_text(facts.at),
                pai: self.keep("certificates", &facts.pai),
                paa: paa.map(|der| self.keep("certificates", &der)),
                declaration: facts.declaration.as_ref().map(|der| self.keep("declarations", der)),
            };
            zip.add(&format!("{home}/dac.der"), &facts.dac).map_err(failed(out))?;
            zip.add(&format!("{home}/proof.json"), &told(&file)?).map_err(failed(out))?;
        }
        Ok(index::Line {
            unit: serial.to_string(),
            state: story.unit.state.word(),
            revoked: record.revoked.clone(),
            check_failed: record.is_check_failed(),
            product: story.origin.product.facts.name.to_string(),
            chip_id: story.unit.chip_id.to_string(),
            earlier: story
                .boards
                .iter()
                .map(|board| board.origin.chip.chip_id.to_string())
                .filter(|chip| *chip != story.unit.chip_id.as_str())
                .collect(),
            proven: story.proof.as_ref().map(|p| time_text(p.facts.at)),
        })
    }
}

/// The root that issued a PAI as read back, among the authorities of the unit's credential.
fn root_of(story: &UnitStory, pai: &[u8]) -> Option<Vec<u8>> {
    let pai = Certificate::read(pai).ok()?;
    let found = story.origin.authorities.iter().find(|a| {
        a.facts.role == book::Role::Paa && pai.authority_key_id() == Some(a.facts.subject_key_id.as_slice())
    })?;
    Some(found.facts.certificate.clone())
}

fn earlier(site: &Site, head: &HeadFile) -> Result<Vec<EarlierHead>, Trouble> {
    let mut heads = site.book.signed_heads(HEADS + 1)?;
    heads.extend(site.book.first_signed_head()?);
    heads.retain(|h| h.head.size < head.entries);
    heads.sort_by_key(|h| (h.head.size, h.at));
    heads.dedup_by_key(|h| h.head.size);
    let mut out = Vec::with_capacity(heads.len());
    for signed in &heads {
        let proof = site.book.consistency(signed.head.size, Some(head.entries))?;
        out.push(EarlierHead { head: HeadFile::of(signed), path: proof.path.iter().map(hex::encode).collect() });
    }
    Ok(out)
}

fn key_file(pack: &Path) -> PathBuf {
    let stem = pack.file_stem().map_or_else(|| "pack".into(), |s| s.to_string_lossy().into_owned());
    pack.with_file_name(format!("{stem}-key.pem"))
}

/// Makes a pack and the key's file beside it, whole or not at all. That it was made
/// is an entry, which its own head covers; so is that nothing came of it.
///
/// Passcodes and what they could be found from (verifiers, salts) are never in it.
///
/// - `course`: counts units; it can be stopped until the pack takes its name.
///
/// # Errors
///
/// [`Trouble`] where a unit is not there, the site key does not open, or it was
/// stopped; a file that is there already is not touched.
pub fn export(
    site: &Site,
    which: &Which<'_>,
    out: &Path,
    passphrase: Option<&Passphrase>,
    who: &Who,
    course: &Course,
) -> Result<Exported, Trouble> {
    let key_file = key_file(out);
    let pem = head::public_pem(site, passphrase, who)?;
    let key_there = fs::read_to_string(&key_file).ok();
    if out.exists() {
        return Err(Trouble::file(out, io::ErrorKind::AlreadyExists.into()));
    }
    if key_there.as_ref().is_some_and(|there| *there != pem) {
        return Err(Trouble::file(&key_file, io::ErrorKind::AlreadyExists.into()));
    }
    let serials = serials(site, which, course)?;
    if serials.is_empty() {
        return Err(Trouble::usage(
            "there is no unit to export evidence of",
            "List the units with `touchmark unit list`.",
        ));
    }
    let signer = head::signer(site, passphrase, who)?;
    let name = out.file_name().map_or_else(String::new, |n| n.to_string_lossy().into_owned());
    let subject = Subject::Other("evidence", name);
    let body = json!({ "units": serials.len(), "what": which.words() });
    site.book.note("evidence.export", &subject, &body, &who.by())?;
    let made = (|| -> Result<_, Trouble> {
        let head = head::sign(site, passphrase, who)?;
        let key = key_there.is_none().then_some((key_file.as_path(), pem.as_str()));
        let (proven, octets) = fill(site, which, &serials, (out, key), (&head, &signer), who, course)?;
        Ok((proven, octets, head))
    })();
    let (proven, octets, head) = match made {
        Ok(made) => made,
        Err(trouble) => {
            // The entry above can't be taken back, so another one says what became of it. Should the book
            // be what failed, that is told already.
            let _ = site.book.note("evidence.abandon", &subject, &json!({ "why": trouble.to_string() }), &who.by());
            return Err(trouble);
        }
    };
    Ok(Exported {
        pack: out.display().to_string(),
        key: key_file.display().to_string(),
        units: serials.len() as u64,
        proven,
        entries: head.entries,
        root: head.root,
        octets,
    })
}

/// Fills a pack and puts it in its place: how many units are proven, and its octets.
///
/// - `out`: where the pack goes, and the key's file with what it holds, where that is to be written too.
fn fill(
    site: &Site,
    which: &Which<'_>,
    serials: &[UnitSerial],
    (out, key): (&Path, Option<(&Path, &str)>),
    (head, signer): (&HeadFile, &dyn Signer),
    who: &Who,
    course: &Course,
) -> Result<(u64, u64), Trouble> {
    let dir = out.parent().filter(|d| !d.as_os_str().is_empty()).unwrap_or(Path::new("."));
    let mut zip = Writer::new(pack::unnamed(dir).map_err(failed(out))?);
    let mut maker = Maker {
        site,
        size: head.entries,
        shared_entries: BTreeSet::new(),
        shared_rows: BTreeSet::new(),
        octets: BTreeMap::new(),
        test: false,
    };
    zip.add("head.json", &told(head)?).map_err(failed(out))?;
    zip.add("heads.json", &told(&earlier(site, head)?)?).map_err(failed(out))?;
    course.phase(Phase::Packing, Some(serials.len() as u64));
    let mut lines = Vec::with_capacity(serials.len());
    for serial in serials {
        course.go_on().map_err(no_pack)?;
        lines.push(maker.unit(&mut zip, serial, who, out)?);
        course.advance(1);
    }
    let rows: Vec<(&str, String)> = std::mem::take(&mut maker.shared_rows).into_iter().collect();
    let shared = std::mem::take(&mut maker.shared_entries);
    let log = maker.log(shared, &rows)?;
    zip.add("log.json", &told(&log)?).map_err(failed(out))?;
    for (name, octets) in &maker.octets {
        zip.add(name, octets).map_err(failed(out))?;
    }
    let proven = lines.iter().filter(|l| l.proven.is_some()).count() as u64;
    let mut manifest = Manifest {
        format: FORMAT.into(),
        site: site.settings.site.name.clone(),
        site_id: site.settings.site.id.clone(),
        made: time_text((who.clock)()),
        by: who.actor.to_string(),
        what: which.words(),
        test: maker.test,
        units: serials.len() as u64,
        files: Vec::new(),
    };
    zip.add("index.html", index::page(&manifest, head, &lines).as_bytes()).map_err(failed(out))?;
    manifest.files = zip.files.clone();
    let octets = told(&manifest)?;
    zip.add(inner::MANIFEST, &octets).map_err(failed(out))?;
    zip.add(inner::MANIFEST_SIGNATURE, &signer.sign(&octets)?).map_err(failed(out))?;
    course.phase(Phase::Sealing, None);
    let mut file =
        zip.finish().and_then(|out| out.into_inner().map_err(io::IntoInnerError::into_error)).map_err(failed(out))?;
    seal(file.as_file_mut(), signer, &|| course.go_on().map_err(io::Error::other)).map_err(failed(out))?;
    let octets = file.as_file().metadata().map_err(failed(out))?.len();
    usual(file.path()).map_err(failed(out))?;
    course.commit().map_err(no_pack)?;
    if let Some((path, pem)) = key {
        let mut pending = Pending::default();
        pending.add(path, pem.as_bytes(), Readers::Usual).and_then(|()| pending.place()).map_err(Trouble::of)?;
    }
    file.persist_noclobber(out).map_err(|e| Trouble::file(out, e.error))?;
    Ok((proven, octets))
}

/// A pack is to be passed on: readable by all, as far as the directory lets them.
fn usual(path: &Path) -> io::Result<()> {
    #[cfg(unix)]
    {
        use std::os::unix::fs::PermissionsExt;
        fs::set_permissions(path, fs::Permissions::from_mode(0o644))?;
    }
    let _ = path;
    Ok(())
}
