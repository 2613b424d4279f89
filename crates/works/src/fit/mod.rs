//! Fit: whether a secure element holds what a product needs, and how long it takes.

pub mod needs;
