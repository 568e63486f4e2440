//! The points of a plan one by one, those that a series makes among them, and where each comes from.

use super::{Plan, Point, Series, SeriesAmplitude};
use crate::units::Hertz;

/// Where a point of the plan comes from.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Origin {
    /// It is listed: its number among the tables `[[point]]`, from 0.
    Listed(usize),
    /// A series made it.
    Series {
        /// Number among the tables `[[series]]`, from 0.
        series: usize,
        /// Its number in the series, from 0.
        step: usize,
        /// How many points the series makes.
        of: usize,
    },
}

impl Origin {
    /// Where in the plan a key of this point is written. The frequency of a series' point is between its ends: the nearer one
    /// stands for it.
    #[must_use]
    pub fn path(self, key: &str) -> String {
        match self {
            Self::Listed(n) => format!("point[{n}].{key}"),
            Self::Series { series, step, of } => match key {
                "frequency" if step * 2 < of => format!("series[{series}].from"),
                "frequency" => format!("series[{series}].to"),
                _ => format!("series[{series}].{key}"),
            },
        }
    }
}

/// A point as the plan means it.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Planned {
    pub(crate) origin: Origin,
    /// As if it had been listed. Where the largest amplitude is asked for, that up to which it may go.
    pub(crate) point: Point,
    /// True where the amplitude is to be found.
    pub(crate) largest: bool,
}

impl Plan {
    /// All points: those that are listed in their order, then those of each series.
    pub(crate) fn planned(&self) -> Vec<Planned> {
        let listed = self.points.iter().enumerate().map(|(n, point)| Planned {
            origin: Origin::Listed(n),
            point: point.clone(),
            largest: false,
        });
        let made = self.series.iter().enumerate().flat_map(|(n, series)| series.planned(n));
        listed.chain(made).collect()
    }
}

impl Series {
    /// The points of this series, which is number `series` of the plan.
    fn planned(&self, series: usize) -> Vec<Planned> {
        let (amplitude, largest) = match (self.amplitude, self.at_most) {
            (SeriesAmplitude::Fixed(amplitude), _) => (amplitude, false),
            (SeriesAmplitude::Largest, Some(most)) => (most, true),
            (SeriesAmplitude::Largest, None) => return Vec::new(),
        };
        let frequencies = self.frequencies();
        let of = frequencies.len();
        let point = |frequency: Hertz| Point {
            frequency,
            amplitude,
            dwell_cycles: self.dwell_cycles,
            repeats: self.repeats,
            tolerance: self.tolerance,
            distortion_limit: self.distortion_limit,
        };
        let planned = |(step, frequency)| Planned {
            origin: Origin::Series { series, step, of },
            point: point(frequency),
            largest,
        };
        frequencies.into_iter().enumerate().map(planned).collect()
    }
}
