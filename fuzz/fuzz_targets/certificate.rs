//! A certificate, judged as its own chain.
#![no_main]

use libfuzzer_sys::fuzz_target;
use std::sync::Arc;

use standard::certificate::{Certificate, Profile};
use standard::verdict::{Context, Pool};
fuzz_target!(|data: &[u8]| {
    if let Ok(c) = Certificate::read(data) {
        let c = Arc::new(c);
        let pool = Pool::new(vec![(Arc::clone(&c), Profile::Pai, false), (Arc::clone(&c), Profile::Paa, true)]);
        pool.judge_dac(&c, &Context::default());
        pool.judge_authority(0, &Context::default());
        pool.judge_authority(1, &Context::default());
    }
});
