//! Rates, taken in turns so that whatever else the machine does falls on all alike.

use std::time::Instant;

/// Runs the contenders in turns and gives each one's median rate, in units a second.
///
/// - `units`: how many units one call does. `rounds`: calls of each.
pub fn in_turns(units: usize, rounds: usize, contenders: &mut [&mut dyn FnMut()]) -> Vec<f64> {
    let mut rates = vec![Vec::with_capacity(rounds); contenders.len()];
    for contender in contenders.iter_mut() {
        // Once unmeasured, for caches and clocks.
        contender();
    }
    for _ in 0..rounds {
        for (contender, rates) in contenders.iter_mut().zip(&mut rates) {
            let start = Instant::now();
            contender();
            rates.push(units as f64 / start.elapsed().as_secs_f64());
        }
    }
    rates
        .into_iter()
        .map(|mut r| {
            r.sort_by(f64::total_cmp);
            r[r.len() / 2]
        })
        .collect()
}
