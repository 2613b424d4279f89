//! One file a command: parse, call, show.

#![expect(clippy::doc_markdown, reason = "doc comments of arguments are the help, which a terminal shows as it is")]

pub mod at_site;
pub mod authority;
pub mod book;
pub mod carton;
pub mod chip;
pub mod code;
pub mod declaration;
pub mod delivery;
pub mod enrolment;
pub mod evidence;
pub mod examine;
pub mod examine_words;
pub mod fit;
pub mod impact;
pub mod label;
pub mod manual;
pub mod meet;
pub mod online;
pub mod paper;
pub mod passcode;
pub mod plan;
pub mod product;
pub mod provision;
pub mod record;
pub mod reel;
pub mod rehearse;
pub mod report;
pub mod revoke;
pub mod serve;
pub mod site;
pub mod specimen;
pub mod stand_in;
pub mod trust_set;
pub mod unit;
pub mod verifier;
pub mod watch;
mod words;
