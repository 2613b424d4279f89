//! Datagrams over UDP, IPv6 and IPv4 (RFC 768).

use std::io::{self, ErrorKind};
use std::net::{IpAddr, Ipv4Addr, Ipv6Addr, SocketAddr, SocketAddrV6, ToSocketAddrs as _, UdpSocket};
use std::time::Duration;

use standard::session::MAX_DATAGRAM;

use super::{Lost, Transport};

/// The port of a unit that says no other (Core Spec 4.3).
pub const PORT: u16 = 5540;

/// A socket that hears one unit only.
#[derive(Debug)]
pub struct Udp {
    socket: UdpSocket,
    peer: SocketAddr,
}

impl Udp {
    /// Opens a socket to `peer`.
    ///
    /// # Errors
    ///
    /// Where this machine has no way there.
    pub fn open(peer: SocketAddr) -> io::Result<Self> {
        let any: IpAddr = if peer.is_ipv4() { Ipv4Addr::UNSPECIFIED.into() } else { Ipv6Addr::UNSPECIFIED.into() };
        let socket = UdpSocket::bind((any, 0))?;
        // Connected, the kernel drops what others send.
        socket.connect(peer)?;
        Ok(Self { socket, peer })
    }
}

impl Transport for Udp {
    fn send(&mut self, datagram: &[u8]) -> Result<(), Lost> {
        // Refused or unreachable is what the network says now: the unit may be starting. It is sent again.
        let _ = self.socket.send(datagram);
        Ok(())
    }

    fn receive(&mut self, wait: Duration) -> Result<Option<Vec<u8>>, Lost> {
        let lost = |e: io::Error| Lost(format!("the socket to {} failed: {e}", self.peer));
        self.socket.set_read_timeout(Some(wait.max(Duration::from_millis(1)))).map_err(lost)?;
        let mut room = [0; MAX_DATAGRAM + 1];
        match self.socket.recv(&mut room) {
            Ok(length) => Ok(Some(room[..length].to_vec())),
            Err(e) if matches!(e.kind(), ErrorKind::WouldBlock | ErrorKind::TimedOut | ErrorKind::Interrupted) => {
                Ok(None)
            }
            Err(e) if matches!(e.kind(), ErrorKind::ConnectionRefused | ErrorKind::HostUnreachable) => {
                // An ICMP answer to what was sent; it comes at once, and must not be asked for in a circle.
                std::thread::sleep(wait.min(Duration::from_millis(5)));
                Ok(None)
            }
            Err(e) => Err(lost(e)),
        }
    }

    fn at(&self) -> String {
        self.peer.to_string()
    }
}

/// Reads `HOST`, `HOST:PORT` or `[IPV6%INTERFACE]:PORT`.
///
/// - `interface`: for a link-local address without one.
///
/// # Errors
///
/// Why it is no address, as a sentence's end.
pub fn resolve(text: &str, interface: Option<&str>) -> Result<SocketAddr, String> {
    let (host, port) = match text.strip_prefix('[').and_then(|rest| rest.split_once(']')) {
        Some((host, "")) => (host, PORT),
        Some((host, port)) => (host, number(port.strip_prefix(':').unwrap_or(""))?),
        None if text.matches(':').count() > 1 => (text, PORT),
        None => match text.rsplit_once(':') {
            Some((host, port)) => (host, number(port)?),
            None => (text, PORT),
        },
    };
    let (host, zone) = host.split_once('%').map_or((host, interface), |(host, zone)| (host, Some(zone)));
    if let Ok(address) = host.parse::<Ipv6Addr>() {
        let scope = if address.is_unicast_link_local() { scope(zone)? } else { 0 };
        return Ok(SocketAddrV6::new(address, port, 0, scope).into());
    }
    (host, port)
        .to_socket_addrs()
        .map_err(|e| format!("{text:?} names no host: {e}"))?
        .next()
        .ok_or_else(|| format!("{text:?} has no address"))
}

fn number(port: &str) -> Result<u16, String> {
    port.parse().ok().filter(|port| *port != 0).ok_or_else(|| format!("{port:?} is not a port of 1 to 65535"))
}

/// The index of an interface: a number, or a name that the system knows.
fn scope(zone: Option<&str>) -> Result<u32, String> {
    let zone = zone.ok_or("a link-local address needs its interface, as in [fe80::1%eth0]:5540 or with --interface")?;
    if let Ok(index) = zone.parse() {
        return Ok(index);
    }
    let path = format!("/sys/class/net/{zone}/ifindex");
    let safe = !zone.contains('/') && !zone.is_empty();
    let index = safe.then(|| std::fs::read_to_string(path).ok()).flatten();
    index.and_then(|text| text.trim().parse().ok()).ok_or_else(|| format!("there is no interface {zone:?}"))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// RFC 3986 §3.2.2 and RFC 6874 forms.
    #[test]
    fn addresses() {
        for (text, address) in [
            ("127.0.0.1", Some("127.0.0.1:5540")),
            ("127.0.0.1:6000", Some("127.0.0.1:6000")),
            ("::1", Some("[::1]:5540")),
            ("[::1]", Some("[::1]:5540")),
            ("[::1]:6000", Some("[::1]:6000")),
            ("[fe80::1%3]:6000", Some("[fe80::1%3]:6000")),
            ("[fe80::1]:6000", None),
            ("[fe80::1%no such]:6000", None),
            ("[fe80::1%../lo]:6000", None),
            ("127.0.0.1:0", None),
            ("127.0.0.1:x", None),
            ("[::1]x", None),
            ("", None),
        ] {
            assert_eq!(resolve(text, None).ok().map(|a| a.to_string()).as_deref(), address, "{text}");
        }
        assert_eq!(resolve("fe80::1", Some("7")).map(|a| a.to_string()), Ok("[fe80::1%7]:5540".into()));
    }
}
