//! Meeting a rack of stand-ins, against the bare arithmetic that a meeting needs.
//!
//! The stand-ins live in one process and the home in another, so that the home's
//! processor time is its own.

use std::fs;
use std::io::{BufRead as _, BufReader, Read as _, Write as _};
use std::net::Ipv4Addr;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

use aws_lc_rs::agreement::{ECDH_P256, PrivateKey, UnparsedPublicKey, agree};
use base::course::Course;
use clap::Args;
use line::meeting::{Way, World, lines, meet_rack};
use line::stand_in::{StandIn, bind, of_specimen, serve};
use serde_json::{Value, json};
use standard::ids::{ProductId, VendorId};
use standard::key::{PublicKey, Signer as _, SoftwareKey};
use standard::moment::Moment;
use standard::onboarding::Passcode;
use standard::passcode_verifier::{Iterations, PasscodeSecret, PasscodeVerifier, Salt};
use standard::specimen::{Identity, all};

use super::bulk::{Failed, peak, timed};
use crate::Measured;
use crate::timing::{median, seconds};

/// Units met side by side, against one key derivation, four multiplications and three verifications each
#[derive(Debug, Args)]
pub struct MeetingArgs {
    /// Stand-ins; a tenth of them is met too, for the memory
    #[arg(long, default_value_t = 200)]
    units: usize,
    /// Iterations of their verifiers
    #[arg(long, default_value_t = 10_000)]
    iterations: u32,
    /// Units met at the same time
    #[arg(long, default_value_t = 32)]
    side_by_side: usize,
    /// Rounds, each with both sides once
    #[arg(long, default_value_t = 5)]
    rounds: usize,
    /// The folder that a process of its own plays from
    #[arg(long, hide = true)]
    play: Option<PathBuf>,
    /// The folder whose list a process of its own meets
    #[arg(long, hide = true)]
    worker: Option<PathBuf>,
}

/// Measures.
///
/// # Errors
///
/// In words, where something can't be made or a unit is not accepted.
pub fn run(args: &MeetingArgs) -> Result<Measured, String> {
    match (&args.play, &args.worker) {
        (Some(folder), _) => play(args, folder),
        (_, Some(folder)) => worker(args, folder),
        (None, None) => measure(args),
    }
    .map_err(|e| e.to_string())
}

/// The valid set of specimens, with a passcode that all units share.
fn prepare(folder: &Path) -> Result<(), Failed> {
    let identity = Identity {
        vendor: VendorId::new(0xFFF1)?,
        product: ProductId::new(0x8001)?,
        now: Moment::from_unix(1_780_000_000),
    };
    let sets = all(&identity)?;
    let valid = sets.iter().find(|set| set.rule.is_none() && set.variant.is_empty()).ok_or("no valid set")?;
    for file in &valid.files {
        fs::write(folder.join(file.name), &file.octets)?;
    }
    Ok(())
}

const PASSCODE: u32 = 20_202_021;
/// Discriminator 3840, passcode 20202021; the address decides which unit is met.
const CODE: &str = "34970112332";

/// Plays units until its input ends; writes their list.
fn play(args: &MeetingArgs, folder: &Path) -> Result<Measured, Failed> {
    let (salt, iterations) = (Salt::new(&[7; 16])?, Iterations::new(args.iterations)?);
    let verifier = PasscodeVerifier::derive(&Passcode::new(PASSCODE)?, &salt, iterations)?;
    let stop = AtomicBool::new(false);
    std::thread::scope(|scope| {
        let mut out = std::io::stdout().lock();
        for _ in 0..args.units {
            let mut ready = of_specimen(folder, None)?;
            ready.played.verifier = verifier.clone();
            ready.played.salt = salt.clone();
            ready.played.iterations = iterations;
            let (mut unit, socket) = (StandIn::new(ready.played, None), bind(0)?);
            writeln!(out, "{CODE} {}:{}", Ipv4Addr::LOCALHOST, socket.local_addr()?.port())?;
            let stopped = || stop.load(Ordering::Relaxed);
            scope.spawn(move || serve(&mut unit, &socket, &stopped, &mut |_| {}));
        }
        writeln!(out, "end")?;
        out.flush()?;
        drop(out);
        std::io::stdin().read_to_end(&mut Vec::new())?;
        stop.store(true, Ordering::Relaxed);
        Ok(Measured { json: Value::Null, words: Vec::new() })
    })
}

/// Meets the list; prints seconds, processor seconds and peak memory.
fn worker(args: &MeetingArgs, folder: &Path) -> Result<Measured, Failed> {
    let way = Way { interface: None, through: None, timeout: Duration::from_secs(20) };
    let (trust, signer) = ([folder.join("paa.der")], [folder.join("declaration-signer.der")]);
    let world = World::load(None, (&trust, &signer), &[], way, Moment::from_unix(1_780_000_000))?;
    let list = lines(&fs::read_to_string(folder.join("list.txt"))?)?;
    let (rack, seconds) = timed(|| Ok(meet_rack(&world, &list, args.side_by_side, &Course::new())?))?;
    if rack.accepted != list.len() {
        return Err(format!("{} of {} were accepted", rack.accepted, list.len()).into());
    }
    let sent_again: u32 = rack.units.iter().filter_map(|u| u.meeting.session.map(|s| s.retransmissions)).sum();
    Ok(Measured { json: Value::Null, words: vec![format!("{seconds} {} {} {sent_again}", processor()?, peak()?)] })
}

/// Seconds of the processor that this process took (proc(5), fields 14 and 15, in hundredths).
fn processor() -> Result<f64, Failed> {
    let stat = fs::read_to_string("/proc/self/stat")?;
    let after = stat.rsplit_once(") ").ok_or("no name in /proc/self/stat")?.1;
    let ticks: Vec<f64> = after.split(' ').skip(11).take(2).filter_map(|t| t.parse().ok()).collect();
    Ok(ticks.iter().sum::<f64>() / 100.0)
}

/// One rack: seconds, processor seconds, peak memory, messages sent again.
fn rack(args: &MeetingArgs, folder: &Path, units: usize) -> Result<[f64; 4], Failed> {
    let own = std::env::current_exe()?;
    let numbers = [
        "--iterations".to_owned(),
        args.iterations.to_string(),
        "--side-by-side".into(),
        args.side_by_side.to_string(),
    ];
    let mut players = Command::new(&own)
        .args(["meeting", "--units", &units.to_string()])
        .args(&numbers)
        .arg("--play")
        .arg(folder)
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .spawn()?;
    let listed = BufReader::new(players.stdout.take().ok_or("no output")?).lines().map_while(Result::ok);
    let list: Vec<String> = listed.take_while(|line| line != "end").collect();
    fs::write(folder.join("list.txt"), list.join("\n") + "\n")?;
    let met = Command::new(&own)
        .arg("meeting")
        .args(&numbers)
        .arg("--worker")
        .arg(folder)
        .stderr(Stdio::inherit())
        .output()?;
    drop(players.stdin.take());
    players.wait()?;
    let said = String::from_utf8_lossy(&met.stdout);
    let numbers: Vec<f64> = said.split_whitespace().filter_map(|n| n.parse().ok()).collect();
    numbers.try_into().map_err(|_| format!("a rack said {said:?}").into())
}

/// Seconds of what no home can do without: one derivation, four multiplications, three verifications.
fn bare(iterations: u32) -> Result<f64, Failed> {
    const TIMES: u32 = 100;
    let (passcode, salt) = (Passcode::new(PASSCODE)?, Salt::new(&[7; 16])?);
    let iterations = Iterations::new(iterations)?;
    let failed = |_| "no key was made";
    let private = PrivateKey::generate(&ECDH_P256).map_err(failed)?;
    let peer = PrivateKey::generate(&ECDH_P256).map_err(failed)?.compute_public_key().map_err(failed)?;
    let signer = SoftwareKey::generate()?;
    let (key, message): (PublicKey, [u8; 600]) = (signer.public_key(), [0x5A; 600]);
    let signature = signer.sign(&message)?;
    let took = seconds(|| {
        for _ in 0..TIMES {
            std::hint::black_box(PasscodeSecret::derive(&passcode, &salt, iterations));
            for _ in 0..4 {
                let peer = UnparsedPublicKey::new(&ECDH_P256, peer.as_ref());
                std::hint::black_box(agree(&private, peer, (), |z| Ok(z[0])).ok());
            }
            for _ in 0..3 {
                std::hint::black_box(key.verifies(&message, &signature));
            }
        }
    });
    Ok(took / f64::from(TIMES))
}

fn measure(args: &MeetingArgs) -> Result<Measured, Failed> {
    let folder = tempfile::tempdir()?;
    prepare(folder.path())?;
    let (mut took, mut processor, mut memory, mut again, mut arithmetic) = (vec![], vec![], vec![], vec![], vec![]);
    for _ in 0..args.rounds.max(1) {
        let [seconds, cpu, mib, sent_again] = rack(args, folder.path(), args.units)?;
        took.push(seconds);
        processor.push(cpu / args.units as f64);
        memory.push(mib);
        again.push(sent_again);
        arithmetic.push(bare(args.iterations)?);
    }
    let [_, _, tenth, _] = rack(args, folder.path(), (args.units / 10).max(1))?;
    let (took, processor, memory, again, arithmetic) =
        (median(&took), median(&processor), median(&memory), median(&again), median(&arithmetic));
    let (rate, ratio) = (args.units as f64 / took, processor / arithmetic);
    let json = json!({
        "units": args.units, "iterations": args.iterations, "side_by_side": args.side_by_side, "rounds": args.rounds,
        "seconds": took, "units_per_second": rate, "messages_sent_again": again,
        "processor_ms_per_meeting": processor * 1e3, "arithmetic_ms": arithmetic * 1e3, "ratio": ratio,
        "peak_mib": { "units": memory, "a_tenth": tenth },
    });
    let words = vec![
        format!(
            "{} stand-ins met in {took:.2} s: {rate:.0} units per second, {again:.0} messages sent again",
            args.units
        ),
        format!(
            "processor time per meeting {:.2} ms, bare arithmetic {:.2} ms: {ratio:.2}",
            processor * 1e3,
            arithmetic * 1e3
        ),
        format!("peak memory {memory:.1} MiB, of a tenth {tenth:.1} MiB"),
    ];
    Ok(Measured { json, words })
}
