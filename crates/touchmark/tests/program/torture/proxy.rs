//! A way to the database server that can be cut: TCP on this machine, passed on to its socket.

use std::io::{Read, Write};
use std::net::{Shutdown, TcpListener, TcpStream};
use std::os::unix::net::UnixStream;
use std::path::PathBuf;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use std::thread;

/// Connections that pass now, and whether new ones may.
#[derive(Default)]
struct Ways {
    shut: AtomicBool,
    open: Mutex<Vec<TcpStream>>,
}

/// The proxy; its threads end with the test's process.
pub struct Proxy {
    pub port: u16,
    ways: Arc<Ways>,
}

impl Proxy {
    pub fn to(socket: PathBuf) -> Self {
        let listener = TcpListener::bind("127.0.0.1:0").expect("a port");
        let port = listener.local_addr().expect("an address").port();
        let ways = Arc::new(Ways::default());
        let theirs = Arc::clone(&ways);
        thread::spawn(move || {
            for client in listener.incoming().flatten() {
                // A client that is let down here finds its connection closed, as by a broken switch.
                let Ok(server) = UnixStream::connect(&socket) else { continue };
                if theirs.shut.load(Ordering::SeqCst) {
                    continue;
                }
                pass(&theirs, &client, &server);
            }
        });
        Self { port, ways }
    }

    /// Cuts all connections, in the middle of whatever passes.
    pub fn cut(&self) {
        for client in self.ways.open.lock().unwrap_or_else(PoisonError::into_inner).drain(..) {
            let _ = client.shutdown(Shutdown::Both);
        }
    }

    /// Lets no connection through until [`Self::mend`].
    pub fn shut(&self) {
        self.ways.shut.store(true, Ordering::SeqCst);
        self.cut();
    }

    pub fn mend(&self) {
        self.ways.shut.store(false, Ordering::SeqCst);
    }
}

fn pass(ways: &Ways, client: &TcpStream, server: &UnixStream) {
    let _ = client.set_nodelay(true);
    let (Ok(to_cut), Ok(client_in), Ok(client_out)) = (client.try_clone(), client.try_clone(), client.try_clone())
    else {
        return;
    };
    let (Ok(server_in), Ok(server_out)) = (server.try_clone(), server.try_clone()) else { return };
    ways.open.lock().unwrap_or_else(PoisonError::into_inner).push(to_cut);
    thread::spawn(move || {
        copy(client_in, &server_out);
        let _ = server_out.shutdown(Shutdown::Both);
    });
    thread::spawn(move || {
        copy(server_in, &client_out);
        let _ = client_out.shutdown(Shutdown::Both);
    });
}

fn copy(mut from: impl Read, mut to: impl Write) {
    let mut some = [0; 4096];
    while let Ok(length @ 1..) = from.read(&mut some) {
        if to.write_all(&some[..length]).is_err() {
            return;
        }
    }
}
