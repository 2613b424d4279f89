//! The book's contract: every function, on both engines.
//!
//! On SQLite each case is a test of its own. On PostgreSQL all cases run in one
//! test, on one private server, each in a database of its own.
#![allow(clippy::print_stderr, reason = "tests tell which case they are at")]

mod access;
mod arrivals;
mod boards;
mod cartons;
mod catalogue;
mod enrolments;
mod keeping;
mod line;
mod lists;
mod log;
mod meeting;
mod racing;
mod revoking;
mod rules;
mod seals;
mod server;
mod support;
mod surface;
mod withdrawing;

use server::Server;
use support::Engine;

macro_rules! contract {
    ($($case:path => $name:ident),* $(,)?) => {
        mod sqlite {
            use super::{access, arrivals, boards, cartons, catalogue, enrolments, keeping, line, lists, log, meeting, racing, revoking, rules, seals, withdrawing};
            $(#[test] fn $name() { $case(&super::Engine::Sqlite); })*
        }
        const CASES: &[(&str, fn(&Engine<'_>))] = &[$((stringify!($name), $case)),*];
    };
}

contract! {
    catalogue::a_book_is_made_once_and_opened_often => a_book_is_made_once_and_opened_often,
    catalogue::what_is_no_book_is_refused => what_is_no_book_is_refused,
    catalogue::a_book_that_goes_back_is_refused => a_book_that_goes_back_is_refused,
    catalogue::products => products,
    catalogue::authorities => authorities,
    catalogue::declarations => declarations,
    catalogue::trust_sets => trust_sets,
    catalogue::series_of_products => series_of_products,
    arrivals::a_reel_is_received_whole => a_reel_is_received_whole,
    arrivals::a_reel_with_known_chips_is_refused => a_reel_with_known_chips_is_refused,
    arrivals::a_reel_that_stops_leaves_nothing => a_reel_that_stops_leaves_nothing,
    arrivals::keys_of_a_reel => keys_of_a_reel,
    arrivals::a_delivery_is_settled_last => a_delivery_is_settled_last,
    arrivals::a_delivery_binds_credentials_to_chips => a_delivery_binds_credentials_to_chips,
    arrivals::a_delivery_with_problems_is_refused => a_delivery_with_problems_is_refused,
    arrivals::test_and_production_never_mix => test_and_production_never_mix,
    arrivals::orders => orders,
    enrolments::enrolments => enrolments,
    enrolments::an_issuer_with_an_enrolment_stays => an_issuer_with_an_enrolment_stays,
    line::a_unit_passes_with_its_proof => a_unit_passes_with_its_proof,
    line::units_are_checked_again => units_are_checked_again,
    line::why_a_chip_must_not_be_touched => why_a_chip_must_not_be_touched,
    line::a_failed_unit_comes_again => a_failed_unit_comes_again,
    line::a_scrapped_unit_takes_chip_and_credential_along => a_scrapped_unit_takes_chip_and_credential_along,
    line::a_station_that_died => a_station_that_died,
    line::why_an_attempt_is_not_ended => why_an_attempt_is_not_ended,
    line::serial_numbers_are_counted => serial_numbers_are_counted,
    line::firmware_of_units => firmware_of_units,
    line::units_away_from_the_line => units_away_from_the_line,
    line::passcodes_are_erased => passcodes_are_erased,
    lists::finding => finding,
    lists::lists_and_pages => lists_and_pages,
    lists::what_is_touched => what_is_touched,
    lists::stock_and_pace => stock_and_pace,
    lists::counts => counts,
    lists::tallies => tallies,
    lists::reconciling => reconciling,
    lists::reconciling_is_honest => reconciling_is_honest,
    revoking::revocations => revocations,
    revoking::revocation_lists => revocation_lists,
    withdrawing::what_nothing_depends_on_is_withdrawn => what_nothing_depends_on_is_withdrawn,
    withdrawing::a_withdrawal_hides_no_damage => a_withdrawal_hides_no_damage,
    withdrawing::declarations_are_withdrawn_until_a_unit_has_one => declarations_are_withdrawn_until_a_unit_has_one,
    withdrawing::products_are_corrected_until_something_depends_on_them => products_are_corrected_until_something_depends_on_them,
    boards::a_unit_outlives_its_board => a_unit_outlives_its_board,
    meeting::meetings_are_kept => meetings_are_kept,
    boards::a_unit_is_refurbished => a_unit_is_refurbished,
    boards::what_goes_back_to_the_line_and_what_does_not => what_goes_back_to_the_line_and_what_does_not,
    boards::two_stations_and_one_unit_that_waits => two_stations_and_one_unit_that_waits,
    boards::a_reel_is_divided => a_reel_is_divided,
    cartons::units_are_packed_and_taken_out => units_are_packed_and_taken_out,
    cartons::scrapped_with_what_becomes_of_the_certificate => scrapped_with_what_becomes_of_the_certificate,
    rules::the_database_refuses_by_itself => the_database_refuses_by_itself,
    log::entries_and_proofs => entries_and_proofs,
    log::signed_heads => signed_heads,
    log::verifying_is_watched => verifying_is_watched,
    log::rows_that_leave_the_house => rows_that_leave_the_house,
    log::every_change_is_found_and_located => every_change_is_found_and_located,
    log::a_rewritten_log_is_found_by_a_signed_head => a_rewritten_log_is_found_by_a_signed_head,
    racing::two_stations_one_chip => two_stations_one_chip,
    racing::many_stations_many_chips => many_stations_many_chips,
    racing::two_writers_of_one_reel => two_writers_of_one_reel,
    racing::a_writer_killed_in_mid_write => a_writer_killed_in_mid_write,
    keeping::a_copy_that_is_stopped => a_copy_that_is_stopped,
    keeping::backup_while_a_station_writes_and_restore => backup_while_a_station_writes_and_restore,
    keeping::a_copy_is_the_same_book => a_copy_is_the_same_book,
    access::accounts => accounts,
    access::what_accounts_may_not_become => what_accounts_may_not_become,
    seals::only_rows_of_acts_let_anybody_in => only_rows_of_acts_let_anybody_in,
    seals::no_word_is_put_in_a_mouth => no_word_is_put_in_a_mouth,
    seals::a_lost_key_lets_nobody_in => a_lost_key_lets_nobody_in,
    access::company_accounts => company_accounts,
    access::sessions => sessions,
    access::tokens_and_kept_answers => tokens_and_kept_answers,
    access::stations_and_the_tape => stations_and_the_tape,
    keeping::a_move_leaves_nothing_behind => a_move_leaves_nothing_behind,
}

#[test]
fn postgresql() {
    let Some(server) = Server::start_over_tls() else { return };
    let failed: Vec<_> = CASES
        .iter()
        .filter(|(name, case)| {
            let since = std::time::Instant::now();
            let done = std::panic::catch_unwind(std::panic::AssertUnwindSafe(|| case(&Engine::Postgresql(&server))));
            eprintln!("{name}: {} in {:.1?}", if done.is_ok() { "ok" } else { "FAILED" }, since.elapsed());
            done.is_err()
        })
        .map(|(name, _)| *name)
        .collect();
    assert!(failed.is_empty(), "on PostgreSQL these cases failed: {failed:?}");
}
