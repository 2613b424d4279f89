//! What counts tell: exact tails, intervals, control limits, queues.
//!
//! Pure: numbers in, numbers out. Tails are summed, not approximated, so that
//! "at 95 %" means just that (decision 0040). Quantiles of continuous
//! distributions are a library's.

pub mod binomial;
pub mod control;
pub mod interval;
pub mod queue;
pub mod stratified;

pub use binomial::{Counted, Successes};
pub use interval::{Range, wilson};
