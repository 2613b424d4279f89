//! One file a subcommand.

pub mod book;
mod bulk;
pub mod by_hand;
pub mod deliveries;
pub mod examining;
pub mod judging;
pub mod labels;
pub mod meeting;
mod rate;
pub mod reels;
pub mod stations;
pub mod strangers;
pub mod verifiers;
