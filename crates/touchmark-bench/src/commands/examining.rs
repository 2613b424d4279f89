//! `examine` of many DACs, against bare verification on all cores.

use std::fs;
use std::path::{Path, PathBuf};

use aws_lc_rs::signature::{ECDSA_P256_SHA256_ASN1, ParsedPublicKey};
use base::course::Course;
use clap::Args;
use examine::{Examine, Input, examine};
use rayon::prelude::*;
use site::authority;
use standard::certificate::Certificate;
use standard::moment::Moment;

use super::bulk::{self, Failed, Row, alone, timed, told};
use crate::Measured;

/// Examining a directory and a bundle of DACs, against bare verification on all cores
#[derive(Debug, Args)]
pub struct ExaminingArgs {
    /// DACs; a tenth of it is measured too, for its memory
    #[arg(long, default_value_t = 20_000)]
    dacs: usize,
    /// Where files are made; else the directory for temporary files
    #[arg(long, value_name = "DIR")]
    at: Option<PathBuf>,
    /// What a process of its own examines, and the folder it is in
    #[arg(long, num_args = 2, hide = true)]
    worker: Option<Vec<String>>,
}

/// Measures.
pub fn run(args: &ExaminingArgs) -> Result<Measured, String> {
    match &args.worker {
        Some(work) => worker(work),
        None => measure(args),
    }
    .map_err(|e| e.to_string())
}

fn worker(work: &[String]) -> Result<Measured, Failed> {
    let [what, folder] = work else { return Err("a worker has a thing and a folder".into()) };
    let folder = Path::new(folder);
    let request = Examine {
        files: Input::at([folder.join(what), folder.join("pai.der")]),
        trust: Input::at([folder.join("paa.der")]),
        ..Examine::default()
    };
    let (answer, seconds) = timed(|| Ok(examine(&request, Moment::from_unix(1_800_000_000), &Course::new())?))?;
    if !answer.anchored || answer.counts().errors > 0 {
        return Err("good DACs were not accepted".into());
    }
    told(seconds)
}

/// DACs in a directory, a file each, and the same as one bundle in PEM.
fn prepare(folder: &Path, dacs: usize) -> Result<(ParsedPublicKey, Vec<Vec<u8>>), Failed> {
    let (site, _) = bulk::site(&folder.join("site"))?;
    let (signer, pai) = bulk::issuer(&site)?;
    let ders = bulk::dacs(signer.as_ref(), &pai, &bulk::keys(dacs)?)?;
    let dir = folder.join("dacs");
    fs::create_dir(&dir)?;
    let mut bundle = String::new();
    for (number, der) in ders.iter().enumerate() {
        fs::write(dir.join(format!("{number:08}.der")), der)?;
        bundle.push_str(&standard::pem::encode("CERTIFICATE", der));
    }
    fs::write(folder.join("dacs.pem"), bundle)?;
    fs::write(folder.join("pai.der"), pai.der())?;
    fs::write(folder.join("paa.der"), authority::get(&site, "P")?.facts.certificate)?;
    let point = *pai.public_key().ok_or("a PAI without a key")?.point();
    let key = ParsedPublicKey::new(&ECDSA_P256_SHA256_ASN1, point).map_err(|_| "the PAI's key is none")?;
    Ok((key, ders))
}

fn measure(args: &ExaminingArgs) -> Result<Measured, Failed> {
    let (tenth, whole) = (bulk::folder(args.at.as_ref())?, bulk::folder(args.at.as_ref())?);
    prepare(tenth.path(), (args.dacs / 10).max(1))?;
    let (key, ders) = prepare(whole.path(), args.dacs)?;
    let read: Result<Vec<_>, _> = ders.par_iter().map(|der| Certificate::read(der)).collect();
    let parts = read.map_err(|why| why.to_string())?;
    let verify = || {
        timed(|| match parts.par_iter().all(|c| key.verify_sig(c.signed_part(), c.signature()).is_ok()) {
            true => Ok(()),
            false => Err("a good signature did not verify".into()),
        })
    };
    let place = |folder: &tempfile::TempDir| folder.path().display().to_string();
    let mut rows = Vec::new();
    for (what, thing) in [("examining a directory of DACs", "dacs"), ("examining a bundle of DACs", "dacs.pem")] {
        let before = verify()?.1;
        let (seconds, mib) = alone("examining", &[thing, &place(&whole)])?;
        let verified = (before + verify()?.1) / 2.0;
        let (_, small) = alone("examining", &[thing, &place(&tenth)])?;
        rows.push(Row {
            what,
            reference: "bare verification on all cores",
            rate: args.dacs as f64 / seconds,
            reference_rate: args.dacs as f64 / verified,
            goal: Some(0.90),
            memory: Some((mib, small)),
        });
    }
    let json = serde_json::json!({ "dacs": args.dacs, "measured": rows.iter().map(Row::json).collect::<Vec<_>>() });
    Ok(Measured { json, words: rows.iter().map(Row::words).collect() })
}
