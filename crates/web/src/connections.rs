//! Connections: those of people and programs that have shown who they are stay; a stranger's makes room.
//!
//! Whoever opens connections and sends half a request on each takes descriptors that a station needs. None is
//! refused: a new stranger takes the place of the oldest one, of the same network first. A request that is allowed
//! for a person or a token makes its connection a known one ([`Connection::known`]), which nobody displaces.

use std::collections::{BTreeMap, HashMap};
use std::future::{Ready, ready};
use std::io;
use std::net::IpAddr;
use std::pin::Pin;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::task::{Context, Poll};
use std::time::Duration;

use axum::Extension;
use axum::middleware::AddExtension;
use axum_server::accept::Accept;
use rustix::process::{Resource, getrlimit, setrlimit};
use tokio::io::{AsyncRead, AsyncWrite, ReadBuf};
use tokio::net::TcpStream;
use tokio::sync::oneshot;
use tokio::time::Sleep;
use tower::Layer;

use crate::guard::network;

/// How long a request may take to come.
#[derive(Debug, Clone, Copy)]
pub struct Patience {
    /// Time for the head of a request, and for which a connection stays open without one.
    pub head: Duration,
    /// Time from one piece of a request's body to the next.
    pub body: Duration,
}

impl Default for Patience {
    fn default() -> Self {
        Self { head: Duration::from_secs(30), body: Duration::from_secs(30) }
    }
}

/// Time for which a reader may take nothing of an answer.
const ANSWER: Duration = Duration::from_secs(60);
/// Strangers' connections at a time.
const STRANGERS: usize = 1024;
/// Of one network.
const OF_ONE: usize = 128;
/// Descriptors for the book, chips, files and known connections, which strangers must leave.
const RESERVED: u64 = 512;

/// Raises the limit of open files to what the system allows, and says how many strangers there is room for.
pub fn room() -> usize {
    let limit = getrlimit(Resource::Nofile);
    let raised = rustix::process::Rlimit { current: limit.maximum, maximum: limit.maximum };
    let open = match setrlimit(Resource::Nofile, raised) {
        Ok(()) => limit.maximum,
        Err(_) => limit.current,
    };
    let left = open.map_or(u64::MAX, |n| n.saturating_sub(RESERVED));
    usize::try_from(left).unwrap_or(usize::MAX).clamp(16, STRANGERS)
}

/// All strangers' connections.
#[derive(Debug, Clone)]
pub struct Connections(Arc<Mutex<Strangers>>);

#[derive(Debug)]
struct Strangers {
    most: usize,
    next: u64,
    all: BTreeMap<u64, Stranger>,
    of_network: HashMap<String, usize>,
}

#[derive(Debug)]
struct Stranger {
    network: String,
    end: oneshot::Sender<()>,
}

impl Strangers {
    fn remove(&mut self, id: u64) -> Option<Stranger> {
        let gone = self.all.remove(&id)?;
        if let Some(count) = self.of_network.get_mut(&gone.network) {
            *count -= 1;
            if *count == 0 {
                self.of_network.remove(&gone.network);
            }
        }
        Some(gone)
    }

    fn displace(&mut self, network: Option<&str>) {
        let oldest = self.all.iter().find(|(_, s)| network.is_none_or(|n| s.network == n)).map(|(id, _)| *id);
        if let Some(gone) = oldest.and_then(|id| self.remove(id)) {
            // One that has ended meanwhile needs no telling.
            let _ = gone.end.send(());
        }
    }
}

impl Connections {
    /// Room for so many strangers.
    pub fn new(most: usize) -> Self {
        Self(Arc::new(Mutex::new(Strangers { most, next: 0, all: BTreeMap::new(), of_network: HashMap::new() })))
    }

    fn strangers(&self) -> MutexGuard<'_, Strangers> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Takes one in. The receiver says when it has to go.
    fn enter(&self, from: Option<IpAddr>) -> (Connection, oneshot::Receiver<()>) {
        let network = from.map_or_else(String::new, network);
        let (end, ending) = oneshot::channel();
        let mut strangers = self.strangers();
        if strangers.of_network.get(&network).is_some_and(|n| *n >= OF_ONE.min(strangers.most)) {
            strangers.displace(Some(&network));
        }
        if strangers.all.len() >= strangers.most {
            strangers.displace(None);
        }
        let id = strangers.next;
        strangers.next += 1;
        *strangers.of_network.entry(network.clone()).or_default() += 1;
        strangers.all.insert(id, Stranger { network, end });
        (Connection { id, all: self.clone() }, ending)
    }
}

/// One connection, as its requests know it.
#[derive(Debug, Clone)]
pub struct Connection {
    id: u64,
    all: Connections,
}

impl Connection {
    /// Somebody showed on it who they are: it is a stranger's no more, and is not displaced.
    pub fn known(&self) {
        self.leave();
    }

    fn leave(&self) {
        self.all.strangers().remove(self.id);
    }
}

/// Counts connections as they come.
#[derive(Debug, Clone)]
pub struct Doorkeeper(pub Connections);

impl<S> Accept<TcpStream, S> for Doorkeeper {
    type Stream = Stream<TcpStream>;
    type Service = AddExtension<S, Connection>;
    type Future = Ready<io::Result<(Self::Stream, Self::Service)>>;

    fn accept(&self, stream: TcpStream, service: S) -> Self::Future {
        let from = stream.peer_addr().ok().map(|a| a.ip());
        let (connection, ending) = self.0.enter(from);
        let service = Extension(connection.clone()).layer(service);
        ready(Ok((Stream { inner: stream, connection, ending: Some(ending), stuck: None }, service)))
    }
}

/// A connection that ends when it is displaced, or when its reader takes nothing for a minute.
#[derive(Debug)]
pub struct Stream<I> {
    inner: I,
    connection: Connection,
    /// None once it is a known one.
    ending: Option<oneshot::Receiver<()>>,
    stuck: Option<Pin<Box<Sleep>>>,
}

impl<I> Stream<I> {
    fn displaced(&mut self, context: &mut Context<'_>) -> io::Result<()> {
        match self.ending.as_mut().map(|e| Pin::new(e).poll(context)) {
            Some(Poll::Ready(Ok(()))) => Err(io::ErrorKind::ConnectionAborted.into()),
            Some(Poll::Ready(Err(_))) => {
                self.ending = None;
                Ok(())
            }
            Some(Poll::Pending) | None => Ok(()),
        }
    }

    /// Ends a connection whose writes have waited for too long.
    fn waited<T>(&mut self, done: Poll<io::Result<T>>, context: &mut Context<'_>) -> Poll<io::Result<T>> {
        if done.is_ready() {
            self.stuck = None;
            return done;
        }
        let stuck = self.stuck.get_or_insert_with(|| Box::pin(tokio::time::sleep(ANSWER)));
        match stuck.as_mut().poll(context) {
            Poll::Ready(()) => Poll::Ready(Err(io::ErrorKind::TimedOut.into())),
            Poll::Pending => Poll::Pending,
        }
    }
}

impl<I> Drop for Stream<I> {
    fn drop(&mut self) {
        self.connection.leave();
    }
}

impl<I: AsyncRead + Unpin> AsyncRead for Stream<I> {
    fn poll_read(
        mut self: Pin<&mut Self>,
        context: &mut Context<'_>,
        buffer: &mut ReadBuf<'_>,
    ) -> Poll<io::Result<()>> {
        self.displaced(context)?;
        Pin::new(&mut self.inner).poll_read(context, buffer)
    }
}

impl<I: AsyncWrite + Unpin> AsyncWrite for Stream<I> {
    fn poll_write(mut self: Pin<&mut Self>, context: &mut Context<'_>, octets: &[u8]) -> Poll<io::Result<usize>> {
        let done = Pin::new(&mut self.inner).poll_write(context, octets);
        self.waited(done, context)
    }

    fn poll_write_vectored(
        mut self: Pin<&mut Self>,
        context: &mut Context<'_>,
        pieces: &[io::IoSlice<'_>],
    ) -> Poll<io::Result<usize>> {
        let done = Pin::new(&mut self.inner).poll_write_vectored(context, pieces);
        self.waited(done, context)
    }

    fn is_write_vectored(&self) -> bool {
        self.inner.is_write_vectored()
    }

    fn poll_flush(mut self: Pin<&mut Self>, context: &mut Context<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.inner).poll_flush(context)
    }

    fn poll_shutdown(mut self: Pin<&mut Self>, context: &mut Context<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.inner).poll_shutdown(context)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn gone(ending: &mut oneshot::Receiver<()>) -> bool {
        matches!(ending.try_recv(), Ok(()))
    }

    #[test]
    fn the_oldest_stranger_makes_room_and_nobody_known_does() {
        let all = Connections::new(3);
        let at = |n: u8| Some(IpAddr::from([192, 0, 2, n]));
        let (station, mut first) = all.enter(at(1));
        station.known();
        let mut strangers: Vec<_> = (2..5).map(|n| all.enter(at(n))).collect();
        assert!(strangers.iter_mut().all(|(_, e)| !gone(e)), "three have room");
        let (_, mut newest) = all.enter(at(9));
        assert!(gone(&mut strangers[0].1) && !gone(&mut strangers[1].1), "the oldest goes");
        assert!(!gone(&mut newest) && !gone(&mut first));
    }

    #[test]
    fn one_network_displaces_its_own() {
        let all = Connections::new(STRANGERS);
        let (_elsewhere, mut other) = all.enter(Some(IpAddr::from([198, 51, 100, 1])));
        let mut of_one: Vec<_> = (0..OF_ONE + 5).map(|_| all.enter(Some(IpAddr::from([192, 0, 2, 1])))).collect();
        let ended = of_one.iter_mut().map(|(_, e)| gone(e)).collect::<Vec<_>>();
        assert_eq!(ended.iter().filter(|e| **e).count(), 5);
        assert!(ended[..5].iter().all(|e| *e), "the oldest five");
        assert!(!gone(&mut other), "nobody else");
        assert_eq!(all.strangers().all.len(), OF_ONE + 1);
    }
}
