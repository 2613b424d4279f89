//! Deriving passcode verifiers, against PBKDF2 of the installed OpenSSL.
//!
//! OpenSSL's time is that of its own command, `openssl kdf`, called with many
//! iterations and with few: the difference is the derivation alone, without
//! the process around it. Ours is a whole verifier, curve arithmetic included.

use std::num::NonZeroU32;
use std::process::{Command, Stdio};

use aws_lc_rs::pbkdf2;
use line::verifier::{Derivation, derive_all};
use rayon::current_num_threads;
use serde_json::json;
use standard::onboarding::Passcode;
use standard::passcode_verifier::{Iterations, PasscodeVerifier, Salt, processor_has_sha256};

use crate::Measured;
use crate::timing::{least, median, seconds};

/// Passcode verifiers, against OpenSSL's PBKDF2, on one core
#[derive(Debug, clap::Args)]
pub struct Verifiers {
    /// Rounds, each with every contender once
    #[arg(long, default_value_t = 7)]
    rounds: usize,
    /// Iteration count of our derivations
    #[arg(long, default_value_t = 10_000)]
    iterations: u32,
    /// Derivations of ours in a round
    #[arg(long, default_value_t = 100)]
    derivations: u32,
}

const SALT: [u8; 32] = [0x5A; 32];
const PASSCODE: u32 = 20_202_021;

/// Iterations of OpenSSL's two calls; both within what its checks allow.
const OPENSSL_MANY: u32 = 1_000_000;
const OPENSSL_FEW: u32 = 1_000;

/// Runs the measurement.
///
/// # Errors
///
/// In words, where OpenSSL's command is missing or fails.
pub fn run(args: &Verifiers) -> Result<Measured, String> {
    let passcode = Passcode::new(PASSCODE).map_err(|e| e.to_string())?;
    let salt = Salt::new(&SALT).map_err(|e| e.to_string())?;
    let iterations = Iterations::new(args.iterations).map_err(|e| e.to_string())?;
    let openssl = openssl_version()?;
    let unit = Derivation { passcode, salt, iterations };
    let batch = vec![unit.clone(); args.derivations as usize];
    let per_iteration = f64::from(args.iterations) * f64::from(args.derivations);

    let (mut ours, mut library, mut theirs, mut all_cores) = (vec![], vec![], vec![], vec![]);
    for _ in 0..args.rounds.max(1) {
        let one = || PasscodeVerifier::derive(&unit.passcode, &unit.salt, unit.iterations).map(|_| ());
        ours.push(seconds(|| (0..args.derivations).try_for_each(|_| one())) / per_iteration);
        library.push(seconds(|| (0..args.derivations).for_each(|_| whole(args.iterations))) / per_iteration);
        theirs.push(openssl_seconds()?);
        all_cores.push(seconds(|| derive_all(&batch, |_| ())) / per_iteration);
    }
    let (ours_s, library_s, theirs_s, all_s) = (median(&ours), median(&library), median(&theirs), median(&all_cores));
    let cores = current_num_threads();
    let per_second = |s: f64| 1.0 / (s * f64::from(args.iterations));
    let nanoseconds = |s: f64| s * 1e9;
    let json = json!({
        "openssl": openssl, "processor_has_sha256": processor_has_sha256(), "rounds": args.rounds,
        "iterations": args.iterations, "cores": cores,
        "nanoseconds_per_iteration": {
            "ours": nanoseconds(ours_s), "library": nanoseconds(library_s), "openssl": nanoseconds(theirs_s),
            "ours_all_cores": nanoseconds(all_s),
        },
        "least_nanoseconds_per_iteration": {
            "ours": nanoseconds(least(&ours)), "library": nanoseconds(least(&library)),
            "openssl": nanoseconds(least(&theirs)), "ours_all_cores": nanoseconds(least(&all_cores)),
        },
        "verifiers_per_second": { "one_core": per_second(ours_s), "all_cores": per_second(all_s) },
        "ratio_to_openssl_per_core": theirs_s / ours_s,
        "least_ratio_to_openssl_per_core": least(&theirs) / least(&ours),
        "ratio_to_library_per_core": library_s / ours_s,
    });
    let line = |what: &str, s: f64, all: &[f64]| {
        let (least_s, ratio, least_ratio) = (least(all), theirs_s / s, least(&theirs) / least(all));
        format!("{what:<34} {:>8.1} {ratio:>10.2} {:>8.1} {least_ratio:>10.2}", nanoseconds(s), nanoseconds(least_s))
    };
    let words = vec![
        format!("{openssl}; processor with SHA-256 instructions: {}", processor_has_sha256()),
        format!("{} rounds, {} iterations, 80 octets out", args.rounds, args.iterations),
        format!(
            "{:<34} {:>8} {:>10} {:>8} {:>10}",
            "ns an iteration of 80 octets", "median", "x OpenSSL", "least", "x OpenSSL"
        ),
        line("openssl kdf PBKDF2, one core", theirs_s, &theirs),
        line("aws-lc-rs pbkdf2, one core", library_s, &library),
        line("verifier, one core", ours_s, &ours),
        line(&format!("verifiers of a batch, {cores} cores"), all_s, &all_cores),
        format!("{:.0} verifiers a second on one core, {:.0} on {cores}", per_second(ours_s), per_second(all_s)),
    ];
    Ok(Measured { json, words })
}

/// The same derivation by the library that we use for all else.
fn whole(iterations: u32) {
    let mut out = [0; 80];
    let iterations = NonZeroU32::new(iterations).unwrap_or(NonZeroU32::MIN);
    pbkdf2::derive(pbkdf2::PBKDF2_HMAC_SHA256, iterations, &SALT, &PASSCODE.to_le_bytes(), &mut out);
    std::hint::black_box(out);
}

fn openssl_version() -> Result<String, String> {
    let output = Command::new("openssl").arg("version").output();
    let output = output.map_err(|error| format!("the openssl command does not run: {error}"))?;
    Ok(String::from_utf8_lossy(&output.stdout).trim().to_owned())
}

/// Seconds that OpenSSL takes for one iteration of 80 octets.
fn openssl_seconds() -> Result<f64, String> {
    let call = |iterations: u32| -> Result<f64, String> {
        let mut command = Command::new("openssl");
        command.args(["kdf", "-binary", "-keylen", "80", "-kdfopt", "digest:SHA256"]);
        command.args(["-kdfopt", &format!("hexpass:{:08x}", PASSCODE.swap_bytes())]);
        command.args(["-kdfopt", &format!("hexsalt:{}", "5a".repeat(SALT.len()))]);
        command.args(["-kdfopt", &format!("iter:{iterations}"), "PBKDF2"]);
        command.stdin(Stdio::null());
        let mut result = None;
        let taken = seconds(|| result = Some(command.output()));
        match result {
            Some(Ok(output)) if output.status.success() && output.stdout.len() == 80 => Ok(taken),
            Some(Ok(output)) => Err(format!("openssl kdf failed: {}", String::from_utf8_lossy(&output.stderr))),
            Some(Err(error)) => Err(format!("the openssl command does not run: {error}")),
            None => Err("openssl was not called".into()),
        }
    };
    let few = call(OPENSSL_FEW)?;
    let many = call(OPENSSL_MANY)?;
    Ok((many - few) / f64::from(OPENSSL_MANY - OPENSSL_FEW))
}
