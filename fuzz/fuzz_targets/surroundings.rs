//! The targets of `bodies/surroundings.rs`; `TARGET` names one.
#![no_main]

#[path = "../bodies"]
mod bodies {
    pub mod file;
    pub mod surroundings;

    pub type Target = (&'static str, fn(&[u8]));
}

use std::sync::LazyLock;

static RUN: LazyLock<fn(&[u8])> = LazyLock::new(|| {
    let (name, all) = (std::env::var("TARGET").unwrap_or_default(), bodies::surroundings::TARGETS);
    let known = || all.iter().map(|(name, _)| *name).collect::<Vec<_>>().join(" ");
    all.iter().find(|(one, _)| *one == name).map_or_else(|| panic!("TARGET is one of {}", known()), |(_, run)| *run)
});

libfuzzer_sys::fuzz_target!(|data: &[u8]| RUN(data));
