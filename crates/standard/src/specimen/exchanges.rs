//! Specimens of the rules on an exchange.

use super::scene::{ExchangePlan, Scene};
use super::{Row, row};
use crate::tlv::{Container, Tag, Writer};
use crate::verdict::Severity;

fn plan<'s, 'k>(scene: &'s mut Scene<'k>) -> &'s mut ExchangePlan<'k> {
    let dac = &scene.keys.dac;
    scene.exchange.get_or_insert(ExchangePlan {
        firmware: None,
        elements: None,
        signer: dac,
        other_nonce: false,
        declaration: None,
    })
}

pub(super) fn rows() -> Vec<Row> {
    vec![
        row("exchange.elements", "", "The timestamp is before the nonce.", |s| {
            plan(s).elements = Some(|declaration, nonce| {
                let mut w = Writer::new();
                w.open(Tag::Anonymous, Container::Structure)
                    .octets(Tag::Context(1), declaration)
                    .unsigned(Tag::Context(3), 0)
                    .octets(Tag::Context(2), nonce)
                    .close();
                w.finish()
            });
        }),
        row("exchange.elements", "missing", "The timestamp is missing.", |s| {
            plan(s).elements = Some(|declaration, nonce| {
                let mut w = Writer::new();
                w.open(Tag::Anonymous, Container::Structure)
                    .octets(Tag::Context(1), declaration)
                    .octets(Tag::Context(2), nonce)
                    .close();
                w.finish()
            });
        }),
        row("exchange.elements", "later", "The answer holds a tag that a later release may define.", |s| {
            s.severity = Severity::Note;
            plan(s).elements = Some(|declaration, nonce| {
                let mut w = Writer::new();
                w.open(Tag::Anonymous, Container::Structure)
                    .octets(Tag::Context(1), declaration)
                    .octets(Tag::Context(2), nonce)
                    .unsigned(Tag::Context(3), 0)
                    .octets(Tag::Context(5), b"later")
                    .close();
                w.finish()
            });
        }),
        row("exchange.nonce", "", "The nonce in the answer is not the verifier's.", |s| plan(s).other_nonce = true),
        row("exchange.signature", "", "The answer is signed by another key than the DAC's.", |s| {
            let stranger = &s.keys.stranger;
            plan(s).signer = stranger;
        }),
        row("exchange.size", "", "The elements take more than 900 bytes.", |s| {
            plan(s).firmware = Some(vec![0x46; 700])
        }),
        row("exchange.declaration", "", "The device sends another declaration than the one given.", |s| {
            plan(s).declaration = Some(|scene| {
                let mut other = scene.declaration.clone();
                other.certificate_id = "SPECIMEN-00000000-2".into();
                let content = other.encode().map_err(|e| crate::key::SignError(e.to_string()))?;
                let id = scene.keys.signer.key_id();
                crate::declaration::signed::SignedDataBuilder::new(&content, &id).sign(&scene.keys.signer)
            });
        }),
    ]
}
