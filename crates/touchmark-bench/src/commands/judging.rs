//! What judging and issuing cost beside the bare signature operations.

use std::fs;
use std::hint::black_box;
use std::path::PathBuf;
use std::sync::Arc;

use aws_lc_rs::rand::SystemRandom;
use aws_lc_rs::signature::{
    ECDSA_P256_SHA256_ASN1, ECDSA_P256_SHA256_ASN1_SIGNING, EcdsaKeyPair, KeyPair, ParsedPublicKey,
};
use base::course::Course;
use clap::Args;
use examine::{Examine, Input, examine};
use standard::certificate::{Builder, Certificate, Profile};
use standard::ids::{ProductId, VendorId};
use standard::key::{Signer, SoftwareKey};
use standard::moment::{Moment, NO_END};
use standard::name::NameBuilder;
use standard::verdict::{Context, Pool};

use super::rate::in_turns;
use crate::Measured;

/// Judging and issuing DACs, against bare verification and signing
#[derive(Debug, Args)]
pub struct JudgingArgs {
    /// DACs in one round
    #[arg(long, default_value_t = 5_000)]
    dacs: usize,
    /// Rounds; the median counts
    #[arg(long, default_value_t = 9)]
    rounds: usize,
}

struct Line {
    pool: Pool,
    pai: SoftwareKey,
    pai_name: Vec<u8>,
    vendor: VendorId,
    product: ProductId,
    from: Moment,
}

fn line() -> Line {
    let (paa, pai) = (key(), key());
    let vendor = VendorId::new(0xFFF1).expect("a test vendor ID");
    let product = ProductId::new(0x8001).expect("not zero");
    let from = Moment::from_unix(1_700_000_000);
    let paa_name = NameBuilder::new().common_name("Bench PAA").build();
    let pai_name = NameBuilder::new().common_name("Bench PAI").vendor(vendor).build();
    let paa_id = paa.key_id();
    let authority = |profile, serial, subject: &[u8], key: &SoftwareKey| {
        let der = Builder::new(profile, &[serial], (&paa_name, &paa_id), subject, &key.public_key(), (from, NO_END))
            .sign(&paa)
            .expect("a signature");
        Arc::new(Certificate::read(&der).expect("our own certificate"))
    };
    let pool = Pool::new(vec![
        (authority(Profile::Paa, 1, &paa_name, &paa), Profile::Paa, true),
        (authority(Profile::Pai, 2, &pai_name, &pai), Profile::Pai, false),
    ]);
    Line { pool, pai, pai_name, vendor, product, from }
}

fn key() -> SoftwareKey {
    SoftwareKey::generate().expect("randomness")
}

impl Line {
    fn dac(&self, number: u32, public: &standard::key::PublicKey) -> Vec<u8> {
        let subject = NameBuilder::new()
            .common_name(&format!("Bench {number:08X}"))
            .vendor(self.vendor)
            .product(self.product)
            .build();
        let mut serial = [0x55; 16];
        serial[12..].copy_from_slice(&number.to_be_bytes());
        let id = self.pai.key_id();
        Builder::new(Profile::Dac, &serial, (&self.pai_name, &id), &subject, public, (self.from, NO_END))
            .sign(&self.pai)
            .expect("a signature")
    }
}

/// Measures.
pub fn run(args: &JudgingArgs) -> Result<Measured, String> {
    let mut rows = Vec::new();
    let line = line();
    let publics: Vec<_> = (0..args.dacs).map(|_| key().public_key()).collect();
    let ders: Vec<Vec<u8>> = publics.iter().enumerate().map(|(n, public)| line.dac(n as u32, public)).collect();

    let context = Context { trust_given: true, ..Context::default() };
    let pai_public = line.pai.public_key();
    let bare_key = ParsedPublicKey::new(&ECDSA_P256_SHA256_ASN1, pai_public.point()).expect("a point");
    let parts: Vec<(Vec<u8>, Vec<u8>)> = ders
        .iter()
        .map(|der| Certificate::read(der).expect("our own certificate"))
        .map(|c| (c.signed_part().to_vec(), c.signature().to_vec()))
        .collect();
    let mut bare = || {
        for (message, signature) in &parts {
            bare_key.verify_sig(message, signature).expect("a good signature");
        }
    };
    let mut judge = || {
        for der in &ders {
            let dac = Certificate::read(der).expect("our own certificate");
            let judged = line.pool.judge_dac(&dac, &context);
            assert!(judged.anchored);
            black_box(judged);
        }
    };
    let rates = in_turns(args.dacs, args.rounds, &mut [&mut bare, &mut judge]);
    rows.push(row("judging a DAC, all rules and the signature", "bare verification", rates[1], rates[0], 0.85));

    let pair = EcdsaKeyPair::generate(&ECDSA_P256_SHA256_ASN1_SIGNING).expect("randomness");
    let random = SystemRandom::new();
    let message = &parts[0].0;
    black_box(pair.public_key());
    let mut bare = || {
        for _ in 0..args.dacs {
            black_box(pair.sign(&random, message).expect("a signature"));
        }
    };
    let mut issue = || {
        for (number, public) in publics.iter().enumerate() {
            black_box(line.dac(number as u32, public));
        }
    };
    let rates = in_turns(args.dacs, args.rounds, &mut [&mut bare, &mut issue]);
    rows.push(row("building and signing a DAC", "bare signing", rates[1], rates[0], 0.80));

    rows.push(both_cores(args, &line, &ders));
    let words = rows.iter().map(Row::words).collect();
    let json = rows.iter().map(Row::json).collect::<Vec<_>>();
    Ok(Measured { json: serde_json::json!({ "dacs": args.dacs, "rounds": args.rounds, "measured": json }), words })
}

/// `examine` on a directory, with one thread and with two.
fn both_cores(args: &JudgingArgs, line: &Line, ders: &[Vec<u8>]) -> Row {
    let directory = tempfile::tempdir().expect("a temporary directory");
    let dacs = directory.path().join("dacs");
    fs::create_dir(&dacs).expect("a directory");
    for (number, der) in ders.iter().enumerate() {
        fs::write(dacs.join(format!("{number:06}.der")), der).expect("a file");
    }
    let write = |index: usize, name: &str| -> PathBuf {
        let path = directory.path().join(name);
        fs::write(&path, line.pool.authorities()[index].certificate.der()).expect("a file");
        path
    };
    let request = Examine {
        trust: Input::at([write(0, "paa.der")]),
        files: Input::at([dacs, write(1, "pai.der")]),
        ..Examine::default()
    };
    let with = |threads: usize| rayon::ThreadPoolBuilder::new().num_threads(threads).build().expect("threads");
    let (one, two) = (with(1), with(2));
    let go = || {
        let answer = examine(&request, line.from, &Course::new()).expect("readable files");
        assert!(answer.anchored && answer.counts().errors == 0);
    };
    let mut single = || one.install(go);
    let mut double = || two.install(go);
    let rates = in_turns(args.dacs, args.rounds, &mut [&mut single, &mut double]);
    row("examine of a directory on two cores", "the same on one", rates[1], rates[0], 1.70)
}

/// One measurement beside its reference.
struct Row {
    what: &'static str,
    reference: &'static str,
    rate: f64,
    reference_rate: f64,
    goal: f64,
}

fn row(what: &'static str, reference: &'static str, rate: f64, reference_rate: f64, goal: f64) -> Row {
    Row { what, reference, rate, reference_rate, goal }
}

impl Row {
    fn ratio(&self) -> f64 {
        self.rate / self.reference_rate
    }

    fn words(&self) -> String {
        let Self { what, reference, rate, reference_rate, goal } = self;
        format!("{what}: {rate:.0}/s, {reference}: {reference_rate:.0}/s, ratio {:.2} (goal {goal:.2})", self.ratio())
    }

    fn json(&self) -> serde_json::Value {
        serde_json::json!({
            "what": self.what, "per_second": self.rate, "reference": self.reference,
            "reference_per_second": self.reference_rate, "ratio": self.ratio(), "goal": self.goal,
        })
    }
}
