//! Deliveries: the certificates as the authority sends them.

pub mod inspect;
