//! The targets of `bodies/standard.rs`; `TARGET` names one.
#![no_main]

#[path = "../bodies"]
mod bodies {
    pub mod standard;

    pub type Target = (&'static str, fn(&[u8]));
}
#[macro_use]
mod run;

run!(bodies::standard::TARGETS);
