//! A stand-in on a socket, until it is stopped.

use std::io::{self, ErrorKind};
use std::net::{Ipv4Addr, Ipv6Addr, SocketAddr, UdpSocket};
use std::time::{Duration, Instant};

use socket2::{Domain, Protocol, Socket, Type};
use standard::session::MAX_DATAGRAM;

use super::{Complaint, StandIn};

/// How soon it is noticed that the stand-in is to stop.
const LOOK: Duration = Duration::from_millis(200);

/// Datagrams that are answered after the stop, at most.
const LAST: u32 = 100;

/// A socket for a stand-in on every address of this machine, IPv6 and IPv4; on IPv4 alone where there is no IPv6.
///
/// # Errors
///
/// Where the port is taken.
pub fn bind(port: u16) -> io::Result<UdpSocket> {
    let both = Socket::new(Domain::IPV6, Type::DGRAM, Some(Protocol::UDP)).and_then(|socket| {
        socket.set_only_v6(false)?;
        socket.bind(&SocketAddr::from((Ipv6Addr::UNSPECIFIED, port)).into())?;
        Ok(UdpSocket::from(socket))
    });
    match both {
        Err(e) if e.kind() != ErrorKind::AddrInUse => UdpSocket::bind((Ipv4Addr::UNSPECIFIED, port)),
        other => other,
    }
}

/// Serves until `stop` says so; tells each complaint as it comes.
///
/// # Errors
///
/// Where the socket fails.
pub fn serve(
    unit: &mut StandIn,
    socket: &UdpSocket,
    stop: &dyn Fn() -> bool,
    tell: &mut dyn FnMut(Complaint),
) -> io::Result<()> {
    let mut room = [0; MAX_DATAGRAM + 1];
    let mut after_stop = 0;
    loop {
        // What arrived before the stop is still answered, and reported.
        let stopping = stop();
        let now = Instant::now();
        unit.tick(now);
        send(unit, socket);
        unit.complaints().into_iter().for_each(&mut *tell);
        let wait = unit.due().map_or(LOOK, |due| due.saturating_duration_since(now).min(LOOK));
        let wait = if stopping { Duration::ZERO } else { wait };
        socket.set_read_timeout(Some(wait.max(Duration::from_millis(1))))?;
        match socket.recv_from(&mut room) {
            Ok((length, from)) => unit.receive(from, &room[..length], Instant::now()),
            Err(_) if stopping => return Ok(()),
            Err(e)
                if matches!(
                    e.kind(),
                    // What a home that went away answers to what it is sent.
                    ErrorKind::WouldBlock
                        | ErrorKind::TimedOut
                        | ErrorKind::Interrupted
                        | ErrorKind::ConnectionRefused
                        | ErrorKind::ConnectionReset
                ) => {}
            Err(e) => return Err(e),
        }
        send(unit, socket);
        unit.complaints().into_iter().for_each(&mut *tell);
        after_stop += u32::from(stopping);
        if after_stop > LAST {
            return Ok(());
        }
    }
}

fn send(unit: &mut StandIn, socket: &UdpSocket) {
    for (to, datagram) in unit.outgoing() {
        // What the network does not take now is sent again.
        let _ = socket.send_to(&datagram, to);
    }
}
