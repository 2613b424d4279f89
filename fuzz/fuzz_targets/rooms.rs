//! The targets of `bodies/rooms.rs`; `TARGET` names one.
#![no_main]

#[path = "../bodies"]
mod bodies {
    pub mod file;
    pub mod rooms;

    pub type Target = (&'static str, fn(&[u8]));
}
#[macro_use]
mod run;

run!(bodies::rooms::TARGETS);
