//! A driver's process and the lines between us: never trusted, never waited
//! for past its time.
//!
//! Two threads stand between the pipes and us, so that neither a driver that
//! does not read nor one that does not write can stop a call. They end with
//! the process. Memory is bounded: a line by [`LONGEST_LINE`], lines waiting by
//! a handful.

use std::hash::{BuildHasher as _, Hasher as _, RandomState};
use std::io::{BufRead, BufReader, Read, Write};
use std::process::{Child, ChildStderr, ChildStdout, Command, Stdio};
use std::sync::mpsc::{Receiver, RecvTimeoutError, SyncSender, TryRecvError, sync_channel};
use std::sync::{Arc, Mutex};
use std::thread;
use std::time::{Duration, Instant};

use serde::Deserialize;
use serde_json::{Value, json};

use super::Patience;

/// Octets of one line, either way: an object of 100,000 octets in hex, with room.
pub const LONGEST_LINE: usize = 256 * 1024;
/// How long a driver may take to end once its input is closed.
const FAREWELL: Duration = Duration::from_millis(500);
/// What is kept of its standard error, in octets.
const KEPT: usize = 400;

/// Why a call has no result.
#[derive(Debug)]
pub enum Failed {
    /// Nothing came in time.
    Silent,
    /// The process ended.
    Died,
    /// What came is not the protocol: what it was.
    Garbled(String),
    /// It answered with an error.
    Said(RpcError),
}

/// The error object of JSON-RPC 2.0 §5.1.
#[derive(Debug, Deserialize)]
pub struct RpcError {
    pub code: i64,
    pub message: String,
    #[serde(default)]
    pub data: Value,
}

/// The response object of JSON-RPC 2.0 §5.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Response {
    jsonrpc: String,
    id: Value,
    // Told apart from a member that is absent: `null` is a result too.
    #[serde(default, deserialize_with = "present")]
    result: Option<Value>,
    error: Option<RpcError>,
}

fn present<'de, D: serde::Deserializer<'de>>(from: D) -> Result<Option<Value>, D::Error> {
    Value::deserialize(from).map(Some)
}

enum Line {
    Text(Vec<u8>),
    TooLong,
}

/// A user of this machine, for a driver that is to be another than the program itself.
pub struct User {
    name: String,
    id: u32,
    group: u32,
}

impl User {
    /// Asks the machine, by the command that POSIX has for it: users may come from a directory service.
    pub fn find(name: &str) -> Result<Self, String> {
        let ask = |what: &str| {
            let answer = Command::new("id").args([what, "--", name]).stderr(Stdio::null()).output().ok()?;
            String::from_utf8_lossy(&answer.stdout).trim().parse::<u32>().ok()
        };
        let (Some(id), Some(group)) = (ask("-u"), ask("-g")) else {
            return Err(format!("this machine has no user {}, as whom it is to run", shown(name)));
        };
        Ok(Self { name: name.to_owned(), id, group })
    }
}

/// A running driver.
pub struct Driver {
    child: Child,
    /// `None` once its input is closed.
    to: Option<SyncSender<Vec<u8>>>,
    from: Receiver<Line>,
    said: Arc<Mutex<Vec<u8>>>,
    calls: u64,
    /// Set when it is not worth a farewell.
    broken: bool,
    /// What stands in the environment of all that it starts.
    scope: String,
}

impl Driver {
    /// Starts the program and exchanges `hello`.
    pub fn start(words: &[String], patience: &Patience, user: Option<&User>) -> Result<Self, String> {
        let (program, arguments) = words.split_first().ok_or("no program is named")?;
        let mut command = Command::new(program);
        command.args(arguments).stdin(Stdio::piped()).stdout(Stdio::piped()).stderr(Stdio::piped());
        // A vendor's tool has no business with the keys of the site, nor with the server of its book.
        for (name, _) in std::env::vars_os() {
            let ours = ["TOUCHMARK_", "PG"].iter().any(|prefix| name.as_encoded_bytes().starts_with(prefix.as_bytes()));
            if ours {
                command.env_remove(name);
            }
        }
        let scope = format!("{SCOPE}={}-{:016x}", std::process::id(), RandomState::new().build_hasher().finish());
        command.env(SCOPE, &scope[SCOPE.len() + 1..]);
        // In a group of its own, what it started ends with it.
        #[cfg(unix)]
        std::os::unix::process::CommandExt::process_group(&mut command, 0);
        #[cfg(unix)]
        if let Some(user) = user {
            // The library takes the program's other groups away too.
            std::os::unix::process::CommandExt::uid(&mut command, user.id);
            std::os::unix::process::CommandExt::gid(&mut command, user.group);
            command.env("USER", &user.name).env("LOGNAME", &user.name).env_remove("HOME").current_dir("/");
        }
        let mut child = command.spawn().map_err(|e| match user {
            Some(user) if e.kind() == std::io::ErrorKind::PermissionDenied => format!(
                "{program} can't be started as user {}: {e}. Only root may do that, and the user must be able to reach the program",
                user.name
            ),
            _ => format!("{program} can't be started: {e}"),
        })?;
        let (Some(mut input), Some(output), Some(errors)) =
            (child.stdin.take(), child.stdout.take(), child.stderr.take())
        else {
            return Err("the pipes to it are missing".into());
        };
        let (to, lines) = sync_channel::<Vec<u8>>(4);
        thread::spawn(move || {
            // Ends when we close the channel, or when the process is gone.
            while let Ok(line) = lines.recv() {
                if input.write_all(&line).and_then(|()| input.flush()).is_err() {
                    break;
                }
            }
        });
        let (found, from) = sync_channel(4);
        thread::spawn(move || read_lines(output, &found));
        let said = Arc::new(Mutex::new(Vec::new()));
        let keep = Arc::clone(&said);
        thread::spawn(move || keep_tail(errors, &keep));
        let mut this = Self { child, to: Some(to), from, said, calls: 0, broken: false, scope };
        this.hello(patience)?;
        Ok(this)
    }

    fn hello(&mut self, patience: &Patience) -> Result<(), String> {
        let params = json!({"protocol": super::PROTOCOL, "host": concat!("touchmark ", env!("CARGO_PKG_VERSION"))});
        let answered = self.call("hello", params, patience.start);
        self.broken = answered.is_err();
        let answer = answered.map_err(|failed| match failed {
            Failed::Silent => format!("no answer to hello within {:.1} s", patience.start.as_secs_f64()),
            Failed::Died => self.last_words("it ended before it answered hello"),
            Failed::Garbled(what) => self.last_words(&what),
            Failed::Said(error) => format!("it answered hello with an error: {}", shown(&error.message)),
        })?;
        match answer.get("protocol").and_then(Value::as_u64) {
            Some(super::PROTOCOL) => Ok(()),
            found => {
                self.broken = true;
                let found = found.map_or("none".to_owned(), |n| n.to_string());
                Err(format!("it speaks protocol {found}, but this program speaks {}", super::PROTOCOL))
            }
        }
    }

    /// One call and its answer.
    pub fn call(&mut self, method: &str, params: Value, patience: Duration) -> Result<Value, Failed> {
        // What was said without being asked can't be told from a late answer.
        match self.from.try_recv() {
            Err(TryRecvError::Empty) => {}
            Err(TryRecvError::Disconnected) => return Err(Failed::Died),
            Ok(_) => return Err(Failed::Garbled("it wrote a line without being asked".into())),
        }
        self.calls += 1;
        let id = self.calls;
        let mut line = json!({"jsonrpc": "2.0", "id": id, "method": method, "params": params}).to_string().into_bytes();
        line.push(b'\n');
        if line.len() > LONGEST_LINE {
            return Err(Failed::Garbled(format!("a call of {} bytes is longer than a line may be", line.len())));
        }
        let begun = Instant::now();
        let sent = self.to.as_ref().is_some_and(|to| to.try_send(line).is_ok());
        if !sent {
            return Err(Failed::Died);
        }
        match self.from.recv_timeout(patience.saturating_sub(begun.elapsed())) {
            Ok(Line::Text(text)) => read(&text, id),
            Ok(Line::TooLong) => Err(Failed::Garbled(format!("it wrote a line of more than {LONGEST_LINE} bytes"))),
            Err(RecvTimeoutError::Timeout) => Err(Failed::Silent),
            Err(RecvTimeoutError::Disconnected) => Err(Failed::Died),
        }
    }

    /// Marks it as not worth a farewell: it is killed when dropped.
    pub fn give_up(&mut self) {
        self.broken = true;
    }

    /// `what`, and the last line of its standard error.
    pub fn last_words(&self, what: &str) -> String {
        // Its last words may still be on their way through the pipe.
        thread::sleep(Duration::from_millis(20));
        let said = self.said.lock().map(|said| said.clone()).unwrap_or_default();
        let said = String::from_utf8_lossy(&said);
        match said.lines().rev().find(|line| !line.trim().is_empty()) {
            Some(line) => format!("{what}; its standard error ends with: {}", shown(line)),
            None => what.to_owned(),
        }
    }

    fn kill(&mut self) {
        #[cfg(unix)]
        if let Some(group) = i32::try_from(self.child.id()).ok().and_then(rustix::process::Pid::from_raw) {
            let _ = rustix::process::kill_process_group(group, rustix::process::Signal::KILL);
        }
        let _ = self.child.kill();
        self.end_scope();
    }

    /// Ends what it started in groups and sessions of their own, which a driver that is gone has no use for.
    fn end_scope(&self) {
        #[cfg(target_os = "linux")]
        for _ in 0..LOOKS {
            let mut any = false;
            for process in std::fs::read_dir("/proc").into_iter().flatten().flatten() {
                let id = process.file_name().to_str().and_then(|name| name.parse::<i32>().ok());
                let Some(id) = id.and_then(rustix::process::Pid::from_raw) else { continue };
                // Those of other users show nothing, and are none of ours.
                let Ok(environment) = std::fs::read(process.path().join("environ")) else { continue };
                if environment.split(|octet| *octet == 0).any(|variable| variable == self.scope.as_bytes()) {
                    any |= rustix::process::kill_process(id, rustix::process::Signal::KILL).is_ok();
                }
            }
            if !any {
                return;
            }
        }
    }
}

/// How often what a driver started is looked for: what is killed may have started another meanwhile.
#[cfg(target_os = "linux")]
const LOOKS: u32 = 8;
/// The variable that marks whatever a driver starts.
const SCOPE: &str = "CHIP_DRIVER_SCOPE";

impl Drop for Driver {
    fn drop(&mut self) {
        // Closing its input asks it to end.
        self.to = None;
        let begun = Instant::now();
        while !self.broken && begun.elapsed() < FAREWELL {
            if matches!(self.child.try_wait(), Ok(Some(_))) {
                break;
            }
            thread::sleep(Duration::from_millis(5));
        }
        // The group may outlive its leader, so it is ended in any case.
        self.kill();
        // Killed, it is gone within a moment, unless a device holds it in the kernel.
        for _ in 0..100 {
            if !matches!(self.child.try_wait(), Ok(None)) {
                return;
            }
            thread::sleep(Duration::from_millis(5));
        }
    }
}

/// Reads a response to call `id`.
pub(super) fn read(text: &[u8], id: u64) -> Result<Value, Failed> {
    let garbled = |what: String| Err(Failed::Garbled(what));
    let response: Response = match serde_json::from_slice(text) {
        Ok(response) => response,
        Err(_) => return garbled(format!("it wrote a line that is not a JSON-RPC response: {}", shown_octets(text))),
    };
    if response.jsonrpc != "2.0" {
        return garbled("its answer is not JSON-RPC 2.0".into());
    }
    if response.id != json!(id) {
        return garbled(format!("it answered call {} instead of call {id}", shown(&response.id.to_string())));
    }
    match (response.result, response.error) {
        (Some(result), None) => Ok(result),
        (None, Some(error)) => Err(Failed::Said(error)),
        _ => garbled("its answer does not have exactly one of result and error".into()),
    }
}

fn read_lines(output: ChildStdout, found: &SyncSender<Line>) {
    let mut output = BufReader::new(output);
    loop {
        let mut line = Vec::new();
        match output.by_ref().take(LONGEST_LINE as u64 + 1).read_until(b'\n', &mut line) {
            Ok(0) | Err(_) => return,
            Ok(length) if length > LONGEST_LINE => {
                let _ = found.send(Line::TooLong);
                return;
            }
            // A last line without its ending was cut off by the driver's death.
            Ok(_) if line.last() != Some(&b'\n') => return,
            Ok(_) => {
                if found.send(Line::Text(line)).is_err() {
                    return;
                }
            }
        }
    }
}

/// Reads standard error to its end and keeps the last of it.
fn keep_tail(mut errors: ChildStderr, keep: &Mutex<Vec<u8>>) {
    let mut some = [0; 1024];
    while let Ok(length @ 1..) = errors.read(&mut some) {
        let Ok(mut kept) = keep.lock() else { return };
        kept.extend_from_slice(&some[..length]);
        let surplus = kept.len().saturating_sub(KEPT);
        kept.drain(..surplus);
    }
}

/// A driver's words, short and without control characters.
pub fn shown(text: &str) -> String {
    text.trim().chars().take(160).map(|c| if c.is_control() { ' ' } else { c }).collect()
}

fn shown_octets(octets: &[u8]) -> String {
    shown(&String::from_utf8_lossy(&octets[..octets.len().min(200)]))
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// JSON-RPC 2.0 §5: exactly one of result and error, the same id.
    #[test]
    fn responses() {
        for (text, sound) in [
            (r#"{"jsonrpc":"2.0","id":7,"result":{"a":1}}"#, true),
            (r#"{"jsonrpc":"2.0","id":7,"result":null}"#, true),
            (r#"{"jsonrpc":"2.0","id":7}"#, false),
            (r#"{"jsonrpc":"2.0","id":"7","result":{}}"#, false),
            (r#"{"jsonrpc":"2.0","id":6,"result":{}}"#, false),
            (r#"{"jsonrpc":"1.0","id":7,"result":{}}"#, false),
            (r#"{"id":7,"result":{}}"#, false),
            (r#"{"jsonrpc":"2.0","id":7,"result":{},"error":{"code":1,"message":"x"}}"#, false),
            (r#"[{"jsonrpc":"2.0","id":7,"result":{}}]"#, false),
            ("", false),
        ] {
            assert_eq!(read(text.as_bytes(), 7).is_ok(), sound, "{text}");
        }
        let said = read(br#"{"jsonrpc":"2.0","id":7,"error":{"code":4,"message":"full","data":{"left":3}}}"#, 7);
        assert!(matches!(said, Err(Failed::Said(RpcError { code: 4, .. }))));
    }

    proptest! {
        #[test]
        fn any_line(octets in prop::collection::vec(any::<u8>(), 0..300)) {
            let garbled = matches!(read(&octets, 7), Err(Failed::Garbled(_)));
            prop_assert!(garbled);
        }
    }
}
