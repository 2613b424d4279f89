//! Deciding before anything is bought: whether a part fits, what a line will take, and what the numbers of a past run
//! say.

pub mod fit;
pub mod part;
pub mod plan;
pub mod statistics;
