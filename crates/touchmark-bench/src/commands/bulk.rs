//! What the measurements of large reels and deliveries share: sites, keys, a
//! delivery as an authority sends it, and the peak memory of a process of its own.

use std::error::Error;
use std::fs::{self, File};
use std::io::{BufWriter, Write};
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::sync::Arc;
use std::time::Instant;

use rayon::prelude::*;
use site::{Site, Who, authority};
use standard::certificate::{Builder, Certificate, Profile};
use standard::ids::{ProductId, VendorId};
use standard::key::{PublicKey, Signer, SoftwareKey};
use standard::moment::NO_END;
use standard::name::NameBuilder;
use zip::write::SimpleFileOptions;

use crate::founding::founded;
pub use crate::founding::{PAI as ISSUER, PRODUCT, passphrase};

pub type Failed = Box<dyn Error>;

/// The reel of every measurement here.
pub const REEL: &str = "R";

/// Test identifiers of the standard's own range.
pub fn identity() -> Result<(VendorId, ProductId), Failed> {
    Ok((VendorId::new(0xFFF2)?, ProductId::new(0x8A21)?))
}

/// A site on disk with a PAA, a PAI and a product, its book in SQLite as users have it.
pub fn site(dir: &Path) -> Result<(Site, Who), Failed> {
    Ok((founded(dir, None)?, Who::new("bench")?))
}

/// Public keys of as many chips, all different and on the curve.
pub fn keys(count: usize) -> Result<Vec<PublicKey>, Failed> {
    let made: Result<Vec<_>, _> =
        (0..count).into_par_iter().map(|_| SoftwareKey::generate().map(|key| key.public_key())).collect();
    made.map_err(|_| "no randomness".into())
}

/// A manifest as a chip maker sends it.
pub fn manifest(path: &Path, keys: &[PublicKey]) -> Result<(), Failed> {
    let mut out = BufWriter::new(File::create(path)?);
    writeln!(out, "chip_id,public_key")?;
    for (number, key) in keys.iter().enumerate() {
        writeln!(out, "01A0{number:014X},{}", hex(key.point()))?;
    }
    Ok(out.flush()?)
}

fn hex(octets: &[u8]) -> String {
    octets.iter().map(|octet| format!("{octet:02x}")).collect()
}

/// Whoever issues here, and its certificate.
pub fn issuer(site: &Site) -> Result<(Box<dyn Signer>, Arc<Certificate>), Failed> {
    let authority = authority::get(site, ISSUER)?;
    let signer = authority::signer(site, &authority, &passphrase()?)?;
    Ok((signer, Arc::new(Certificate::read(&authority.facts.certificate)?)))
}

/// DACs for keys, made outside the program's own issuing.
pub fn dacs(signer: &dyn Signer, pai: &Certificate, keys: &[PublicKey]) -> Result<Vec<Vec<u8>>, Failed> {
    let (vendor, product) = identity()?;
    let id = pai.subject_key_id().unwrap_or_default();
    let from = pai.not_before.moment.ok_or("a PAI without a beginning")?;
    let made: Result<Vec<_>, _> = keys
        .par_iter()
        .enumerate()
        .map(|(number, key)| {
            let name = format!("Tern Vent {number:08X}");
            let subject = NameBuilder::new().common_name(&name).vendor(vendor).product(product).build();
            let mut serial = [0x55; 16];
            serial[..8].copy_from_slice(&key.point()[20..28]);
            serial[0] = serial[0] & 0x3F | 0x40;
            serial[12..].copy_from_slice(&u32::try_from(number).unwrap_or(0).to_be_bytes());
            Builder::new(Profile::Dac, &serial, (pai.subject_der(), id), &subject, key, (from, NO_END)).sign(signer)
        })
        .collect();
    Ok(made?)
}

/// A delivery as an authority sends it: a ZIP with the PAI and a file a DAC.
pub fn delivery(path: &Path, pai: &Certificate, ders: &[Vec<u8>]) -> Result<(), Failed> {
    let mut zip = zip::ZipWriter::new(BufWriter::new(File::create(path)?));
    let options = SimpleFileOptions::default();
    for (number, der) in ders.iter().enumerate() {
        zip.start_file(format!("dacs/{number:08}.der"), options)?;
        zip.write_all(der)?;
    }
    zip.start_file("pai.der", options)?;
    zip.write_all(pai.der())?;
    zip.finish()?.flush()?;
    Ok(())
}

/// Seconds that some work takes, with what it gives.
pub fn timed<T>(work: impl FnOnce() -> Result<T, Failed>) -> Result<(T, f64), Failed> {
    let begun = Instant::now();
    let done = work()?;
    Ok((done, begun.elapsed().as_secs_f64()))
}

/// The most memory that this process held at once, in MiB (`VmHWM`, proc(5)).
pub fn peak() -> Result<f64, Failed> {
    let status = fs::read_to_string("/proc/self/status")?;
    let line = status.lines().find_map(|line| line.strip_prefix("VmHWM:")).ok_or("no VmHWM in /proc/self/status")?;
    let kib: f64 = line.trim().trim_end_matches("kB").trim().parse()?;
    Ok(kib / 1024.0)
}

/// Runs one piece of the work in a process of its own, as the command line would, and
/// reads the two numbers that it prints: seconds, and peak memory in MiB.
pub fn alone(subcommand: &str, worker: &[&str]) -> Result<(f64, f64), Failed> {
    let run = Command::new(std::env::current_exe()?)
        .arg(subcommand)
        .arg("--worker")
        .args(worker)
        .stderr(Stdio::inherit())
        .output()?;
    let said = String::from_utf8_lossy(&run.stdout);
    let mut numbers = said.split_whitespace().map(str::parse::<f64>);
    match (run.status.success(), numbers.next(), numbers.next()) {
        (true, Some(Ok(seconds)), Some(Ok(mib))) => Ok((seconds, mib)),
        _ => Err(format!("{subcommand} {worker:?} said {said:?}").into()),
    }
}

/// What a worker prints: seconds, and its peak memory.
pub fn told(seconds: f64) -> Result<crate::Measured, Failed> {
    Ok(crate::Measured { json: serde_json::Value::Null, words: vec![format!("{seconds} {}", peak()?)] })
}

/// One measurement beside its reference, and its peak memory at two sizes.
pub struct Row {
    pub what: &'static str,
    pub reference: &'static str,
    pub rate: f64,
    pub reference_rate: f64,
    pub goal: Option<f64>,
    /// At the size, and at a tenth of it, in MiB.
    pub memory: Option<(f64, f64)>,
}

impl Row {
    pub fn words(&self) -> String {
        let ratio = self.rate / self.reference_rate;
        let mut words = format!(
            "{}: {:.0}/s, {}: {:.0}/s, ratio {ratio:.2}",
            self.what, self.rate, self.reference, self.reference_rate
        );
        if let Some(goal) = self.goal {
            words.push_str(&format!(" (goal {goal:.2})"));
        }
        if let Some((whole, tenth)) = self.memory {
            words.push_str(&format!("; peak memory {whole:.0} MiB, of a tenth {tenth:.0} MiB, {:.2}", whole / tenth));
        }
        words
    }

    pub fn json(&self) -> serde_json::Value {
        serde_json::json!({
            "what": self.what, "per_second": self.rate, "reference": self.reference,
            "reference_per_second": self.reference_rate, "ratio": self.rate / self.reference_rate, "goal": self.goal,
            "peak_mib": self.memory.map(|(whole, _)| whole), "peak_mib_of_a_tenth": self.memory.map(|(_, tenth)| tenth),
        })
    }
}

/// A folder on the disk that the measurement is of, gone with it.
pub fn folder(at: Option<&PathBuf>) -> Result<tempfile::TempDir, Failed> {
    Ok(match at {
        Some(at) => tempfile::tempdir_in(at)?,
        None => tempfile::tempdir()?,
    })
}
