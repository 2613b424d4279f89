//! The line: a station puts credentials into chips and proves that they took; units get their serial numbers, onboarding
//! codes, factory records and labels.

pub mod carton;
pub mod challenge;
pub mod chips;
pub mod chosen;
pub mod code;
pub mod desk;
pub mod floor;
pub mod label;
pub mod meeting;
pub mod onboarding;
pub mod provision;
pub mod record;
pub mod scrapped;
pub mod search;
pub mod stand_in;
pub mod station;
pub mod unit;
pub mod verifier;
