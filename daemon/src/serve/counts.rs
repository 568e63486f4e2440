//! What was counted since the daemon's start, and what is so now, for whatever watches it.

use super::store::IndexedRun;
use crate::record::UtcTime;
use std::collections::BTreeMap;

/// Runs that came to their end since the start.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Counts {
    /// By outcome.
    pub runs: BTreeMap<String, u64>,
    /// Those that a trip ended.
    pub trips: u64,
    /// Points by status, each sensor's apart.
    pub points: BTreeMap<String, u64>,
}

impl Counts {
    /// Counts a run, as the index holds it.
    pub fn run(&mut self, run: &IndexedRun) {
        *self.runs.entry(run.outcome.clone()).or_default() += 1;
        self.trips += u64::from(run.trip.is_some());
        for point in run.sensors.iter().flat_map(|sensor| &sensor.points) {
            *self.points.entry(point.status.clone()).or_default() += 1;
        }
    }
}

/// What is watched beside the rig and its queue.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Watched {
    /// When the daemon started; since then is counted.
    pub started: UtcTime,
    /// What was counted.
    pub counts: Counts,
    /// The run that goes on pauses.
    pub paused: bool,
    /// An instrument could not be made safe: at the start, or in the run that tripped.
    pub not_safe: bool,
    /// Free on the disk of the runs; none where the system does not tell.
    pub free_bytes: Option<u64>,
    /// Notices that wait for their receivers; none where nobody is to be told.
    pub notices: Option<usize>,
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::serve::store::{IndexedPoint, IndexedSensor};

    #[test]
    fn runs_trips_and_points_are_counted() {
        let points = ["accepted", "rejected", "accepted"].map(|status| IndexedPoint {
            frequency_hz: 16.0,
            status: status.to_owned(),
            sensitivity: None,
            sensitivity_unit: "V/(m/s²)".to_owned(),
            u_rel_percent: None,
        });
        let sensor = IndexedSensor {
            serial: "INVENTED-1".to_owned(),
            decision: None,
            channel: None,
            conditioner: None,
            fixture: None,
            points: points.into(),
        };
        let run = |outcome: &str, trip: Option<&str>| IndexedRun {
            run: "invented-1".to_owned(),
            job: None,
            name: "invented".to_owned(),
            state: "draft".to_owned(),
            simulated: true,
            started: "2000-01-01T00:00:00Z".parse().unwrap(),
            ended: None,
            outcome: outcome.to_owned(),
            trip: trip.map(str::to_owned),
            hold: None,
            reference: ("INVENTED-R".to_owned(), "C-1".to_owned()),
            ambient_sensor: None,
            temperature_degc: None,
            sensors: vec![sensor.clone(), sensor.clone()],
            registers: Vec::new(),
            used: Vec::new(),
        };
        let mut counts = Counts::default();
        counts.run(&run("done", None));
        counts.run(&run("tripped", Some("stroke_limit")));
        let of = |counted: &BTreeMap<String, u64>, word: &str| counted.get(word).copied();
        assert_eq!(
            (of(&counts.runs, "done"), of(&counts.runs, "tripped"), counts.trips),
            (Some(1), Some(1), 1)
        );
        assert_eq!((of(&counts.points, "accepted"), of(&counts.points, "rejected")), (Some(8), Some(4)));
    }
}
