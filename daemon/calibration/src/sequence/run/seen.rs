//! The run as a viewer sees it: where it is, and what moves against what may.

use super::{Run, State};
use plan_schema::units::{Accel, Celsius, Displacement, Hertz, Peak, Volts};

/// What goes on, as of the last block.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Seen {
    /// Part of the run.
    pub part: Part,
    /// Number of the point from 0, while there is one.
    pub point: Option<usize>,
    /// Frequency that was asked for last.
    pub frequency: Option<Hertz>,
    /// What the amplitude should be.
    pub target: Option<Accel<Peak>>,
    /// The amplitude as the reference showed it in the last window.
    pub amplitude: Option<Accel<Peak>>,
    /// Largest displacement within the last block that the observer can't rule out: estimate and bound; `None` before it
    /// watches, and where it lost track.
    pub displacement: Option<Displacement<Peak>>,
    /// The ceiling of stroke in force.
    pub displacement_ceiling: Displacement<Peak>,
    /// Amplitude of the drive in force; zero at rest.
    pub drive: Volts<Peak>,
    /// Ceiling of the drive; `None` without leave.
    pub drive_ceiling: Option<Volts<Peak>>,
    /// The last temperature.
    pub temperature: Option<Celsius>,
}

/// Parts of a run.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Part {
    /// Before anything is energised: sensors, temperature, permissives and the warning are waited for.
    Soak,
    /// At rest, one voltage in all channels, or reference and sensors exchanged.
    Channels,
    /// At rest, listening.
    Quiet,
    /// The first motion.
    FirstMotion,
    /// On the way to an amplitude.
    Settle,
    /// A dwell is recorded.
    Dwell,
    /// At zero drive in mid-run, until the room is within its limits, or a record is kept.
    Paused,
    /// The first point once more.
    Closing,
    /// On the way out.
    Stopping,
}

impl Run {
    /// True while a failure would meet a moving armature, and whether it is measured then.
    #[must_use]
    pub fn motion(&self) -> Option<bool> {
        match &self.state {
            State::Point(point) => Some(point.measuring()),
            State::Probing(_)
            | State::StoringFirstMotion(_)
            | State::StoringPoint(..)
            | State::Unkept(_)
            | State::Leaving { .. } => Some(false),
            State::Idle
            | State::Soaking(_)
            | State::Waiting(_)
            | State::Channels(_)
            | State::Exchange(_)
            | State::Unmuting
            | State::Quiet(..)
            | State::StoringQuiet(_)
            | State::Stopping(_)
            | State::Done => None,
        }
    }

    /// True on the way out.
    #[must_use]
    pub fn is_stopping(&self) -> bool {
        matches!(self.state, State::Stopping(_))
    }

    /// What goes on.
    #[must_use]
    pub fn glance(&self) -> Seen {
        let (part, point) = match &self.state {
            State::Waiting(gate) if gate.is_pause() => (Part::Paused, None),
            State::Idle | State::Soaking(_) | State::Waiting(_) => (Part::Soak, None),
            State::Channels(_) | State::Exchange(_) => (Part::Channels, None),
            State::Unmuting | State::Quiet(..) | State::StoringQuiet(_) => (Part::Quiet, None),
            State::Probing(_) | State::StoringFirstMotion(_) => (Part::FirstMotion, None),
            State::Point(run) | State::StoringPoint(run, _) => {
                let part = match (run.is_closing(), run.measuring()) {
                    (true, _) => Part::Closing,
                    (false, true) => Part::Dwell,
                    (false, false) => Part::Settle,
                };
                (part, Some(run))
            }
            State::Leaving { .. } => (Part::Settle, None),
            State::Unkept(_) => (Part::Paused, None),
            State::Stopping(_) | State::Done => (Part::Stopping, None),
        };
        let moves = self.tone.is_some();
        Seen {
            part,
            point: point.map(|run| run.point),
            frequency: self.asked.filter(|_| moves),
            target: point.and_then(|run| self.setup.job.points.get(run.point)).map(|p| p.target),
            amplitude: point.map(|run| run.last()),
            displacement: self.judged,
            displacement_ceiling: self.stroke.ceiling(),
            drive: self.tone.unwrap_or(Volts::ZERO),
            drive_ceiling: self.interlock.ceiling().map(|c| c.drive),
            temperature: self.room.temperature(),
        }
    }

    /// True in those parts of a run that `check` foresees as waits. Decays are counted by the points themselves.
    pub(super) fn is_foreseen_wait(&self) -> bool {
        match &self.state {
            // The reference's part of a substitution is foreseen as a whole.
            State::Probing(_) | State::Leaving { .. } if self.substitutes => true,
            State::Waiting(gate) => !gate.is_pause(),
            State::Soaking(_)
            | State::Channels(_)
            | State::Exchange(_)
            | State::Unmuting
            | State::Quiet(..)
            | State::StoringQuiet(_)
            | State::StoringFirstMotion(_) => true,
            State::Probing(probe) => probe.is_first_motion(),
            State::Point(point) | State::StoringPoint(point, _) => point.is_beside(),
            State::Leaving { waiting, .. } => *waiting,
            State::Idle | State::Unkept(_) | State::Stopping(_) | State::Done => false,
        }
    }
}
