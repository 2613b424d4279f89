//! Every input that the fuzz targets keep, through the same functions, with the compiler that everybody has.

use std::fs;
use std::path::Path;
use std::time::{Duration, Instant};

#[path = "../../../../fuzz/bodies"]
mod bodies {
    pub mod file;
    pub mod rooms;
    pub mod standard;
    pub mod surroundings;
    pub mod web;

    pub type Target = (&'static str, fn(&[u8]));
}

/// So long may one input take here, without optimisation and beside other tests.
const LONG: Duration = Duration::from_secs(20);

fn every_input(targets: &[bodies::Target]) {
    let corpus = Path::new(env!("CARGO_MANIFEST_DIR")).ancestors().nth(2).expect("a workspace").join("fuzz/corpus");
    for (name, run) in targets {
        let folder = corpus.join(name);
        let files = fs::read_dir(&folder).unwrap_or_else(|e| panic!("{}: {e}", folder.display()));
        let mut count = 0;
        for file in files {
            let path = file.expect("a file").path();
            let begun = Instant::now();
            run(&fs::read(&path).expect("an input"));
            assert!(begun.elapsed() < LONG, "{} takes {:?}", path.display(), begun.elapsed());
            count += 1;
        }
        assert!(count > 0, "{name} keeps no input");
    }
}

#[test]
fn of_the_standard_s_readers() {
    every_input(bodies::standard::TARGETS);
}

#[test]
fn of_readers_around_a_chip() {
    every_input(bodies::surroundings::TARGETS);
}

#[test]
fn of_the_rooms_readers() {
    every_input(bodies::rooms::TARGETS);
}

#[test]
fn of_pages_and_api() {
    every_input(bodies::web::TARGETS);
}
