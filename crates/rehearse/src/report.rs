//! The rehearsal's report: made of the parts of every report, with what a rehearsal has beside.

use base::advice::quoted;
use base::course::Course;
use base::trouble::Trouble;
use book::ids::ReelId;
use decide::plan::page::percent;
use print::chart::grouped;
use print::paper::{Block, Document, Size, Table};
use report::{Scope, page};
use serde_json::Value;
use site::Site;
use time::OffsetDateTime;

use super::Rehearsed;

/// The page.
pub(super) fn write(site: &Site, reel: &ReelId, done: &Rehearsed, counts: &Value) -> Result<Document, Trouble> {
    let request = report::Request::of(Scope::Reel(reel.to_string()));
    let told = report::report(site, &request, OffsetDateTime::now_utc(), &Course::new())?;
    let u = done.units;
    let mut blocks = vec![
        Block::Numbers(vec![
            (grouped(u.passed), "passed".into()),
            (grouped(u.failed), "scrapped".into()),
            (told.yields.first_pass.share.map_or("–".into(), percent), "passed at the first attempt".into()),
            (grouped(done.credentials.unaccounted), "unaccounted for".into()),
        ]),
        Block::Heading("What was done".into()),
        Block::Words("A site was created, with a root and an intermediate that issue device certificates for testing. A reel of chips came with its manifest, an order went out, a delivery came back and was inspected as a whole: every certificate by every rule, each matched to its chip by public key. Each unit's chip was then written and read back, made to sign a fresh nonce with the key it was born with, judged as a verifier would judge it, locked and recorded. Labels were printed only after their symbols had been read back.".into()),
    ];
    let c = done.credentials;
    blocks.push(Block::Heading("Where every credential is".into()));
    blocks.push(Block::Table(Table::new(
        &["credentials", "count"],
        [
            ("received", c.received),
            ("installed, on their chips", c.installed),
            ("spent, their chips scrapped", c.spent),
            ("available", c.available),
            ("unaccounted for", c.unaccounted),
            ("used twice", done.double_use),
        ]
        .map(|(what, n)| vec![what.to_owned(), grouped(n)])
        .to_vec(),
    )));
    blocks.extend(page::tape_blocks(site, reel)?);
    blocks.extend(page::yield_blocks(&told));
    blocks.extend(page::step_blocks(&told));
    blocks.extend(page::cause_blocks(&told));
    blocks.extend(page::chain_blocks(site)?);
    let log = &counts["log"];
    blocks.push(Block::Heading("The log".into()));
    blocks.push(Block::Words(format!(
        "{} entries, {}. Every change is a leaf of a Merkle tree (RFC 9162); any alteration is detected.",
        log["entries"],
        if log["intact"] == true { "intact" } else { "DAMAGED" }
    )));
    blocks.push(Block::Heading("Look further".into()));
    blocks.push(Block::Words(format!(
        "Units and their proofs are in `evidence/`, labels in `labels.pdf`. In this directory, `touchmark unit show {first}` shows one unit's story; `touchmark examine evidence/{first}` judges its files; `touchmark report --reel {reel}` reports on the reel. To repeat it: seed {}.",
        done.seed,
        reel = quoted(reel.as_str()),
        first = done.first
    )));
    Ok(Document {
        title: format!("{} of {} units carry a proven identity", u.passed, u.started),
        above: format!("{} · {}", site.settings.site.name, told.made),
        test: Some("A rehearsal on simulated chips with development authorities. Do not ship anything made here; production follows the alliance's current certificate policy.".into()),
        blocks,
        foot: page::foot(&told),
        one_page: false,
        size: Size::A4,
    })
}
