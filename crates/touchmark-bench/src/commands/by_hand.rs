//! What somebody would otherwise write to issue and check certificates: a shell loop
//! round OpenSSL, and a Python script with the `cryptography` library.

use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

use base::course::Course;
use clap::Args;
use receive::{delivery, reel};

use super::bulk::{self, Failed, ISSUER, PRODUCT, REEL, timed};
use crate::Measured;

/// Issuing and receiving, against a shell loop with OpenSSL and a Python script
///
/// Needs `openssl`, and Python with `cryptography` in `TOUCHMARK_PYTHON`.
#[derive(Debug, Args)]
pub struct ByHand {
    /// Certificates
    #[arg(long, default_value_t = 1_000)]
    dacs: usize,
    /// Where files are made; else the directory for temporary files
    #[arg(long, value_name = "DIR")]
    at: Option<PathBuf>,
}

/// Makes a certificate for each key in `keys`, and then checks each: as a shell user does.
const LOOP: &str = r#"
set -eu
cd "$1"
begun=$(date +%s.%N)
for key in keys/*.pem; do
  name=$(basename "$key" .pem)
  openssl req -new -key own.pem -subj "/CN=Tern Vent $name/1.3.6.1.4.1.37244.2.1=FFF2/1.3.6.1.4.1.37244.2.2=8A21" -out request.csr
  openssl x509 -req -in request.csr -force_pubkey "$key" -CA pai.pem -CAkey pai.key -days 3650 -sha256 \
    -extfile dac.ext -set_serial "0x$(openssl rand -hex 16)" -out "loop/$name.pem" 2>/dev/null
done
issued=$(date +%s.%N)
for certificate in loop/*.pem; do
  openssl verify -partial_chain -trusted pai.pem "$certificate" >/dev/null
done
checked=$(date +%s.%N)
echo "$begun $issued $checked" | awk '{ print $2 - $1, $3 - $2 }'
"#;

const SCRIPT: &str = r#"
import sys, time, pathlib, datetime
from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
where = pathlib.Path(sys.argv[1])
pai = x509.load_pem_x509_certificate((where / "pai.pem").read_bytes())
key = serialization.load_pem_private_key((where / "pai.key").read_bytes(), None)
oid = x509.ObjectIdentifier
begin = datetime.datetime(2026, 1, 1)
started = time.perf_counter()
made = []
for path in sorted((where / "keys").glob("*.pem")):
    public = serialization.load_pem_public_key(path.read_bytes())
    subject = x509.Name([
        x509.NameAttribute(oid("2.5.4.3"), "Tern Vent " + path.stem),
        x509.NameAttribute(oid("1.3.6.1.4.1.37244.2.1"), "FFF2"),
        x509.NameAttribute(oid("1.3.6.1.4.1.37244.2.2"), "8A21"),
    ])
    certificate = (
        x509.CertificateBuilder().subject_name(subject).issuer_name(pai.subject).public_key(public)
        .serial_number(x509.random_serial_number()).not_valid_before(begin)
        .not_valid_after(begin + datetime.timedelta(days=3650))
        .add_extension(x509.BasicConstraints(ca=False, path_length=None), critical=True)
        .add_extension(x509.KeyUsage(True, False, False, False, False, False, False, False, False), critical=True)
        .add_extension(x509.SubjectKeyIdentifier.from_public_key(public), critical=False)
        .add_extension(x509.AuthorityKeyIdentifier.from_issuer_public_key(pai.public_key()), critical=False)
        .sign(key, hashes.SHA256())
    )
    target = where / "script" / (path.stem + ".pem")
    target.write_bytes(certificate.public_bytes(serialization.Encoding.PEM))
    made.append(target)
issued = time.perf_counter()
for path in made:
    certificate = x509.load_pem_x509_certificate(path.read_bytes())
    pai.public_key().verify(certificate.signature, certificate.tbs_certificate_bytes, ec.ECDSA(hashes.SHA256()))
print(issued - started, time.perf_counter() - issued)
"#;

const EXTENSIONS: &str = "basicConstraints=critical,CA:FALSE\nkeyUsage=critical,digitalSignature\n\
                          subjectKeyIdentifier=hash\nauthorityKeyIdentifier=keyid\n";

/// Measures.
pub fn run(args: &ByHand) -> Result<Measured, String> {
    measure(args).map_err(|e| e.to_string())
}

fn openssl(folder: &Path, arguments: &[&str]) -> Result<(), Failed> {
    let run = Command::new("openssl").args(arguments).current_dir(folder).stdin(Stdio::null()).output()?;
    match run.status.success() {
        true => Ok(()),
        false => Err(format!("openssl {arguments:?}: {}", String::from_utf8_lossy(&run.stderr)).into()),
    }
}

/// Runs a script that prints the seconds that issuing and checking took.
fn by_hand(command: &mut Command) -> Result<(f64, f64), Failed> {
    let run = command.stdin(Stdio::null()).output()?;
    let said = String::from_utf8_lossy(&run.stdout);
    let mut numbers = said.split_whitespace().map(str::parse::<f64>);
    match (run.status.success(), numbers.next(), numbers.next()) {
        (true, Some(Ok(issued)), Some(Ok(checked))) => Ok((issued, checked)),
        _ => Err(format!("{said} {}", String::from_utf8_lossy(&run.stderr)).into()),
    }
}

fn measure(args: &ByHand) -> Result<Measured, Failed> {
    let folder = bulk::folder(args.at.as_ref())?;
    let dir = folder.path();
    let keys = bulk::keys(args.dacs)?;
    bulk::manifest(&dir.join("manifest.csv"), &keys)?;
    for name in ["keys", "loop", "script"] {
        fs::create_dir(dir.join(name))?;
    }
    for (number, key) in keys.iter().enumerate() {
        // SubjectPublicKeyInfo of a P-256 point (RFC 5480 §2).
        let head =
            b"\x30\x59\x30\x13\x06\x07\x2A\x86\x48\xCE\x3D\x02\x01\x06\x08\x2A\x86\x48\xCE\x3D\x03\x01\x07\x03\x42\x00";
        let text = standard::pem::encode("PUBLIC KEY", &[&head[..], key.point()].concat());
        fs::write(dir.join(format!("keys/{number:06}.pem")), text)?;
    }
    fs::write(dir.join("dac.ext"), EXTENSIONS)?;
    let pai = "/CN=Quarry Lane Test PAI/1.3.6.1.4.1.37244.2.1=FFF2";
    let curve = ["ecparam", "-name", "prime256v1", "-genkey", "-noout", "-out"];
    openssl(dir, &[&curve[..], &["pai.key"]].concat())?;
    openssl(dir, &[&curve[..], &["own.pem"]].concat())?;
    let own = ["req", "-x509", "-new", "-key", "pai.key", "-days", "3650", "-subj", pai, "-out", "pai.pem"];
    openssl(dir, &own)?;

    let by_loop = by_hand(Command::new("bash").arg("-c").arg(LOOP).arg("loop").arg(dir))?;
    let script = dir.join("issue.py");
    fs::write(&script, SCRIPT)?;
    let python = std::env::var_os("TOUCHMARK_PYTHON").unwrap_or_else(|| "python3".into());
    let by_script = by_hand(Command::new(python).arg(&script).arg(dir))?;

    let course = Course::new();
    let (ours, who) = bulk::site(&dir.join("issue"))?;
    let map = reel::Options::default();
    reel::receive(&ours, &dir.join("manifest.csv"), REEL, PRODUCT, &map, &who, &course)?;
    let unlock = bulk::passphrase()?;
    let issued = timed(|| Ok(delivery::issue(&ours, REEL, ISSUER, &unlock, &who, &Course::new())?.issued))?;
    let (other, who) = bulk::site(&dir.join("receive"))?;
    reel::receive(&other, &dir.join("manifest.csv"), REEL, PRODUCT, &map, &who, &Course::new())?;
    let (signer, pai) = bulk::issuer(&other)?;
    let zip = dir.join("delivery.zip");
    bulk::delivery(&zip, &pai, &bulk::dacs(signer.as_ref(), &pai, &keys)?)?;
    let received =
        timed(|| Ok(delivery::receive(&other, &zip, REEL, false, None, &who, &Course::new())?.certificates.accepted))?;
    if (issued.0, received.0) != (args.dacs, args.dacs) {
        return Err(format!("{} issued and {} received", issued.0, received.0).into());
    }
    let mut words = Vec::new();
    let mut measured = Vec::new();
    for (what, ours, by_loop, by_script) in [
        ("issuing, stored durably", issued.1, by_loop.0, by_script.0),
        (
            "receiving: all rules, matched, stored durably; by hand the signature alone",
            received.1,
            by_loop.1,
            by_script.1,
        ),
    ] {
        words.push(format!(
            "{what}: {} certificates in {ours:.2} s; a shell loop with OpenSSL {by_loop:.1} s, {:.0} times; \
             a Python script {by_script:.2} s, {:.1} times",
            args.dacs,
            by_loop / ours,
            by_script / ours
        ));
        measured.push(serde_json::json!({
            "what": what, "seconds": ours, "shell_loop_seconds": by_loop, "python_seconds": by_script,
            "shell_loop_multiple": by_loop / ours, "python_multiple": by_script / ours,
        }));
    }
    Ok(Measured { json: serde_json::json!({ "dacs": args.dacs, "measured": measured }), words })
}
