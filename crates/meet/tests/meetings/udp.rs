//! The same over sockets, side by side.

use std::net::{Ipv4Addr, Ipv6Addr, SocketAddr};
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

use meet::home::meet;
use meet::judge::Outcome;
use meet::transport::{Transport as _, Udp, resolve};
use meet::unit::{bind, serve};
use standard::session::Intervals;

use crate::scene::{judged, passcode, unit};

#[test]
fn units_are_met_side_by_side_over_udp() {
    const UNITS: usize = 24;
    let stop = AtomicBool::new(false);
    std::thread::scope(|scope| {
        let ports: Vec<u16> = (0..UNITS)
            .map(|_| {
                let socket = bind(0).expect("a port");
                let port = socket.local_addr().expect("an address").port();
                let stop = &stop;
                scope.spawn(move || {
                    serve(&mut unit(None), &socket, &|| stop.load(Ordering::Relaxed), &mut |c| panic!("{c:?}"))
                        .expect("a socket")
                });
                port
            })
            .collect();
        let met: Vec<_> = ports
            .into_iter()
            .enumerate()
            .map(|(number, port)| {
                scope.spawn(move || {
                    // Where this machine has IPv6, half of them over it.
                    let v6 = SocketAddr::from((Ipv6Addr::LOCALHOST, port));
                    let v4 = SocketAddr::from((Ipv4Addr::LOCALHOST, port));
                    let has_v6 = std::net::UdpSocket::bind((Ipv6Addr::LOCALHOST, 0)).is_ok();
                    let mut transport = Udp::open(if has_v6 && number % 2 == 0 { v6 } else { v4 }).expect("a socket");
                    assert_eq!(resolve(&transport.at(), None).map(|a| a.port()), Ok(port));
                    meet(&mut transport, &passcode(), Duration::from_secs(10), Intervals::default(), &|_| {})
                })
            })
            .collect();
        for met in met {
            let met = met.join().expect("no panic");
            assert_eq!(judged(&met).1, Outcome::Accepted, "{:?}", met.findings);
        }
        stop.store(true, Ordering::Relaxed);
    });
}

#[test]
fn nobody_there_is_no_answer() {
    let free = std::net::UdpSocket::bind((Ipv4Addr::LOCALHOST, 0)).expect("a port").local_addr().expect("an address");
    let mut transport = Udp::open(free).expect("a socket");
    let met = meet(&mut transport, &passcode(), Duration::from_millis(700), Intervals::default(), &|_| {});
    assert_eq!(met.findings.iter().map(|f| f.rule.name).collect::<Vec<_>>(), ["meet.no-answer"]);
    assert_eq!(judged(&met).1, Outcome::Unreachable);
}
