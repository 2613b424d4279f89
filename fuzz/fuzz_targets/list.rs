//! A revocation list.
#![no_main]

use libfuzzer_sys::fuzz_target;

fuzz_target!(|data: &[u8]| {
    let _ = standard::revocation::RevocationList::read(data);
});
