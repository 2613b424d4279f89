//! The line in closed form: stations from takt and time, hours, shifts, waiting.

use serde::Serialize;

use super::Request;
use crate::statistics::queue;

/// What the line has to do.
#[derive(Debug, Clone, Copy)]
pub struct Load {
    pub chips: u64,
    /// Seconds of one attempt.
    pub unit_s: f64,
    /// Attempts a chip takes on average.
    pub attempts: f64,
}

/// The line.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Line {
    pub stations: u64,
    /// Seconds from one unit's start to the next's that the line keeps.
    pub pace_seconds: f64,
    /// Seconds of a station for one chip: attempts and stops counted.
    pub station_seconds: f64,
    /// Share of the stations' time that is used; above 1 where they can't keep the takt.
    pub utilisation: f64,
    /// Hours of line time: chips times pace.
    pub hours: f64,
    /// Hours until the last unit leaves, the first one's way through counted.
    pub hours_to_last: f64,
    /// Shifts, begun ones counted.
    pub shifts: u64,
    /// Working days, begun ones counted.
    pub days: u64,
    /// Chips started on a working day.
    pub chips_per_day: f64,
    /// Hours of people: one at each station.
    pub station_hours: f64,
    /// Mean seconds that a unit waits where units come at random (about, after Allen and
    /// Cunneen); none at full load or without a takt.
    pub wait_if_random_seconds: Option<f64>,
}

/// Stations that keep a takt; a ratio that is whole but for rounding counts as whole.
pub(super) fn stations_for(station_s: f64, takt_s: f64) -> u64 {
    ((station_s / takt_s) - 1e-9).ceil().clamp(1.0, 1e9) as u64
}

/// The line for a load.
pub(super) fn line(r: &Request, load: &Load) -> Line {
    let station_s = load.unit_s * load.attempts / r.availability;
    let stations = r.stations.unwrap_or_else(|| r.takt_s.map_or(1, |takt| stations_for(station_s, takt)));
    let fastest = station_s / stations as f64;
    let pace = r.takt_s.map_or(fastest, |takt| takt.max(fastest));
    let hours = load.chips as f64 * pace / 3600.0;
    let day = r.shift_hours * r.shifts_per_day;
    // Without a takt all stations begin at once, and the last round may be a part of one.
    let last_s = match r.takt_s {
        Some(_) => (load.chips.saturating_sub(1)) as f64 * pace + station_s,
        None => load.chips.div_ceil(stations) as f64 * station_s,
    };
    let wait = r.takt_s.and_then(|takt| {
        let cv = service_variation(r, load);
        let wait = queue::wait_about(stations, 1.0 / takt, station_s, 1.0, cv);
        wait.is_finite().then_some(wait)
    });
    Line {
        stations,
        pace_seconds: pace,
        station_seconds: station_s,
        utilisation: r.takt_s.map_or(1.0, |takt| station_s / (takt * stations as f64)),
        hours,
        hours_to_last: last_s / 3600.0,
        shifts: (hours / r.shift_hours - 1e-9).ceil().max(1.0) as u64,
        days: (hours / day - 1e-9).ceil().max(1.0) as u64,
        chips_per_day: day * 3600.0 / pace,
        station_hours: hours * stations as f64,
        wait_if_random_seconds: wait,
    }
}

/// Coefficient of variation of a chip's whole time: of each attempt, and of how many there are
/// (geometric, with the given mean).
fn service_variation(r: &Request, load: &Load) -> f64 {
    let again = 1.0 - 1.0 / load.attempts;
    ((r.variation.powi(2)) / load.attempts + again).sqrt()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn request(takt: Option<f64>) -> Request {
        Request { takt_s: takt, ..Request::new(100).unwrap() }
    }

    /// By hand: 45 s of work at a takt of 12 s are 3.75 stations, so four.
    #[test]
    fn stations_by_hand() {
        for (work, takt, stations) in
            [(45.0, 12.0, 4), (36.0, 12.0, 3), (0.3, 0.1, 3), (1.0, 30.0, 1), (36.001, 12.0, 4)]
        {
            let load = Load { chips: 1_000, unit_s: work, attempts: 1.0 };
            let line = line(&request(Some(takt)), &load);
            assert_eq!(line.stations, stations, "{work} at {takt}");
            assert!((line.hours - 1_000.0 * takt / 3600.0).abs() < 1e-9);
            assert!(line.utilisation <= 1.0 + 1e-9);
        }
    }

    #[test]
    fn too_few_stations_set_the_pace() {
        let load = Load { chips: 3_600, unit_s: 10.0, attempts: 1.0 };
        let line = line(&Request { stations: Some(2), ..request(Some(4.0)) }, &load);
        assert!((line.pace_seconds - 5.0).abs() < 1e-9 && (line.hours - 5.0).abs() < 1e-9, "{line:?}");
        assert!((line.utilisation - 1.25).abs() < 1e-9);
        assert_eq!(line.wait_if_random_seconds, None);
        let line = super::line(&request(None), &load);
        assert_eq!((line.stations, line.shifts, line.days), (1, 2, 2), "ten hours at one station");
    }

    #[test]
    fn repeats_and_stops_take_station_time() {
        let load = Load { chips: 100, unit_s: 10.0, attempts: 1.1 };
        let line = line(&Request { availability: 0.8, ..request(Some(10.0)) }, &load);
        assert!((line.station_seconds - 13.75).abs() < 1e-9);
        assert_eq!(line.stations, 2);
    }
}
