//! Labels a second in one PDF with each symbol read back, and the memory it takes.
//!
//! Each run is a process of its own, because the peak of a process never falls:
//! the peak at the full count is compared with that at a tenth of it.

use std::error::Error;
use std::process::Command;
use std::time::Instant;

use print::run::{pdf, write_whole};
use print::sheet::{Grid, Paper, Sheet};
use print::{LabelData, Press, RunError, Template};
use serde::{Deserialize, Serialize};

/// Labels a second, the share of reading back, and peak memory
#[derive(Debug, clap::Args)]
pub struct Labels {
    /// Labels in the PDF; memory is compared with a tenth of them
    #[arg(long, default_value_t = 10_000)]
    labels: u64,

    /// Built-in template
    #[arg(long, default_value = "device")]
    template: String,

    /// Printer's resolution
    #[arg(long, default_value_t = 300)]
    dpi: u32,

    /// One run in this process, for the comparison
    #[arg(long, hide = true)]
    alone: bool,
}

#[derive(Debug, Serialize, Deserialize)]
struct Measured {
    labels: u64,
    decoded: u64,
    pages: u64,
    file_octets: u64,
    seconds: f64,
    labels_per_second: f64,
    decoding_share: f64,
    peak_kib: Option<u64>,
}

/// Measures.
pub fn run(args: &Labels) -> Result<crate::Measured, String> {
    measure(args).map_err(|e| e.to_string())
}

fn measure(args: &Labels) -> Result<crate::Measured, Box<dyn Error>> {
    if args.alone {
        let json = serde_json::to_value(alone(args)?)?;
        return Ok(crate::Measured { words: vec![json.to_string()], json });
    }
    let few = child(args, (args.labels / 10).max(1))?;
    let many = child(args, args.labels)?;
    let ratio = match (few.peak_kib, many.peak_kib) {
        (Some(few), Some(many)) if few > 0 => Some(many as f64 / few as f64),
        _ => None,
    };
    let cores = std::thread::available_parallelism()?;
    let json = serde_json::json!({
        "template": args.template, "dpi": args.dpi, "cores": cores, "full": many, "tenth": few, "peak_ratio": ratio,
    });
    Ok(crate::Measured { words: vec![format!("{json:#}")], json })
}

fn child(args: &Labels, labels: u64) -> Result<Measured, Box<dyn Error>> {
    let output = Command::new(std::env::current_exe()?)
        .args(["labels", "--alone", "--template", &args.template])
        .args(["--labels", &labels.to_string(), "--dpi", &args.dpi.to_string()])
        .output()?;
    if !output.status.success() {
        return Err(String::from_utf8_lossy(&output.stderr).into_owned().into());
    }
    Ok(serde_json::from_slice(&output.stdout)?)
}

fn alone(args: &Labels) -> Result<Measured, Box<dyn Error>> {
    let template = Template::built_in(&args.template).ok_or("no such built-in template")?;
    let press = Press { dpi: args.dpi, ..Press::default() };
    let sheet = Sheet::settle(Paper::A4, Grid::default(), template.size_mm(), &press)?;
    let directory = tempfile::tempdir()?;
    let path = directory.path().join("labels.pdf");
    let started = Instant::now();
    let units = (0..args.labels).map(|n| Ok::<_, RunError>(unit(n)));
    let tally = write_whole(&path, |out| pdf(out, (&template, &press, &sheet), units, 1, &|_| ()))?;
    let seconds = started.elapsed().as_secs_f64();
    Ok(Measured {
        labels: tally.labels,
        decoded: tally.decoded,
        pages: tally.pages,
        file_octets: std::fs::metadata(&path)?.len(),
        seconds,
        labels_per_second: tally.labels as f64 / seconds,
        decoding_share: tally.proving_share(),
        peak_kib: peak_kib(),
    })
}

/// A unit whose QR text is as long as a payload without optional data, and its own.
fn unit(n: u64) -> LabelData {
    const ALPHABET: &[u8; 38] = b"0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ-.";
    // Knuth's MMIX generator, so that each run has the same labels.
    let mut state = n.wrapping_add(1).wrapping_mul(0x9E37_79B9_7F4A_7C15);
    let mut next = |most: u64| {
        state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (state >> 33) % most
    };
    let text: String = (0..19).map(|_| char::from(ALPHABET[next(38) as usize])).collect();
    LabelData {
        unit: format!("TV-{n:07}"),
        qr: format!("MT:{text}").into(),
        manual: format!("{:011}", next(100_000_000_000)).into(),
        serial: format!("TH26-0417-{n:05}"),
        product: "Tern Vent".into(),
        vendor: "Tern & Hollow".into(),
        vid: "FFF1".into(),
        pid: "8000".into(),
        test: true,
        ..LabelData::default()
    }
}

/// Peak resident memory of this process, where the system tells it.
fn peak_kib() -> Option<u64> {
    let status = std::fs::read_to_string("/proc/self/status").ok()?;
    let line = status.lines().find(|line| line.starts_with("VmHWM:"))?;
    line.split_whitespace().nth(1)?.parse().ok()
}
