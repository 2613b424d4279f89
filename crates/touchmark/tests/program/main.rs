//! The program, tried from outside: one binary, since each one links everything that the program is made of.
#![cfg(test)]
#![allow(clippy::print_stdout, clippy::print_stderr, reason = "a run says how much it tried, and what it left out")]

#[macro_use]
mod at_site;
mod boards;
mod called;
mod python;
#[cfg(unix)]
#[path = "../../../../tests/outside/softhsm.rs"]
mod softhsm;

#[cfg(unix)]
mod asked;
mod authorities;
mod checkpoints;
mod chip;
#[cfg(unix)]
mod closing;
mod codes;
mod corpus;
mod disks;
#[cfg(unix)]
mod drivers;
mod evidence;
mod examine;
mod extras;
mod fit;
mod fronts;
mod impact;
mod indirect;
mod intermediates;
#[cfg(unix)]
mod interrupted;
mod keeping;
#[cfg(target_os = "linux")]
mod kept_inputs;
#[cfg(unix)]
mod killed;
mod label;
#[cfg(unix)]
mod letter_case;
mod line;
mod main_job;
#[cfg(unix)]
mod many;
#[cfg(unix)]
mod meetings;
#[cfg(target_os = "linux")]
mod memory;
mod messy;
mod mix_ups;
mod onboarding;
#[cfg(unix)]
mod online;
mod outside;
mod outside_codes;
mod plan;
mod proofs;
mod receiving;
mod rehearsal;
mod report;
#[cfg(unix)]
mod restored;
mod retention;
mod revoke;
mod slips;
mod swapped;
#[cfg(unix)]
mod tokens;
#[cfg(unix)]
mod torture;
mod tried;
mod trust_sets;
mod watch;
mod words;
