//! Units that announce themselves on the IP network (Core Spec 4.3; RFC 6762, RFC 6763).

use std::collections::BTreeMap;
use std::net::{IpAddr, SocketAddr, SocketAddrV6};
use std::time::{Duration, Instant};

use mdns_sd::{IfKind, ResolvedService, ScopedIp, ServiceDaemon, ServiceEvent, ServiceInfo};
use serde_json::Value;
use standard::onboarding::Fields;
use standard::session::Intervals;

use crate::random;

/// The service of units that can be commissioned.
const SERVICE: &str = "_matterc._udp.local.";
/// How long others may still answer once one unit did.
const SECOND: Duration = Duration::from_millis(1200);

/// Nothing can be heard or announced on this network, and why.
#[derive(Debug, thiserror::Error)]
#[error("multicast DNS failed: {0}")]
pub struct DiscoveryError(String);

impl From<mdns_sd::Error> for DiscoveryError {
    fn from(error: mdns_sd::Error) -> Self {
        Self(error.to_string())
    }
}

/// A unit as it announces itself. A hint: only what a session proves counts.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Announced {
    pub instance: String,
    /// Where it is, as a person would type it; the best of its addresses.
    pub at: String,
    pub discriminator: u16,
    /// 0 closed, 1 open with the printed passcode, 2 open with another.
    pub commissioning_mode: u8,
    pub vendor_id: Option<u16>,
    pub product_id: Option<u16>,
    pub device_type: Option<u32>,
    pub device_name: Option<String>,
    pub intervals: Intervals,
}

impl Announced {
    fn of(instance: &str, at: String, text: impl Fn(&str) -> Option<String>) -> Option<Self> {
        let number = |key: &str| text(key).and_then(|value| value.parse::<u32>().ok());
        let vendor_product = text("VP").unwrap_or_default();
        let (vendor, product) = vendor_product.split_once('+').unwrap_or((&vendor_product, ""));
        let usual = Intervals::default();
        Some(Self {
            instance: shown(instance),
            at,
            discriminator: u16::try_from(number("D")?).ok().filter(|d| *d < 4096)?,
            commissioning_mode: u8::try_from(number("CM")?).ok()?,
            vendor_id: vendor.parse().ok(),
            product_id: product.parse().ok(),
            device_type: number("DT"),
            device_name: text("DN").map(|name| shown(&name)),
            intervals: Intervals {
                idle_ms: number("SII").unwrap_or(usual.idle_ms),
                active_ms: number("SAI").unwrap_or(usual.active_ms),
                threshold_ms: number("SAT").unwrap_or(usual.threshold_ms),
            },
        })
    }

    /// Out of the list of a program that carries datagrams: `at`, `instance`, and the TXT keys in `txt`.
    pub fn of_json(unit: &Value) -> Option<Self> {
        let at = unit.get("at")?.as_str()?;
        let instance = unit.get("instance").and_then(Value::as_str).unwrap_or(at);
        let txt = unit.get("txt")?.as_object()?;
        Self::of(instance, shown(at), |key| match txt.get(key)? {
            Value::String(text) => Some(text.clone()),
            Value::Number(number) => Some(number.to_string()),
            _ => None,
        })
    }

    /// Whether it may be the unit of this code: its discriminator, and its IDs where both say them.
    pub fn fits(&self, code: &Fields) -> bool {
        let discriminator = match (code.discriminator, code.short_discriminator) {
            (Some(all), _) => self.discriminator == all,
            (None, Some(short)) => self.discriminator >> 8 == u16::from(short),
            (None, None) => false,
        };
        let agrees = |own: Option<u16>, code: Option<u16>| {
            // 0 says none.
            match (own.filter(|id| *id != 0), code.filter(|id| *id != 0)) {
                (Some(own), Some(code)) => own == code,
                _ => true,
            }
        };
        discriminator && agrees(self.vendor_id, code.vendor_id) && agrees(self.product_id, code.product_id)
    }
}

/// What others wrote, on one line of a sensible length.
fn shown(text: &str) -> String {
    text.chars().filter(|c| !c.is_control()).take(64).collect()
}

/// Listens for at most `wait`, or until `enough` of what was heard, and a second more for who else answers.
///
/// # Errors
///
/// [`DiscoveryError`] where nothing can be heard.
pub fn find(
    interface: Option<&str>,
    wait: Duration,
    enough: &dyn Fn(&[Announced]) -> bool,
) -> Result<Vec<Announced>, DiscoveryError> {
    let daemon = ServiceDaemon::new()?;
    only_on(&daemon, interface)?;
    let events = daemon.browse(SERVICE)?;
    let mut until = Instant::now() + wait;
    let (mut heard, mut is_enough) = (BTreeMap::new(), false);
    loop {
        let left = until.saturating_duration_since(Instant::now());
        if left.is_zero() {
            break;
        }
        match events.recv_timeout(left) {
            Ok(ServiceEvent::ServiceResolved(service)) => {
                let instance = service.fullname.trim_end_matches(SERVICE).trim_end_matches('.').to_owned();
                if let Some(unit) = of_service(&instance, &service) {
                    heard.insert(instance, unit);
                }
            }
            Ok(ServiceEvent::ServiceRemoved(_, fullname)) => {
                heard.remove(fullname.trim_end_matches(SERVICE).trim_end_matches('.'));
            }
            Ok(_) => {}
            Err(_) => break,
        }
        let all: Vec<_> = heard.values().cloned().collect();
        if !is_enough && enough(&all) {
            is_enough = true;
            until = until.min(Instant::now() + SECOND);
        }
    }
    let _ = daemon.shutdown();
    Ok(heard.into_values().collect())
}

fn only_on(daemon: &ServiceDaemon, interface: Option<&str>) -> Result<(), DiscoveryError> {
    if let Some(name) = interface {
        daemon.disable_interface(IfKind::All)?;
        daemon.enable_interface(IfKind::Name(name.to_owned()))?;
    }
    Ok(())
}

fn of_service(instance: &str, service: &ResolvedService) -> Option<Announced> {
    // An address that is the same everywhere first; a link-local one needs its interface.
    let address =
        service.addresses.iter().map(|address| socket_address(address, service.port)).min_by_key(|address| {
            let rank = match address.ip() {
                IpAddr::V6(ip) if ip.is_unicast_link_local() => 2,
                IpAddr::V6(_) => 0,
                IpAddr::V4(_) => 1,
            };
            (rank, address.to_string())
        })?;
    Announced::of(instance, address.to_string(), |key| service.get_property_val_str(key).map(str::to_owned))
}

fn socket_address(address: &ScopedIp, port: u16) -> SocketAddr {
    match (address, address.to_ip_addr()) {
        (ScopedIp::V6(scoped), IpAddr::V6(ip)) if ip.is_unicast_link_local() => {
            SocketAddrV6::new(ip, port, 0, scoped.scope_id().index).into()
        }
        (_, ip) => SocketAddr::new(ip, port),
    }
}

/// What a stand-in says of itself.
#[derive(Debug, Clone, Copy)]
pub struct Announcement {
    pub port: u16,
    pub discriminator: u16,
    /// Whether a home is let in.
    pub open: bool,
    pub vendor_id: u16,
    pub product_id: u16,
    pub device_type: Option<u32>,
}

/// An announcement that holds until it is dropped.
pub struct Announcing {
    pub instance: String,
    daemons: Vec<(ServiceDaemon, String)>,
}

/// Announces a unit under a random name, with all subtypes that a home may look for.
///
/// # Errors
///
/// [`DiscoveryError`] where nothing can be announced.
pub fn announce(unit: &Announcement, interface: Option<&str>) -> Result<Announcing, DiscoveryError> {
    let instance = hex::encode_upper(random::octets::<8>());
    let host = format!("{}.local.", hex::encode_upper(random::octets::<6>()));
    let Announcement { discriminator, vendor_id, product_id, .. } = *unit;
    let mut subtypes =
        vec![format!("_L{discriminator}"), format!("_S{}", discriminator >> 8), format!("_V{vendor_id}")];
    subtypes.extend(unit.device_type.map(|kind| format!("_T{kind}")));
    subtypes.extend(unit.open.then(|| "_CM".to_owned()));
    let mut txt = vec![
        ("D", discriminator.to_string()),
        ("CM", u8::from(unit.open).to_string()),
        ("VP", format!("{vendor_id}+{product_id}")),
        ("SII", Intervals::default().idle_ms.to_string()),
        ("SAI", Intervals::default().active_ms.to_string()),
    ];
    txt.extend(unit.device_type.map(|kind| ("DT", kind.to_string())));
    let mut daemons = Vec::new();
    // The library announces one subtype a service; each has its own responder, and all say the same of the service.
    for subtype in subtypes {
        let daemon = ServiceDaemon::new()?;
        only_on(&daemon, interface)?;
        let kind = format!("{subtype}._sub.{SERVICE}");
        let mut info = ServiceInfo::new(&kind, &instance, &host, "", unit.port, txt.as_slice())?.enable_addr_auto();
        // Names of 48 and 64 random bits are nobody else's.
        info.set_requires_probe(false);
        let name = info.get_fullname().to_owned();
        daemon.register(info)?;
        daemons.push((daemon, name));
    }
    Ok(Announcing { instance, daemons })
}

impl Drop for Announcing {
    fn drop(&mut self) {
        for (daemon, name) in &self.daemons {
            if let Ok(done) = daemon.unregister(name) {
                let _ = done.recv_timeout(Duration::from_millis(200));
            }
            let _ = daemon.shutdown();
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;
    use standard::onboarding::read;

    fn unit(txt: Value) -> Option<Announced> {
        Announced::of_json(&json!({ "at": "radio 7", "txt": txt }))
    }

    /// TXT keys of Core Spec 4.3.1 (from memory). The codes are those of STANDARD.md's section 7: discriminator 3840.
    #[test]
    fn a_unit_fits_a_code() {
        let (qr, manual) = (read("MT:Y.K9042C00KA0648G00"), read("34970112332"));
        let codes = [&qr.payloads[0], &manual.payloads[0]];
        for (txt, fits) in [
            (json!({ "D": "3840", "CM": "1" }), [true, true]),
            (json!({ "D": 3840, "CM": 1, "VP": "65521+32768" }), [true, true]),
            (json!({ "D": "3840", "CM": "0", "VP": "65521" }), [true, true]),
            (json!({ "D": "3841", "CM": "1" }), [false, true]),
            (json!({ "D": "3840", "CM": "1", "VP": "65521+32769" }), [false, true]),
            (json!({ "D": "256", "CM": "1" }), [false, false]),
        ] {
            let unit = unit(txt.clone()).expect("a unit");
            assert_eq!(codes.map(|code| unit.fits(code)), fits, "{txt}");
        }
        for txt in [
            json!({}),
            json!({ "D": "4096", "CM": "1" }),
            json!({ "D": "1" }),
            json!([]),
            json!({ "D": "x", "CM": "1" }),
        ] {
            assert_eq!(unit(txt), None);
        }
    }
}
