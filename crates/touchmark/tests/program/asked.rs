//! A site that is asked: EST of `serve`, tried with curl and OpenSSL alone, and by another site's `order enrol`.

use std::collections::HashSet;
use std::io::{BufRead as _, BufReader};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::Duration;
use std::{fs, thread};

use at_site::engine::Engine;
use at_site::{Site, text};
use serde_json::Value;

use crate::{at_site, python};

/// Headquarters: a site that holds an intermediate and serves.
struct Headquarters {
    site: Site,
    tls: tempfile::TempDir,
    name: String,
    password: String,
    server: Option<(Child, u16)>,
}

impl Drop for Headquarters {
    fn drop(&mut self) {
        self.kill();
    }
}

fn run(program: &str, arguments: &[&str]) -> Vec<u8> {
    let done = Command::new(program).args(arguments).output().expect("it starts");
    assert!(done.status.success(), "{program} {arguments:?}: {}", String::from_utf8_lossy(&done.stderr));
    done.stdout
}

impl Headquarters {
    fn new(engine: &Engine, quota: &str) -> Option<Self> {
        let python = python::interpreter()?;
        let tls = tempfile::tempdir().expect("a folder");
        python::run(&python, "est.py", &[Path::new("make"), tls.path()]);
        let site = Site::on(engine, "a");
        let secret = site.dir.path().join("passphrase");
        fs::write(&secret, "a passphrase for tests\n").expect("a file");
        let with = ["--passphrase-file", text(&secret)];
        let paa = ["authority", "create", "P", "--role", "paa", "--vendor", "FFF2"];
        site.done("P", &[&paa[..], &with].concat());
        let pai = ["authority", "create", "I", "--role", "pai", "--vendor", "FFF2", "--issuer", "P"];
        site.done("I", &[&pai[..], &with].concat());
        let mut at = Self { site, tls, name: String::new(), password: String::new(), server: None };
        let allowed = at.allow("Ada", quota);
        assert_eq!(allowed["name"], "hollow-abroad-tern-vent", "{allowed}");
        assert_eq!(allowed["path"], "/.well-known/est/hollow-abroad-tern-vent", "{allowed}");
        at.name = allowed["name"].as_str().expect("a name").to_owned();
        at.password = allowed["password"].as_str().expect("a password").to_owned();
        at.serve("127.0.0.1:0");
        Some(at)
    }

    fn allow(&self, by: &str, quota: &str) -> Value {
        let who = ["--by", by, "enrolment", "allow", "--product", "Tern Vent", "--issuer", "I"];
        self.site.done("allow", &[&who[..], &["--quota", quota, "--user", "Hollow Abroad"]].concat())
    }

    fn file(&self, name: &str) -> String {
        text(&self.tls.path().join(name)).to_owned()
    }

    fn serve(&mut self, listen: &str) {
        let secret = self.site.dir.path().join("passphrase");
        let tls = self.file("tls.pem");
        let typed = ["serve", "--listen", listen, "--tls-certificate", &tls, "--tls-key", &tls];
        let mut command = self.site.command(&[&typed[..], &["--passphrase-file", text(&secret)]].concat());
        let mut child = command.stdout(Stdio::piped()).stderr(Stdio::null()).spawn().expect("it starts");
        let mut line = String::new();
        BufReader::new(child.stdout.take().expect("a pipe")).read_line(&mut line).expect("an address");
        let said: Value = serde_json::from_str(&line).unwrap_or_else(|e| panic!("{e}: {line}"));
        let port = said["address"].as_str().and_then(|a| a.trim_end_matches('/').rsplit_once(':')?.1.parse().ok());
        self.server = Some((child, port.expect("a port")));
    }

    fn kill(&mut self) -> u16 {
        let Some((mut child, port)) = self.server.take() else { return 0 };
        let _ = child.kill();
        let _ = child.wait();
        port
    }

    fn port(&self) -> u16 {
        self.server.as_ref().expect("it serves").1
    }

    /// Status and body of what curl is told to ask.
    fn curl(&self, operation: &str, more: &[&str]) -> (u16, Vec<u8>) {
        let url = format!("https://localhost:{}/.well-known/est/{}/{operation}", self.port(), self.name);
        curl(&url, &self.file("tls-ca.pem"), &format!("Hollow Abroad:{}", self.password), more)
    }

    fn enroll(&self, request: &Path) -> (u16, Vec<u8>) {
        self.curl("simpleenroll", &posting(request).iter().map(String::as_str).collect::<Vec<_>>())
    }

    /// Requests with new keys, base 64 of DER.
    fn requests(&self, count: usize) -> Vec<PathBuf> {
        let folder = self.site.dir.path().join("requests");
        fs::create_dir_all(&folder).expect("a folder");
        (0..count)
            .map(|number| {
                let (key, request) = (folder.join(format!("{number}.key")), folder.join(format!("{number}.b64")));
                run("openssl", &["ecparam", "-name", "prime256v1", "-genkey", "-noout", "-out", text(&key)]);
                self.request(&key, &request, &format!("/CN=ABC{number:04}"));
                request
            })
            .collect()
    }

    fn request(&self, key: &Path, out: &Path, subject: &str) {
        let der = run("openssl", &["req", "-new", "-key", text(key), "-subj", subject, "-outform", "DER"]);
        let plain = out.with_extension("der");
        fs::write(&plain, der).expect("written");
        fs::write(out, run("openssl", &["base64", "-in", text(&plain)])).expect("written");
    }

    /// The certificates of an answer in PEM, by OpenSSL.
    fn pem(&self, body: &[u8]) -> String {
        let file = self.site.dir.path().join("answer.b64");
        fs::write(&file, body).expect("written");
        let der = self.site.dir.path().join("answer.p7");
        run("openssl", &["base64", "-d", "-in", text(&file), "-out", text(&der)]);
        String::from_utf8(run("openssl", &["pkcs7", "-inform", "DER", "-in", text(&der), "-print_certs"]))
            .expect("text")
    }

    fn issued(&self) -> (i64, i64) {
        let list = self.site.done("list", &["enrolment", "list"]);
        let one = &list["enrolments"][0];
        (one["issued"].as_i64().expect("a count"), one["quota"].as_i64().expect("a quota"))
    }
}

fn posting(request: &Path) -> [String; 6] {
    let body = format!("@{}", text(request));
    let kind = "Content-Type: application/pkcs10".to_owned();
    ["-H".into(), kind, "-H".into(), "Content-Transfer-Encoding: base64".into(), "--data-binary".into(), body]
}

fn curl(url: &str, ca: &str, user: &str, more: &[&str]) -> (u16, Vec<u8>) {
    let fixed = ["-sS", "--max-time", "60", "--cacert", ca, "-u", user, "-w", "\n%{http_code}", url];
    let done = Command::new("curl").args(fixed).args(more).output().expect("curl starts");
    let end = done.stdout.iter().rposition(|octet| *octet == b'\n').unwrap_or(0);
    let status = String::from_utf8_lossy(&done.stdout[end..]).trim().parse().unwrap_or(0);
    (status, done.stdout[..end].to_vec())
}

on_both_engines! { curl_and_openssl_get_certificates_within_a_quota, a_hundred_at_a_time_get_one_each_whatever_dies, another_site_orders_from_headquarters }

fn curl_and_openssl_get_certificates_within_a_quota(engine: &Engine) {
    let Some(at) = Headquarters::new(engine, "3") else { return };
    let (status, body) = at.curl("cacerts", &[]);
    let chain = at.pem(&body);
    assert!(status == 200 && chain.matches("BEGIN CERTIFICATE").count() == 2, "{status} {chain}");
    let trusted = at.site.dir.path().join("chain.pem");
    fs::write(&trusted, chain).expect("written");
    let (status, body) = at.curl("csrattrs", &[]);
    let (folded, wanted) = (at.site.dir.path().join("wanted.b64"), at.site.dir.path().join("wanted"));
    fs::write(&folded, body).expect("written");
    run("openssl", &["base64", "-d", "-in", text(&folded), "-out", text(&wanted)]);
    let shown = run("openssl", &["asn1parse", "-in", text(&wanted), "-inform", "DER"]);
    let shown = String::from_utf8_lossy(&shown).into_owned();
    assert!(status == 200 && shown.contains("prime256v1") && shown.contains("ecdsa-with-SHA256"), "{shown}");

    let requests = at.requests(4);
    let (status, first) = at.enroll(&requests[0]);
    let dac = at.site.dir.path().join("dac.pem");
    fs::write(&dac, at.pem(&first)).expect("written");
    assert_eq!(status, 200, "{}", String::from_utf8_lossy(&first));
    run("openssl", &["verify", "-check_ss_sig", "-CAfile", text(&trusted), text(&dac)]);
    let key = requests[0].with_extension("key");
    let own = run("openssl", &["ec", "-in", text(&key), "-pubout"]);
    assert_eq!(run("openssl", &["x509", "-in", text(&dac), "-noout", "-pubkey"]), own);
    let verdict = at.site.call("examine", &["examine", text(&dac), text(&trusted)]);
    assert_eq!(verdict.json["verdict"], "accepted", "{}", verdict.said);

    // The same request again, and another one of the same key, also to renew: the same certificate, and one key counted.
    let again = requests[0].with_file_name("again.b64");
    at.request(&key, &again, "/CN=ABC0000/O=Tern");
    assert_eq!(at.enroll(&requests[0]), (200, first.clone()));
    assert_eq!(at.enroll(&again), (200, first.clone()));
    let renew = posting(&again);
    assert_eq!(at.curl("simplereenroll", &renew.iter().map(String::as_str).collect::<Vec<_>>()), (200, first));
    assert_eq!(at.issued(), (1, 3));

    // A quota counts keys; a higher one takes two people.
    assert_eq!((at.enroll(&requests[1]).0, at.enroll(&requests[2]).0), (200, 200));
    let (status, words) = at.enroll(&requests[3]);
    let words = String::from_utf8_lossy(&words).into_owned();
    assert!(status == 403 && words.contains("quota") && words.contains("3 keys"), "{status} {words}");
    for by in ["Ada", "ADA"] {
        let waits = at.allow(by, "4");
        assert_eq!((&waits["quota"], &waits["waiting"], &waits["password"]), (&3.into(), &4.into(), &Value::Null));
        assert_eq!(at.enroll(&requests[3]).0, 403);
    }
    assert_eq!(at.allow("Ben", "4")["quota"], 4);
    assert_eq!(at.enroll(&requests[3]).0, 200);
    assert_eq!(at.issued(), (4, 4));

    // Who is not known gets nothing; what is no request is refused.
    let url = |name: &str| format!("https://localhost:{}/.well-known/est/{name}/cacerts", at.port());
    let ca = at.file("tls-ca.pem");
    let right = format!("Hollow Abroad:{}", at.password);
    assert_eq!(curl(&url(&at.name), &ca, "Hollow Abroad:wrong", &[]).0, 401);
    assert_eq!(curl(&url(&at.name), &ca, &format!("Another:{}", at.password), &[]).0, 401);
    assert_eq!(curl(&url(&at.name), &ca, &right, &["-H", "Authorization: Bearer x"]).0, 401);
    assert_eq!(curl(&url("nobody"), &ca, &right, &[]).0, 404);
    let junk = at.site.dir.path().join("junk");
    fs::write(&junk, "MAA=").expect("written");
    assert_eq!(at.enroll(&junk).0, 403);
    fs::write(&junk, "<html>").expect("written");
    assert_eq!(at.enroll(&junk).0, 400);
    assert_eq!(at.issued(), (4, 4));

    // What was issued to others is revoked here.
    let serial = run("openssl", &["x509", "-in", text(&dac), "-noout", "-serial"]);
    let serial = String::from_utf8_lossy(&serial).trim().trim_start_matches("serial=").to_lowercase();
    let list = at.site.dir.path().join("list.crl");
    let secret = at.site.dir.path().join("passphrase");
    let revoke = ["revoke", "--credential", &serial, "--reason", "key-compromise", "--out", text(&list)];
    at.site.done("revoke", &[&revoke[..], &["--passphrase-file", text(&secret)]].concat());
    let shown = run("openssl", &["crl", "-in", text(&list), "-inform", "DER", "-noout", "-text"]);
    assert!(String::from_utf8_lossy(&shown).to_lowercase().contains(&serial), "{}", String::from_utf8_lossy(&shown));
    assert_eq!(at.site.done("verify", &["book", "verify"])["verdict"], "intact");
}

/// Requests at a time.
const MANY: usize = 100;

fn a_hundred_at_a_time_get_one_each_whatever_dies(engine: &Engine) {
    let Some(mut at) = Headquarters::new(engine, "100") else { return };
    let requests = at.requests(MANY);
    let all = |at: &Headquarters| -> Vec<(u16, Vec<u8>)> {
        thread::scope(|scope| {
            let asked: Vec<_> = requests.iter().map(|request| scope.spawn(|| at.enroll(request))).collect();
            asked.into_iter().map(|one| one.join().expect("asked")).collect()
        })
    };
    // The server is killed while they wait.
    let pid = at.server.as_ref().expect("it serves").0.id().to_string();
    let first = thread::scope(|scope| {
        scope.spawn(|| {
            while at.issued().0 < 10 {
                thread::sleep(Duration::from_millis(20));
            }
            run("kill", &["-9", &pid]);
        });
        all(&at)
    });
    let port = at.kill();
    let answered = first.iter().filter(|(status, _)| *status == 200).count();
    assert!(answered < MANY, "the kill came too late");
    at.serve(&format!("127.0.0.1:{port}"));
    let second = all(&at);
    for ((before, first), (status, second)) in first.iter().zip(&second) {
        assert_eq!(*status, 200, "{}", String::from_utf8_lossy(second));
        assert!(*before != 200 || first == second, "a key has one certificate");
    }
    let different: HashSet<&Vec<u8>> = second.iter().map(|(_, body)| body).collect();
    assert_eq!((different.len(), at.issued()), (MANY, (100, 100)));
    assert_eq!(all(&at), second, "the same again");
    assert_eq!(at.site.done("verify", &["book", "verify"])["verdict"], "intact");
}

fn another_site_orders_from_headquarters(engine: &Engine) {
    let Some(at) = Headquarters::new(engine, "5") else { return };
    let factory = Site::on(engine, "a");
    let chain = at.pem(&at.curl("cacerts", &[]).1);
    let paa = factory.dir.path().join("chain.pem");
    fs::write(&paa, chain).expect("written");
    factory.done("adopt", &["authority", "adopt", text(&paa), "--purpose", "test"]);
    factory.receive_reel("a");
    let chips = format!("simulated:{}", text(&factory.simulate_part("a", 0, 6, &[])));
    let password = factory.dir.path().join("password");
    fs::write(&password, format!("{}\n", at.password)).expect("written");
    let url = format!("est+https://localhost:{}/.well-known/est/{}", at.port(), at.name);
    let typed = ["order", "enrol", "--reel", "A", "--chips", &chips, "--to", &url, "--ca", &at.file("tls-ca.pem")];
    let who = ["--user", "Hollow Abroad", "--password-file", text(&password)];
    let ordered = factory.call("order enrol", &[&typed[..], &who].concat());
    // Six chips, and a quota of five.
    let number = |key: &str| ordered.json[key].as_u64();
    assert_eq!((ordered.exit, number("issued"), number("refused")), (Some(1), Some(5), Some(1)), "{}", ordered.said);
    assert!(ordered.said.contains("quota of enrolment"), "{}", ordered.said);
    let made =
        factory.done("provision", &["provision", "--reel", "A", "--station", "One", "--chips", &chips, "--units", "5"]);
    assert_eq!(made["passed"], 5, "{made}");
    assert_eq!(at.issued(), (5, 5));
}
