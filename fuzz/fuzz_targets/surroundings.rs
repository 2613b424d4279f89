//! The targets of `bodies/surroundings.rs`; `TARGET` names one.
#![no_main]

#[path = "../bodies"]
mod bodies {
    pub mod file;
    pub mod surroundings;

    pub type Target = (&'static str, fn(&[u8]));
}
#[macro_use]
mod run;

run!(bodies::surroundings::TARGETS);
