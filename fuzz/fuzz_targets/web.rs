//! The targets of `bodies/web.rs`; `TARGET` names one.
#![no_main]

#[path = "../bodies"]
mod bodies {
    pub mod web;

    pub type Target = (&'static str, fn(&[u8]));
}
#[macro_use]
mod run;

run!(bodies::web::TARGETS);
