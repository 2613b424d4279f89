//! Strangers who send slowly, against the server itself: they end, and nobody else waits.
#![allow(clippy::unwrap_used, reason = "a test stops at the first surprise")]

use std::io::{Read, Write};
use std::net::TcpStream;
use std::sync::mpsc;
use std::time::{Duration, Instant};

use site::{Site, Who, access};
use tempfile::TempDir;
use time::OffsetDateTime;
use web::connections::Patience;
use web::serve::{Serve, run};

/// Longer than any answer takes here, shorter than a person waits.
const LONG: Duration = Duration::from_secs(20);

struct Server {
    _folder: TempDir,
    address: String,
    cookie: String,
}

/// A server of its own, with somebody signed in; it ends with the test.
fn server(patience: Patience) -> Server {
    let folder = TempDir::new().unwrap();
    let dir = folder.path().join("site");
    let who = Who::new("Ada").unwrap();
    let (site, _) = Site::create(&dir, site::NewBook::default(), "line 2", None, &who).unwrap();
    let begun = access::first(&site, "Ada", "a long enough password", OffsetDateTime::now_utc).unwrap();
    let id: String = site.settings.site.id.chars().filter(char::is_ascii_alphanumeric).take(8).collect();
    let cookie = format!("touchmark-{id}={}", *begun.token);
    let (tell, told) = mpsc::channel();
    std::thread::spawn(move || {
        let serve = Serve { listen: ([127, 0, 0, 1], 0).into(), tls: None, patience, unlock: None };
        run(site, &serve, move |started| tell.send(started.address.clone()).unwrap())
    });
    let address = told.recv_timeout(LONG).unwrap();
    let address = address.trim_start_matches("http://").trim_end_matches('/').to_owned();
    Server { _folder: folder, address, cookie }
}

impl Server {
    fn connect(&self) -> TcpStream {
        let stream = TcpStream::connect(&self.address).unwrap();
        stream.set_read_timeout(Some(LONG)).unwrap();
        stream
    }

    /// Asks for a page in Ada's name, and reads what comes first.
    fn ask(&self, stream: &mut TcpStream, path: &str) -> String {
        let head = format!("GET {path} HTTP/1.1\r\nHost: line.example\r\nCookie: {}\r\n\r\n", self.cookie);
        stream.write_all(head.as_bytes()).unwrap();
        let mut octets = [0; 1024];
        let n = stream.read(&mut octets).unwrap();
        String::from_utf8_lossy(&octets[..n]).into_owned()
    }
}

/// Whether the other side has ended it.
fn ended(stream: &mut TcpStream) -> bool {
    stream.set_nonblocking(true).unwrap();
    let mut octets = [0; 256];
    loop {
        match stream.read(&mut octets) {
            Ok(0) => return true,
            Ok(_) => {}
            Err(e) => return e.kind() != std::io::ErrorKind::WouldBlock,
        }
    }
}

#[test]
fn half_heads_end_and_people_are_answered() {
    let server = server(Patience::default());
    let mut events = server.connect();
    assert!(server.ask(&mut events, "/line/events").starts_with("HTTP/1.1 200"));
    let mut strangers = Vec::new();
    for _ in 0..600 {
        let mut stream = server.connect();
        // One that was displaced while it was being opened is as good.
        let _ = stream.write_all(b"GET /sign-in HTTP/1.1\r\nHost: li");
        strangers.push(stream);
    }
    let begun = Instant::now();
    let mut open = 600;
    while open > 128 && begun.elapsed() < LONG {
        open = strangers.iter_mut().filter_map(|s| (!ended(s)).then_some(())).count();
        std::thread::sleep(Duration::from_millis(50));
    }
    assert!(open <= 128, "{open} strangers of one address hold on");
    assert!(server.ask(&mut server.connect(), "/account").starts_with("HTTP/1.1 200"), "a new page is answered");
    assert!(!ended(&mut events), "whoever is known stays");
}

#[test]
fn a_head_and_a_body_have_their_time() {
    let brief = Duration::from_millis(300);
    let server = server(Patience { head: brief, body: brief });
    let mut half = server.connect();
    half.write_all(b"GET /sign-in HTTP/1.1\r\nHost: li").unwrap();
    let begun = Instant::now();
    // The server says that it waited for too long, or only ends.
    let mut rest = String::new();
    match half.read_to_string(&mut rest) {
        Ok(_) => assert!(rest.is_empty() || rest.starts_with("HTTP/1.1 408"), "{rest}"),
        Err(e) => assert_eq!(e.kind(), std::io::ErrorKind::ConnectionReset, "it did not end"),
    }
    assert!(begun.elapsed() < LONG / 2, "it waited for the rest");
    let mut slow = server.connect();
    slow.write_all(
        b"POST /sign-in HTTP/1.1\r\nHost: line.example\r\nContent-Type: application/x-www-form-urlencoded\r\n\
          Content-Length: 500\r\n\r\nname=A",
    )
    .unwrap();
    let begun = Instant::now();
    let mut octets = [0; 64];
    let n = slow.read(&mut octets).unwrap();
    let said = String::from_utf8_lossy(&octets[..n]).into_owned();
    assert!(said.is_empty() || said.starts_with("HTTP/1.1 4"), "{said}");
    assert!(begun.elapsed() < LONG / 2, "it did not wait for the rest");
}
