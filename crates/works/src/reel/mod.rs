//! Reels: the chips as the chip maker delivers them.

pub mod key_text;
pub mod manifest;
