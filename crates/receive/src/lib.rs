//! Receiving: a reel of chips from its maker, the order to the authority, and the delivery that answers it, judged as a
//! whole before anything is stored.

pub mod delivery;
pub mod enrolment;
pub mod online;
pub mod order;
pub mod reel;
