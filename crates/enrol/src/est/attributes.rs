//! What an authority wants in every request (`csrattrs`, RFC 7030 §4.5.2).

use standard::asn1::{Walk, oid, sequence, set, tag};

/// Contents of OIDs that decide whether a chip's request can satisfy it.
mod known {
    /// challengePassword, PKCS #9: a link to the TLS session (RFC 7030 §3.5).
    pub const CHALLENGE: &[u8] = &[0x2A, 0x86, 0x48, 0x86, 0xF7, 0x0D, 0x01, 0x09, 0x07];
    /// rsaEncryption, PKCS #1.
    pub const RSA: &[u8] = &[0x2A, 0x86, 0x48, 0x86, 0xF7, 0x0D, 0x01, 0x01, 0x01];
    /// id-ecPublicKey, and the curve that DACs have (RFC 5480 §2.1.1).
    pub const EC: &[u8] = &[0x2A, 0x86, 0x48, 0xCE, 0x3D, 0x02, 0x01];
    pub const P256: &[u8] = &[0x2A, 0x86, 0x48, 0xCE, 0x3D, 0x03, 0x01, 0x07];
    /// ecdsa-with-SHA256 (RFC 5758 §3.2).
    pub const SHA256: &[u8] = &[0x2A, 0x86, 0x48, 0xCE, 0x3D, 0x04, 0x03, 0x02];
}

/// What a request must have that no request of a chip has.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Wanted(pub String);

/// Reads what is wanted; `Err` names what no chip here can give, or what can't be read.
///
/// # Errors
///
/// In words that follow "wants".
pub fn check(der: &[u8]) -> Result<(), Wanted> {
    let unread = |_| Wanted("something that can't be read: its list of attributes is not DER".into());
    let mut departures = Vec::new();
    let mut walk = Walk::new(der, &mut departures);
    let outer = walk.expect(tag::SEQUENCE, "attributes were expected").map_err(unread)?;
    let mut each = walk.enter(&outer).map_err(unread)?;
    let wanted = |what: &str| Err(Wanted(what.into()));
    while !each.is_done() {
        let one = each.next().map_err(unread)?;
        let (name, values) = match one.tag {
            tag::OID => (one.content.of(der).to_vec(), Vec::new()),
            tag::SEQUENCE => {
                let mut parts = each.enter(&one).map_err(unread)?;
                let name = parts.expect(tag::OID, "an attribute's name was expected").map_err(unread)?;
                let all = parts.expect(tag::SET, "an attribute's values were expected").map_err(unread)?;
                let mut inside = parts.enter(&all).map_err(unread)?;
                let mut values = Vec::new();
                while !inside.is_done() {
                    let value = inside.next().map_err(unread)?;
                    if value.tag == tag::OID {
                        values.push(value.content.of(der).to_vec());
                    }
                }
                (name.content.of(der).to_vec(), values)
            }
            _ => return wanted("something that can't be read: its list of attributes has a member of another kind"),
        };
        match name.as_slice() {
            known::CHALLENGE => return wanted("each request linked to its TLS session, which a chip's request is not"),
            known::RSA => return wanted("RSA keys, and a chip's key is of P-256"),
            known::EC if !values.is_empty() && values.iter().all(|curve| curve != known::P256) => {
                return wanted("keys of another curve than P-256");
            }
            _ => {}
        }
    }
    Ok(())
}

/// What a site that is asked wants: keys of P-256, requests signed with SHA-256.
pub fn own() -> Vec<u8> {
    sequence(&[&sequence(&[&oid(known::EC), &set(&[&oid(known::P256)])]), &oid(known::SHA256)])
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The example of RFC 7030 §4.5.2 wants challengePassword, a key of secp384r1 and SHA-384.
    #[test]
    fn what_no_chip_can_give_is_named() {
        assert_eq!(check(&own()), Ok(()));
        assert_eq!(check(&sequence(&[])), Ok(()));
        let example = hex::decode(
            "304106092a864886f70d010907301206072a8648ce3d0201310706052b81040022301606092a864886f70d01090e310906072b060101\
             01011606082a8648ce3d040303",
        )
        .expect("hex");
        assert!(check(&example).expect_err("it wants more").0.contains("TLS session"));
        let curve = sequence(&[&sequence(&[&oid(known::EC), &set(&[&oid(&[0x2B, 0x81, 0x04, 0x00, 0x22])])])]);
        assert!(check(&curve).expect_err("another curve").0.contains("another curve"));
        assert!(check(&sequence(&[&oid(known::RSA)])).expect_err("RSA").0.contains("RSA"));
        assert!(check(b"\x04\x00").is_err());
        assert!(check(&sequence(&[&[0x02, 0x01, 0x00]])).is_err());
    }
}
