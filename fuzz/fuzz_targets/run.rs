//! What the binaries share: the target that `TARGET` names, chosen once.

use crate::bodies::Target;

/// The function of the target that is wanted.
pub fn named(all: &[Target]) -> fn(&[u8]) {
    let name = std::env::var("TARGET").unwrap_or_default();
    let known = || all.iter().map(|(name, _)| *name).collect::<Vec<_>>().join(" ");
    all.iter().find(|(one, _)| *one == name).map_or_else(|| panic!("TARGET is one of {}", known()), |(_, run)| *run)
}

macro_rules! run {
    ($targets:expr) => {
        static RUN: std::sync::LazyLock<fn(&[u8])> = std::sync::LazyLock::new(|| $crate::run::named($targets));

        libfuzzer_sys::fuzz_target!(|data: &[u8]| RUN(data));
    };
}
