//! Any file as `examine` reads it, judged too.
#![no_main]

use libfuzzer_sys::fuzz_target;
use standard::certificate::Profile;
use standard::detect::{Item, detect};
use standard::moment::NO_END;
use standard::verdict::{
    Device, Pool, Report, judge_certificate, judge_declaration, judge_exchange, judge_list, judge_request,
};
fuzz_target!(|data: &[u8]| {
    let mut report = Report::new();
    for item in detect(data).unwrap_or_default() {
        match item {
            Item::Certificate(c) => {
                for profile in [Profile::Dac, Profile::Pai, Profile::Paa] {
                    judge_certificate(&c, profile, &mut report);
                }
            }
            Item::Declaration(d) => judge_declaration(&d, &[], &mut report),
            Item::Request(r) => judge_request(&r, &Device::default(), &mut report),
            Item::List(l) => drop(judge_list(&l, &Pool::default(), &[], false, NO_END, &mut report)),
            Item::Exchange(p) => drop(judge_exchange(&p, None, &[], &mut report)),
            Item::BrokenCertificate(..) | Item::PublicKey(_) | Item::FactoryRecord(_) => {}
        }
    }
});
