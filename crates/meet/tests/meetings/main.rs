//! Homes and stand-ins: over memory, over networks that mangle, over UDP.

#![cfg(test)]

mod faults;
mod floods;
mod looped;
mod mangled;
mod scene;
mod udp;
