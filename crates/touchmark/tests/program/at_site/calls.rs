//! Calls to a server over HTTP, and strangers who never finish theirs.

use std::io::{self, Read as _, Write as _};
use std::net::{Ipv4Addr, SocketAddr, TcpStream};
use std::time::Duration;

use socket2::{Domain, Socket, Type};

/// One request, waited for at most so long: status and body of the answer.
pub fn ask(
    address: &str,
    (method, path): (&str, &str),
    heads: &str,
    body: &str,
    patience: Duration,
) -> io::Result<(u16, String)> {
    let mut stream = TcpStream::connect(address)?;
    stream.set_read_timeout(Some(patience))?;
    let length = body.len();
    write!(
        stream,
        "{method} {path} HTTP/1.1\r\nhost: {address}\r\n{heads}content-length: {length}\r\nconnection: close\r\n\r\n{body}"
    )?;
    let mut answer = String::new();
    stream.read_to_string(&mut answer)?;
    let status = answer.get(9..12).and_then(|digits| digits.parse().ok());
    let parts = status.zip(answer.split_once("\r\n\r\n"));
    let (status, (_, body)) = parts.ok_or_else(|| io::Error::other(format!("no answer: {answer:?}")))?;
    Ok((status, body.to_owned()))
}

/// A connection of a network of its own, with half a head on it.
pub fn stranger(to: SocketAddr, number: u16) -> Option<TcpStream> {
    let [high, low] = number.to_be_bytes();
    let from = SocketAddr::from((Ipv4Addr::new(127, 1, high, low.max(1)), 0));
    let socket = Socket::new(Domain::IPV4, Type::STREAM, None).ok()?;
    socket.bind(&from.into()).ok()?;
    socket.connect_timeout(&to.into(), Duration::from_secs(2)).ok()?;
    let mut stream = TcpStream::from(socket);
    stream.write_all(b"GET / HTTP/1.1\r\nhost: ").ok()?;
    Some(stream)
}
