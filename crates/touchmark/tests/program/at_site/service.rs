//! The pages and the API of a site, served by the program itself.

use std::io::{BufRead as _, BufReader, Read as _};
use std::process::{Child, ChildStdout, Stdio};

use serde_json::Value;

use super::Site;

/// A server, ended when the test is.
pub struct Service {
    child: Child,
    /// Host and port.
    pub address: String,
}

impl Drop for Service {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

impl Service {
    /// Starts one, on a free port.
    pub fn start(site: &Site) -> Self {
        let (child, out) = spawn(site);
        Self { child, address: announced(out).expect("it serves") }
    }

    /// Its process.
    pub fn id(&self) -> u32 {
        self.child.id()
    }
}

/// Starts the program; [`announced`] waits until it serves.
pub fn spawn(site: &Site) -> (Child, ChildStdout) {
    let mut command = site.command(&["serve", "--listen", "127.0.0.1:0"]);
    let mut child = command.stdout(Stdio::piped()).stderr(Stdio::null()).spawn().expect("the program starts");
    let out = child.stdout.take().expect("a pipe");
    (child, out)
}

/// The address that it serves at, or what it said in place of it.
pub fn announced(out: ChildStdout) -> Result<String, String> {
    let mut out = BufReader::new(out);
    let mut said = String::new();
    let _ = out.read_line(&mut said);
    let address =
        serde_json::from_str::<Value>(&said).ok().and_then(|line| line["address"].as_str().map(str::to_owned));
    match address {
        Some(address) => Ok(address.trim_start_matches("http://").trim_end_matches('/').to_owned()),
        None => {
            let _ = out.read_to_string(&mut said);
            Err(said)
        }
    }
}
