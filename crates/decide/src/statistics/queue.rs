//! Waiting before stations: closed forms of queueing theory.

/// Probability that one who arrives must wait (A. K. Erlang's C formula, 1917).
///
/// - `servers`: stations; `load`: arrivals a second times seconds of work, in stations.
///
/// 1 where the load is not less than the stations: the queue grows without end.
pub fn erlang_c(servers: u64, load: f64) -> f64 {
    let c = servers as f64;
    if load >= c {
        return 1.0;
    }
    if load <= 0.0 {
        return 0.0;
    }
    // Erlang's B by its recurrence, then C from B: no factorials.
    let mut blocked = 1.0;
    for n in 1..=servers {
        blocked = load * blocked / (n as f64 + load * blocked);
    }
    blocked / (1.0 - load / c * (1.0 - blocked))
}

/// Mean wait in an M/M/c queue, in the unit of `work`. Infinite at full load.
pub fn wait_mmc(servers: u64, per_second: f64, work: f64) -> f64 {
    let load = per_second * work;
    if load >= servers as f64 {
        return f64::INFINITY;
    }
    erlang_c(servers, load) * work / (servers as f64 - load)
}

/// Mean wait in an M/D/1 queue (F. Pollaczek, A. Khinchine): half of M/M/1's.
pub fn wait_md1(per_second: f64, work: f64) -> f64 {
    let load = per_second * work;
    if load >= 1.0 { f64::INFINITY } else { load * work / (2.0 * (1.0 - load)) }
}

/// Mean wait where neither arrivals nor work are regular, about (A. O. Allen, 1978,
/// and P. J. Cunneen): M/M/c scaled by the mean of both squared coefficients of variation.
pub fn wait_about(servers: u64, per_second: f64, work: f64, cv_arrivals: f64, cv_work: f64) -> f64 {
    wait_mmc(servers, per_second, work) * (cv_arrivals.powi(2) + cv_work.powi(2)) / 2.0
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Erlang C in printed tables, from memory: 10 servers, 8 erlang → 0.4092; 2 servers, 1 erlang → 1/3.
    #[test]
    fn erlang_c_as_published() {
        assert!((erlang_c(2, 1.0) - 1.0 / 3.0).abs() < 1e-12);
        assert!((erlang_c(10, 8.0) - 0.4092).abs() < 5e-5, "{}", erlang_c(10, 8.0));
        assert!((erlang_c(1, 0.7) - 0.7).abs() < 1e-12, "one server: its load");
        assert_eq!(erlang_c(3, 3.0), 1.0);
    }

    #[test]
    fn one_server_by_hand() {
        // At 80 % load M/M/1 waits 4 works, M/D/1 two.
        assert!((wait_mmc(1, 0.8, 1.0) - 4.0).abs() < 1e-12);
        assert!((wait_md1(0.8, 1.0) - 2.0).abs() < 1e-12);
        assert!((wait_about(1, 0.8, 1.0, 1.0, 0.0) - 2.0).abs() < 1e-12);
    }
}
