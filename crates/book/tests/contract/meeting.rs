//! Meetings of finished units.

use book::{MeetingVerdict, NewMeeting, SignedExchange, UnitError, UnitFilter};
use serde_json::json;

use crate::support::*;

fn exchange(n: u8) -> SignedExchange {
    SignedExchange { nonce: [n; 32], challenge: vec![n; 16], elements: vec![1, 2, n], signature: vec![3; 64] }
}

pub fn meetings_are_kept(engine: &Engine<'_>) {
    let site = engine.site().stocked(6);
    let (one, two) = (site.provision(0, "S1"), site.provision(1, "S1"));
    let (report, key) = (json!({ "left": "as-found" }), chip(0).public_key.to_vec());
    let (own, foreign) = (certificate(0), vec![0x30, 0x00]);
    let (signed, again) = (exchange(1), exchange(2));
    let accepted = NewMeeting {
        verdict: MeetingVerdict::Accepted,
        cause: None,
        place: Some("[::1]:5540"),
        dac: Some((&own, Some(&key))),
        pai: Some(b"intermediate"),
        exchange: Some(&signed),
        report: &report,
        took_ms: 900,
        met: at(50),
    };
    let rejected = NewMeeting {
        verdict: MeetingVerdict::Rejected,
        cause: Some("meet.label"),
        dac: Some((&foreign, None)),
        exchange: Some(&again),
        met: at(60),
        ..accepted.clone()
    };
    let unreachable = NewMeeting {
        verdict: MeetingVerdict::Unreachable,
        cause: Some("meet.not-found"),
        place: None,
        dac: None,
        pai: None,
        exchange: None,
        took_ms: 10_000,
        met: at(70),
        ..accepted.clone()
    };
    let whose = by();
    for (number, new) in (1..).zip([&accepted, &rejected, &unreachable]) {
        let (kept, entry) = site.book.keep_meeting(&one, new, &whose).expect("kept");
        assert_eq!((kept, entry.0 + 1), (number, site.book.head().expect("a head").size as i64));
    }
    let story = site.book.story(&one).expect("asks").expect("there");
    let told: Vec<_> =
        story.meetings.iter().map(|m| (m.verdict, m.cause.as_deref(), m.dac.as_ref(), m.took_ms)).collect();
    assert_eq!(
        told,
        [
            (MeetingVerdict::Accepted, None, Some(&own), 900),
            (MeetingVerdict::Rejected, Some("meet.label"), Some(&foreign), 900),
            (MeetingVerdict::Unreachable, Some("meet.not-found"), None, 10_000),
        ]
    );
    assert_eq!(
        (&story.meetings[0].exchange, &story.meetings[0].credential),
        (&Some(signed.clone()), &Some(key.clone()))
    );
    assert_eq!((&story.meetings[1].credential, &story.meetings[1].pai), (&None, &Some(b"intermediate".to_vec())));
    assert_eq!((story.meetings[2].met, &story.meetings[2].report), (at(70), &report));

    // The last meeting counts; of the other unit nobody knows.
    let product = product().name;
    assert_eq!(site.book.inspected(&product, None).expect("asks"), (2, 0));
    let third = NewMeeting { exchange: Some(&SignedExchange { nonce: [3; 32], ..exchange(3) }), ..accepted.clone() };
    site.book.keep_meeting(&one, &third, &whose).expect("kept");
    assert_eq!(site.book.inspected(&product, None).expect("asks"), (2, 1));
    assert_eq!(site.book.inspected(&product, Some(&reel_id("no such reel"))).expect("asks"), (0, 0));
    let tally = |filter: &UnitFilter| -> Vec<_> {
        let all = site.book.tally_meetings(filter).expect("asks");
        all.into_iter().map(|t| (t.verdict, t.cause, t.meetings, t.longest_ms)).collect()
    };
    let all = tally(&UnitFilter::default());
    assert_eq!(all.len(), 3);
    assert!(all.contains(&(MeetingVerdict::Accepted, None, 2, 900)), "{all:?}");
    let late = UnitFilter { from: Some(at(60)), to: Some(at(70)), ..UnitFilter::default() };
    assert_eq!(tally(&late), [(MeetingVerdict::Rejected, Some("meet.label".into()), 1, 900)]);

    // Nothing passes for an acceptance that is none, and a nonce is used once.
    let refused =
        |unit: &book::ids::UnitSerial, new: &NewMeeting<'_>| site.book.keep_meeting(unit, new, &by()).is_err();
    let fresh = exchange(9);
    let fresh = NewMeeting { exchange: Some(&fresh), ..accepted.clone() };
    assert!(refused(&one, &accepted), "a nonce twice");
    assert!(refused(&two, &fresh), "accepted with another unit's certificate");
    assert!(refused(&one, &NewMeeting { dac: Some((&foreign, None)), ..fresh.clone() }), "with a foreign one");
    assert!(refused(&one, &NewMeeting { exchange: None, ..fresh.clone() }), "without a proof");
    let unknown = site.book.keep_meeting(&serial("NONE"), &fresh, &by()).expect_err("no such unit");
    assert!(matches!(unknown, UnitError::Unknown { .. }), "{unknown}");
    site.book.swap_board(&one, "no radio", false, false, &by()).expect("swapped");
    site.provision(2, "S1");
    let begun = site.begin(3, book::SerialWish::Exactly(&one), &on("S1", 80)).expect("its next board");
    site.pass(3, &one, begun.attempt, &on("S1", 81)).expect("passed");
    let gone = site.book.keep_meeting(&one, &fresh, &by()).expect_err("that board is gone");
    assert!(matches!(gone, UnitError::State { .. }), "{gone}");
    assert_eq!(site.book.inspected(&product, None).expect("asks"), (3, 0), "an earlier board's meeting counts no more");

    let mut raw = engine.raw(&site.place);
    for sql in ["UPDATE meeting SET verdict = 'accepted'", "DELETE FROM meeting"] {
        assert!(raw.attempt(sql).is_err(), "not refused: {sql}");
    }
    drop(raw);
    assert!(site.book.verify(None).expect("verifies").intact());
    let rows = site.book.vouched("meeting", &format!("{one}/1")).expect("asks").expect("vouched for");
    assert_eq!((rows.table, rows.rows.len()), ("meeting", 1));
}
