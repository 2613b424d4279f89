//! Issuing and receiving a delivery, against the bare signature operations on all cores.

use std::fs;
use std::hint::black_box;
use std::path::{Path, PathBuf};

use aws_lc_rs::rand::SystemRandom;
use aws_lc_rs::signature::{ECDSA_P256_SHA256_ASN1, ECDSA_P256_SHA256_ASN1_SIGNING, EcdsaKeyPair, ParsedPublicKey};
use base::course::Course;
use clap::Args;
use rayon::prelude::*;
use receive::{delivery, reel};
use site::{Site, Who};
use standard::certificate::Certificate;

use super::bulk::{self, Failed, ISSUER, PRODUCT, REEL, Row, alone, timed, told};
use crate::Measured;

/// Issuing and receiving deliveries, against bare signing and verifying on all cores
#[derive(Debug, Args)]
pub struct DeliveriesArgs {
    /// DACs in the delivery; a tenth of it is measured too, for its memory
    #[arg(long, default_value_t = 100_000)]
    dacs: usize,
    /// Where sites are made; else the directory for temporary files
    #[arg(long, value_name = "DIR")]
    at: Option<PathBuf>,
    /// What a process of its own does: `issue` or `receive`, and the folder
    #[arg(long, num_args = 2, hide = true)]
    worker: Option<Vec<String>>,
}

/// What was signed, and its signature.
type Signed = (Vec<u8>, Vec<u8>);

fn parts(ders: &[Vec<u8>]) -> Result<Vec<Signed>, Failed> {
    let read: Result<Vec<_>, _> = ders
        .par_iter()
        .map(|der| Certificate::read(der).map(|c| (c.signed_part().to_vec(), c.signature().to_vec())))
        .collect();
    read.map_err(|why| why.to_string().into())
}

/// Verifies all, on all cores.
fn verify_all(key: &ParsedPublicKey, parts: &[Signed]) -> Result<(), Failed> {
    match parts.par_iter().all(|(message, signature)| key.verify_sig(message, signature).is_ok()) {
        true => Ok(()),
        false => Err("a good signature did not verify".into()),
    }
}

/// Measures.
pub fn run(args: &DeliveriesArgs) -> Result<Measured, String> {
    match &args.worker {
        Some(work) => worker(work),
        None => measure(args),
    }
    .map_err(|e| e.to_string())
}

fn worker(work: &[String]) -> Result<Measured, Failed> {
    let [what, folder] = work else { return Err("a worker has work and a folder".into()) };
    let folder = Path::new(folder);
    let (site, who, course) = (Site::open(&folder.join(what))?, Who::new("bench")?, Course::new());
    let (count, seconds) = match what.as_str() {
        "issue" => timed(|| Ok(delivery::issue(&site, REEL, ISSUER, &bulk::passphrase()?, &who, &course)?.issued))?,
        _ => timed(|| {
            let zip = folder.join("delivery.zip");
            let received = delivery::receive(&site, &zip, REEL, false, None, &who, &course)?;
            match received.verdict {
                delivery::ReceivedVerdict::Accepted => Ok(received.certificates.accepted),
                other => {
                    let found = received.findings.first().map(|f| (f.finding.rule.clone(), f.finding.found.clone()));
                    Err(format!("{other}: {found:?}").into())
                }
            }
        })?,
    };
    if i64::try_from(count)? != reel::get(&site, REEL)?.chips {
        return Err(format!("{count} credentials").into());
    }
    told(seconds)
}

/// Two sites with the same reel, and a delivery for the second.
fn prepare(folder: &Path, dacs: usize) -> Result<Vec<Vec<u8>>, Failed> {
    let keys = bulk::keys(dacs)?;
    bulk::manifest(&folder.join("manifest.csv"), &keys)?;
    let mut ders = Vec::new();
    for name in ["issue", "receive"] {
        let (site, who) = bulk::site(&folder.join(name))?;
        let (map, course) = (reel::Options::default(), Course::new());
        reel::receive(&site, &folder.join("manifest.csv"), REEL, PRODUCT, &map, &who, &course)?;
        if name == "receive" {
            let (signer, pai) = bulk::issuer(&site)?;
            ders = bulk::dacs(signer.as_ref(), &pai, &keys)?;
            bulk::delivery(&folder.join("delivery.zip"), &pai, &ders)?;
            fs::write(folder.join("pai.point"), pai.public_key().ok_or("a PAI without a key")?.point())?;
        }
    }
    Ok(ders)
}

fn measure(args: &DeliveriesArgs) -> Result<Measured, Failed> {
    let (tenth, whole) = (bulk::folder(args.at.as_ref())?, bulk::folder(args.at.as_ref())?);
    prepare(tenth.path(), (args.dacs / 10).max(1))?;
    let parts = parts(&prepare(whole.path(), args.dacs)?)?;
    let place = |folder: &tempfile::TempDir| folder.path().display().to_string();
    let (small, large) = (place(&tenth), place(&whole));
    let rate = |seconds: f64| args.dacs as f64 / seconds;

    // References before and after, so that what the machine does meanwhile falls on both.
    let pair = EcdsaKeyPair::generate(&ECDSA_P256_SHA256_ASN1_SIGNING).map_err(|_| "no randomness")?;
    let random = SystemRandom::new();
    let sign = || {
        timed(|| {
            let signed = parts.par_iter().all(|(message, _)| black_box(pair.sign(&random, message)).is_ok());
            if signed { Ok(()) } else { Err("a signature failed".into()) }
        })
    };
    let before = sign()?.1;
    let (issued, issued_mib) = alone("deliveries", &["issue", &large])?;
    let signed = (before + sign()?.1) / 2.0;
    let (_, issued_tenth) = alone("deliveries", &["issue", &small])?;

    let key = ParsedPublicKey::new(&ECDSA_P256_SHA256_ASN1, fs::read(whole.path().join("pai.point"))?)
        .map_err(|_| "the PAI's key is none")?;
    let before = timed(|| verify_all(&key, &parts))?.1;
    let (received, received_mib) = alone("deliveries", &["receive", &large])?;
    let verified = (before + timed(|| verify_all(&key, &parts))?.1) / 2.0;
    let (_, received_tenth) = alone("deliveries", &["receive", &small])?;

    let rows = [
        Row {
            what: "issuing a delivery, stored durably",
            reference: "bare signing on all cores",
            rate: rate(issued),
            reference_rate: rate(signed),
            goal: Some(0.75),
            memory: Some((issued_mib, issued_tenth)),
        },
        Row {
            what: "receiving a delivery in a ZIP, stored durably",
            reference: "bare verification on all cores",
            rate: rate(received),
            reference_rate: rate(verified),
            goal: Some(0.85),
            memory: Some((received_mib, received_tenth)),
        },
    ];
    let json = serde_json::json!({ "dacs": args.dacs, "measured": rows.iter().map(Row::json).collect::<Vec<_>>() });
    Ok(Measured { json, words: rows.iter().map(Row::words).collect() })
}
