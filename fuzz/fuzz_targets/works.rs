//! The targets of `bodies/works.rs`; `TARGET` names one.
#![no_main]

#[path = "../bodies"]
mod bodies {
    pub mod file;
    pub mod works;

    pub type Target = (&'static str, fn(&[u8]));
}
#[macro_use]
mod run;

run!(bodies::works::TARGETS);
