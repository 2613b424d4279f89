//! What comes from outside takes no more memory than it is worth: what the program held at most, as the kernel counts
//! it (`VmHWM`, proc(5)).

use std::fs::{self, File};
use std::io::{Read as _, Write as _};
use std::net::TcpStream;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

use site::access::{Gate, Role};
use site::{Site as Open, Who, access};
use standard::pem;
use zip::CompressionMethod::Stored;
use zip::write::SimpleFileOptions;

use crate::at_site::service::Service;
use crate::at_site::{Site, data, text};

const MIB: u64 = 1 << 20;
/// Beside what the program needs for nothing at all, and beside the file itself.
const BESIDE: u64 = 64 * MIB;

fn peak(id: u32) -> u64 {
    let status = fs::read_to_string(format!("/proc/{id}/status")).expect("Linux");
    let line = status.lines().find_map(|line| line.strip_prefix("VmHWM:")).expect("a peak");
    1024 * line.trim().trim_end_matches(" kB").parse::<u64>().expect("KiB")
}

/// Calls the program; what it said, and its peak. GNU time tells that of a process that has ended.
fn measured(site: &Site, typed: &[&str]) -> Option<(String, u64)> {
    let (call, file) = (site.command(typed), site.dir.path().join("peak"));
    let mut time = Command::new("/usr/bin/time");
    time.args(["-f", "%M", "-o", text(&file)]).arg(call.get_program()).args(call.get_args());
    time.env("TOUCHMARK_SITE", site.dir.path().join("site")).current_dir(site.dir.path()).stdin(Stdio::null());
    if !Path::new("/usr/bin/time").is_file() {
        println!("no /usr/bin/time (Debian: time): no peak is measured");
        return None;
    }
    let done = time.output().expect("it runs");
    let said = fs::read_to_string(&file).expect("a measure");
    let peak = 1024 * said.lines().last().expect("a line").trim().parse::<u64>().expect("KiB");
    Some((String::from_utf8_lossy(&done.stdout).into_owned(), peak))
}

/// A file with a beginning, and then `mib` MiB of one letter.
fn letters(site: &Site, name: &str, begin: &str, mib: usize, end: &str) -> PathBuf {
    let path = site.dir.path().join(name);
    let mut file = File::create(&path).expect("a file");
    file.write_all(begin.as_bytes()).expect("room");
    (0..mib).for_each(|_| file.write_all(&[b'a'; MIB as usize]).expect("room"));
    file.write_all(end.as_bytes()).expect("room");
    path
}

/// Octets that nothing packs, the same each time.
fn noise(mib: u64) -> Vec<u8> {
    let mut state = 1_u64;
    let next = |_| {
        state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        state.to_be_bytes()
    };
    (0..mib * MIB / 8).flat_map(next).collect()
}

fn stored(entries: impl IntoIterator<Item = (String, Vec<u8>)>) -> Vec<u8> {
    let mut out = zip::ZipWriter::new(std::io::Cursor::new(Vec::new()));
    for (name, octets) in entries {
        out.start_file(name, SimpleFileOptions::default().compression_method(Stored)).expect("an entry");
        out.write_all(&octets).expect("room");
    }
    out.finish().expect("an archive").into_inner()
}

/// DACs of one chip's key, each with another serial number: none is signed by anybody.
fn of_one_chip(count: u32) -> impl Iterator<Item = (String, Vec<u8>)> {
    let mut zip = zip::ZipArchive::new(File::open(data("reel-a/delivery.zip")).expect("a delivery")).expect("a ZIP");
    let names: Vec<String> = zip.file_names().map(|name| name.expect("a name").into_owned()).collect();
    let name = names.iter().find(|name| name.starts_with("dacs/")).expect("a DAC");
    let mut der = Vec::new();
    zip.by_name(name).expect("a DAC").read_to_end(&mut der).expect("read");
    // [0] EXPLICIT INTEGER 2, then the serial number (RFC 5280 §4.1).
    let version = der.windows(5).position(|at| at == [0xA0, 3, 2, 1, 2]).expect("a version");
    let serial = version + 5 + 2 + 1;
    (0..count).map(move |number| {
        let mut one = der.clone();
        one[serial..serial + 4].copy_from_slice(&number.to_be_bytes());
        (format!("{number}.der"), one)
    })
}

#[test]
fn of_files() {
    let site = Site::new("a");
    site.receive_reel("a");
    let Some((_, nothing)) = measured(&site, &["examine", text(&data("authority/paa-a.pem"))]) else { return };
    let write = |name: &str, octets: Vec<u8>| {
        let path = site.dir.path().join(name);
        fs::write(&path, octets).expect("room");
        path
    };
    let bundle: String = of_one_chip(60_000).map(|(_, der)| pem::encode("CERTIFICATE", &der)).collect();
    let mib = bundle.len() as u64 / MIB;
    let nested = (0..3).fold(noise(24), |inner, _| stored([("inner.zip".to_owned(), inner)]));
    let cases = [
        // Told before any of it is kept, so not even the file counts.
        (letters(&site, "row.csv", "chip_id,public_key\n", 48, "\n"), "reel", "row.csv, line 2: a line of more", 0),
        (letters(&site, "value.json", "[{\"chip_id\":\"", 32, "\"}]"), "reel", "a value of more than 65536", 32),
        (
            letters(&site, "quote.csv", "chip_id,public_key\n", 0, &format!("\"{}", "a\n".repeat(1 << 24))),
            "reel",
            "a row",
            32,
        ),
        (write("nested.zip", nested), "delivery", "no DAC in it", 24),
        (write("doubles.zip", stored(of_one_chip(3_000))), "delivery", "3000 DACs", 2),
        (letters(&site, "archive.zip", "PK\u{3}\u{4}", 90, ""), "examine", "is an archive", 0),
        // Each is told of, and none is held taken apart before it is judged: no PAI is given, so they are accepted.
        (write("bundle.pem", bundle.into_bytes()), "examine", "\"accepted\"", mib),
        // 9 octets each: in the outer shape of what is signed, and nothing else.
        (write("shapes.der", [0x30, 7, 0x30, 0, 0x30, 0, 3, 1, 0].repeat(300_000)), "examine", "more than 250000", 3),
    ];
    for (path, what, wanted, mib) in &cases {
        let typed: &[&str] = match *what {
            "reel" => &["reel", "receive", text(path), "--reel", "M", "--product", "Tern Vent"],
            "delivery" => &["delivery", "receive", text(path), "--reel", "A"],
            _ => &["examine", text(path)],
        };
        let (said, most) = measured(&site, typed).expect("measured before");
        let name = path.file_name().expect("a name").display();
        assert!(said.contains(wanted), "{name}: {}", said.chars().take(2_000).collect::<String>());
        let above = most.saturating_sub(nothing + mib * MIB);
        assert!(above < BESIDE, "{name} takes {} MiB beside the file", above / MIB);
    }
}

/// Sends a body of so many letters between two texts; the answer.
fn send(service: &Service, method: &str, path: &str, heads: &str, (begin, mib, end): (&str, u64, &str)) -> String {
    let address = &service.address;
    let mut stream = TcpStream::connect(address).expect("it listens");
    let length = begin.len() as u64 + mib * MIB + end.len() as u64;
    let head = format!(
        "{method} {path} HTTP/1.1\r\nhost: {address}\r\n{heads}content-length: {length}\r\nconnection: close\r\n\r\n"
    );
    stream.write_all((head + begin).as_bytes()).expect("it takes");
    // One that is refused early closes the connection.
    let _ = (0..mib).try_for_each(|_| stream.write_all(&[b'a'; MIB as usize]));
    let _ = stream.write_all(end.as_bytes());
    let mut answer = Vec::new();
    let _ = stream.read_to_end(&mut answer);
    String::from_utf8_lossy(&answer).into_owned()
}

#[test]
fn of_uploads() {
    const PASSWORD: &str = "a long enough password";
    let site = Site::new("a");
    site.receive_reel("a");
    let open = Open::open(&site.dir.path().join("site")).expect("a site");
    let now = time::OffsetDateTime::now_utc;
    let _ = access::first(&open, "Ada", PASSWORD, now).expect("an account");
    let begun = access::sign_in(&open, &Gate::default(), "Ada", PASSWORD, "test", now).expect("signed in");
    let who = Who::new("Ada").expect("a name");
    let token = access::give_token(&open, "mes", Role::Engineer.word(), 1, &who).expect("a token").to_string();
    let id: String = open.settings.site.id.chars().filter(char::is_ascii_alphanumeric).take(8).collect();
    drop(open);
    let service = Service::start(&site);
    let bearer = format!("authorization: Bearer {token}\r\n");
    let taken = |name: &str, mib: u64, answer: String, wanted: &str, before: u64| {
        assert!(answer.contains(wanted), "{name}: {}", answer.chars().take(1_000).collect::<String>());
        let above = peak(service.id()).saturating_sub(before + mib * MIB);
        assert!(above < BESIDE, "{name} takes {} MiB beside the file", above / MIB);
    };
    // Warm: what a first call needs is no file's.
    let _ = send(&service, "POST", "/api/v1/deliveries?reel=A", &bearer, ("small", 0, ""));
    let before = peak(service.id());
    let refused = send(&service, "POST", "/api/v1/deliveries?reel=A", &bearer, ("", 160, ""));
    taken("a body beyond the limit", 0, refused, "413", before);
    let line = send(
        &service,
        "POST",
        "/api/v1/reels?reel=M&product=Tern%20Vent&name=m.csv",
        &bearer,
        ("chip_id,public_key\n", 100, "\n"),
    );
    taken("a manifest of one line", 0, line, "m.csv, line 2: a line of more than", before);
    let page = format!(
        "cookie: touchmark-{id}={}\r\nx-form: {}\r\nsec-fetch-site: same-origin\r\ncontent-type: multipart/form-data; boundary=x\r\n",
        *begun.token,
        access::csrf_of(&begun.token)
    );
    let part = "--x\r\ncontent-disposition: form-data; name=\"file\"; filename=\"a.pem\"\r\n\r\n";
    let looked = send(&service, "POST", "/examine", &page, (part, 300, "\r\n--x--\r\n"));
    // It leads to where the work is watched.
    let place = looked.lines().find_map(|line| line.strip_prefix("location: ")).unwrap_or_else(|| panic!("{looked}"));
    let watched = || send(&service, "GET", place, &page, ("", 0, ""));
    let until = Instant::now() + Duration::from_secs(20);
    let done = std::iter::repeat_with(watched).find(|page| page.contains("314572800") || Instant::now() > until);
    taken("an upload to be examined", 0, done.unwrap_or_default(), "has 314572800 bytes", before);
}
