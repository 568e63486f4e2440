//! The way through one point: approach from below, settle, dwell.
//!
//! Judged in samples only. A window or a dwell never begins before a setting is in full effect and the armature has
//! followed it, nor before a sensor's declared decay has died away far enough for a fit to take the rest.

use super::dwell::{Dwell, Dwelt};
use super::input::Effective;
use super::quality::Standing;
use super::setup::Setup;
use crate::block::BlockView;
use crate::control::{Approach, Progress, Seen, window};
use crate::estimate::Running;
use plan_schema::units::{Accel, Hertz, Peak, SampleCount, SampleIndex, Seconds, Volts};

/// Harmonics that a window fits beside offset and trend, so that distortion does not look like a trend.
pub(super) const WINDOW_HARMONICS: u32 = 3;

/// What a point wants after a block.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum Wish {
    /// More samples.
    Wait,
    /// Another drive.
    Drive(Volts<Peak>),
    /// The amplitude was looked at; more samples.
    Seen(Accel<Peak>),
    /// The dwell begins.
    Dwell,
    /// The dwell is complete.
    Complete(Box<Dwelt>),
    /// The amplitude did not settle in time.
    GaveUp(Accel<Peak>),
}

#[derive(Debug, Clone)]
enum Phase {
    /// A setting is under way.
    Commanded,
    /// A window is being filled from an index on, and looked at again when it has grown to a number of samples.
    Window { from: SampleIndex, fit: Box<Running>, next_look: u64 },
    /// The dwell is being recorded.
    Dwell(Box<Dwell>),
}

/// Why a point is run.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Purpose {
    /// To be measured.
    Measure,
    /// It was measured first, and is looked at once more at the end.
    Close,
    /// It was measured, and is run again with the reference in the sensors' channels.
    Substitute,
    /// The same once more of the first one, to see how steady the channels are.
    SubstituteAgain,
}

/// One point under way.
#[derive(Debug, Clone)]
pub(super) struct PointRun {
    /// Number of the point from 0.
    pub(super) point: usize,
    pub(super) purpose: Purpose,
    /// Number of the repeat from 0.
    pub(super) repeat: u32,
    /// True once it was repeated because something was found against it.
    pub(super) retried: bool,
    /// Columns against which the last dwell had something.
    pub(super) suspected: Vec<Option<usize>>,
    /// First sample that belongs to it.
    pub(super) begun: SampleIndex,
    /// Sample at which the dwell began.
    pub(super) dwell_from: SampleIndex,
    /// Frequency as the source applied it.
    pub(super) frequency: Hertz,
    /// Deviation from the target when the dwell began, as a share of it.
    pub(super) settled_error: f64,
    /// Samples waited for a sensor's declared decay.
    pub(super) decay_waited: SampleCount,
    phase: Phase,
    approach: Approach,
    /// Sensitivity of the reference, V/(m/s²).
    sensitivity: f64,
    moved: bool,
    last: Accel<Peak>,
    /// Amplitude over the last dwell.
    measured: Accel<Peak>,
}

impl PointRun {
    /// Begins a point that is approached in this way.
    pub(super) fn new(
        setup: &Setup,
        (point, purpose): (usize, Purpose),
        begun: SampleIndex,
        approach: Approach,
        sensitivity: f64,
    ) -> Option<Self> {
        let frequency = setup.job.points.get(point)?.frequency;
        Some(Self {
            point,
            purpose,
            repeat: 0,
            retried: false,
            suspected: Vec::new(),
            begun,
            dwell_from: begun,
            frequency,
            settled_error: 0.0,
            decay_waited: SampleCount(0),
            phase: Phase::Commanded,
            approach,
            sensitivity,
            moved: false,
            last: Accel::ZERO,
            measured: Accel::ZERO,
        })
    }

    /// True if both are the same way through the same point.
    pub(super) fn is_same(&self, other: &Self) -> bool {
        (self.point, self.purpose) == (other.point, other.purpose)
    }

    /// Begins where the same point was given up: dwells that it has are not numbered anew.
    pub(super) fn take_up(&mut self, before: &Self) {
        (self.repeat, self.retried) = (before.repeat, before.retried);
        self.suspected.clone_from(&before.suspected);
    }

    /// The drive in force or wanted first.
    pub(super) fn drive(&self) -> Volts<Peak> {
        self.approach.drive()
    }

    /// The amplitude as last seen.
    pub(super) fn last(&self) -> Accel<Peak> {
        self.last
    }

    /// True if it only closes the run.
    pub(super) fn is_closing(&self) -> bool {
        self.purpose == Purpose::Close
    }

    /// True if the reference is in the sensors' channels.
    pub(super) fn substitutes(&self) -> bool {
        matches!(self.purpose, Purpose::Substitute | Purpose::SubstituteAgain)
    }

    /// True if no result of the plan comes out of it by itself.
    pub(super) fn is_beside(&self) -> bool {
        self.purpose != Purpose::Measure
    }

    /// True while the point is measured.
    pub(super) fn measuring(&self) -> bool {
        matches!(self.phase, Phase::Dwell(_))
    }

    /// The source took a setting: windows begin once it is in effect and everything has followed.
    pub(super) fn applied(
        &mut self,
        setup: &Setup,
        frequency: Hertz,
        drive: Volts<Peak>,
        effective: Effective,
    ) {
        self.frequency = frequency;
        self.approach.applied(drive);
        let mut from = effective.not_after + setup.samples(setup.plant.settling_time());
        if !self.moved {
            self.moved = true;
            self.decay_waited = setup.samples(setup.decay_wait(self.point));
            from = from + self.decay_waited;
        }
        self.look(setup, from);
    }

    /// Opens a window; a frequency that can't be fitted was refused before the run.
    fn look(&mut self, setup: &Setup, from: SampleIndex) {
        if let Ok(fit) = Running::new(self.frequency, setup.job.rig.acquisition.rate, WINDOW_HARMONICS) {
            let fit = Box::new(fit);
            self.phase = Phase::Window { from, fit, next_look: setup.samples(window(self.frequency)).0 };
        }
    }

    /// Measures once more: at once where the amplitude was where it has to be, else it settles again first.
    pub(super) fn again(&mut self, setup: &Setup, standing: &Standing<'_>, from: SampleIndex, start: Hertz) {
        self.repeat += 1;
        self.begun = from;
        if self.approach.is_near(self.measured) {
            self.begin_dwell(standing, from, start);
        } else {
            self.look(setup, from);
        }
    }

    /// What the dwell that just ended shows of the amplitude.
    pub(super) fn measured(&mut self, amplitude: Accel<Peak>) {
        self.measured = amplitude;
    }

    fn begin_dwell(&mut self, standing: &Standing<'_>, from: SampleIndex, start: Hertz) {
        self.dwell_from = from;
        let longest = if self.is_beside() { 1 } else { usize::MAX };
        self.phase = Phase::Dwell(Box::new(Dwell::new(standing, from, self.frequency, start, longest)));
    }

    /// Takes a block. `clock` is the ratio of the acquisition's frequencies to the source's.
    pub(super) fn block(
        &mut self,
        setup: &Setup,
        standing: &Standing<'_>,
        clock: f64,
        block: &BlockView<'_>,
    ) -> Wish {
        let wish = match &mut self.phase {
            Phase::Commanded => Wish::Wait,
            Phase::Dwell(dwell) => {
                let complete = dwell.take(standing, block);
                return complete.map_or(Wish::Wait, |dwelt| Wish::Complete(Box::new(dwelt)));
            }
            Phase::Window { from, fit, next_look } => {
                if setup.gate().is_some() {
                    *next_look = setup.samples(window(self.frequency)).0;
                }
                if fill(setup, *from, fit, *next_look, block) {
                    self.judge(setup, standing, clock, block.end())
                } else {
                    Wish::Wait
                }
            }
        };
        if self.measuring() { wish } else { self.patience(setup, block, wish) }
    }

    fn judge(&mut self, setup: &Setup, standing: &Standing<'_>, clock: f64, end: SampleIndex) -> Wish {
        let Phase::Window { fit, next_look, .. } = &mut self.phase else {
            return Wish::Wait;
        };
        // A quarter of a window more each time that it does not suffice.
        let quarter = setup.samples(window(self.frequency) * 0.25).0;
        *next_look = fit.samples().0 + quarter;
        let Some(found) = fit.estimate() else {
            return Wish::Wait;
        };
        let of = |volts: f64| Accel::new(volts / self.sensitivity);
        let seen = Seen {
            amplitude: of(found.amplitude.norm()),
            deviation: of(found.deviation),
            trend: found.trend_per_s,
            trend_deviation: found.trend_deviation,
            window: fit.samples().duration(setup.job.rig.acquisition.rate),
        };
        self.last = seen.amplitude;
        match self.approach.observe(&seen) {
            Progress::Look => Wish::Seen(self.last),
            Progress::Anew | Progress::AtCeiling(_) => {
                self.look(setup, end);
                Wish::Seen(self.last)
            }
            Progress::Drive { drive, .. } => {
                self.phase = Phase::Commanded;
                Wish::Drive(drive)
            }
            Progress::Settled(settled) => {
                self.settled_error = settled.error;
                self.begin_dwell(standing, end, self.frequency * clock);
                Wish::Dwell
            }
        }
    }

    /// Everything has a maximum: a point that does not settle is given up.
    fn patience(&self, setup: &Setup, block: &BlockView<'_>, wish: Wish) -> Wish {
        let limit = setup.samples(setup.job.plan.settle_limit) + self.decay_waited;
        let over = block.end() - self.begun > limit;
        if over && !matches!(wish, Wish::Dwell) { Wish::GaveUp(self.last) } else { wish }
    }

    /// Time from the start of the point to its dwell or to now.
    pub(super) fn settle_time(&self, setup: &Setup, until: SampleIndex) -> Seconds {
        SampleCount((until - self.begun).0).duration(setup.job.rig.acquisition.rate)
    }
}

/// Adds a block to a window; true once it has grown to `wanted` samples. Of a gated acquisition a window is one block, since
/// no phase is joined across a gap.
pub(super) fn fill(
    setup: &Setup,
    from: SampleIndex,
    fit: &mut Running,
    wanted: u64,
    block: &BlockView<'_>,
) -> bool {
    let Some(samples) = block.channels.get(setup.job.reference.column) else {
        return false;
    };
    if setup.gate().is_some() {
        if block.first_sample < from {
            return false;
        }
        fit.reset();
        fit.push(samples);
        return fit.samples().0 >= wanted;
    }
    let next = from + fit.samples();
    if block.end() <= next {
        return false;
    }
    let skip = usize::try_from((next - block.first_sample).0).unwrap_or(usize::MAX);
    fit.push(samples.get(skip..).unwrap_or(&[]));
    fit.samples().0 >= wanted
}
