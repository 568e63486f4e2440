//! The way through one point: approach from below, settle, dwell.
//!
//! Judged in samples only. A window or a dwell never begins before a setting is in full effect and the armature has
//! followed it.

use super::collect::{Collector, Stretch};
use super::input::Effective;
use super::setup::Setup;
use crate::block::BlockView;
use crate::control::{AmplitudeLoop, Progress, window};
use crate::estimate::SineWindow;
use plan_schema::units::{Accel, Hertz, Peak, Rms, SampleCount, SampleIndex, Seconds, Volts};

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
    Complete(Stretch),
    /// The amplitude did not settle in time.
    GaveUp(Accel<Peak>),
}

#[derive(Debug, Clone)]
enum Phase {
    /// A setting is under way.
    Commanded,
    /// A window is being filled from an index on.
    Window { from: SampleIndex, fit: SineWindow, wanted: u64 },
    /// The dwell is being recorded.
    Dwell(Collector),
}

/// One point under way.
#[derive(Debug, Clone)]
pub(super) struct PointRun {
    /// Number of the point from 0.
    pub(super) point: usize,
    /// Number of the repeat from 0.
    pub(super) repeat: u32,
    /// First sample that belongs to it.
    pub(super) begun: SampleIndex,
    /// Sample at which the dwell began.
    pub(super) dwell_from: SampleIndex,
    /// Frequency as the source applied it.
    pub(super) frequency: Hertz,
    phase: Phase,
    control: AmplitudeLoop,
    sensitivity: f64,
    noise: Volts<Rms>,
    last: Accel<Peak>,
}

impl PointRun {
    /// Begins a point. `correction` is measured over foreseen response so far, `None` before the first.
    pub(super) fn new(
        setup: &Setup,
        point: usize,
        begun: SampleIndex,
        correction: Option<f64>,
        sensitivity: f64,
        noise: Volts<Rms>,
    ) -> Option<Self> {
        let wanted = setup.job.points.get(point)?;
        let forecast = setup.forecasts.get(point)?;
        let dwell = Seconds::new(f64::from(wanted.dwell_cycles) / wanted.frequency.si());
        let control = AmplitudeLoop::new(
            wanted.target,
            wanted.frequency,
            setup.job.plan.settle_band.si(),
            dwell,
            forecast.need.drive / correction.unwrap_or(1.0),
            forecast.ceiling.drive,
            correction.is_some(),
        );
        Some(Self {
            point,
            repeat: 0,
            begun,
            dwell_from: begun,
            frequency: wanted.frequency,
            phase: Phase::Commanded,
            control,
            sensitivity,
            noise,
            last: Accel::ZERO,
        })
    }

    /// The drive in force or wanted first.
    pub(super) fn drive(&self) -> Volts<Peak> {
        self.control.drive()
    }

    /// The amplitude as last seen.
    pub(super) fn last(&self) -> Accel<Peak> {
        self.last
    }

    /// True while the point is measured.
    pub(super) fn measuring(&self) -> bool {
        matches!(self.phase, Phase::Dwell(_))
    }

    /// The source took a setting: windows begin once it is in effect and the armature has followed.
    pub(super) fn applied(
        &mut self,
        setup: &Setup,
        frequency: Hertz,
        drive: Volts<Peak>,
        effective: Effective,
    ) {
        self.frequency = frequency;
        self.control.applied(drive);
        let followed = setup.samples(setup.plant.settling_time());
        self.look(setup, effective.not_after + followed);
    }

    /// Opens a window; a frequency that can't be fitted was refused before the run.
    fn look(&mut self, setup: &Setup, from: SampleIndex) {
        if let Ok(fit) = SineWindow::new(self.frequency, setup.job.rig.acquisition.rate) {
            self.phase = Phase::Window { from, fit, wanted: setup.samples(window(self.frequency)).0 };
        }
    }

    /// Measures once more without a change.
    pub(super) fn again(&mut self, setup: &Setup, from: SampleIndex) {
        self.repeat += 1;
        self.begun = from;
        self.begin_dwell(setup, from);
    }

    fn begin_dwell(&mut self, setup: &Setup, from: SampleIndex) {
        let Some(point) = setup.job.points.get(self.point) else {
            return;
        };
        let length = Seconds::new(f64::from(point.dwell_cycles) / self.frequency.si());
        self.dwell_from = from;
        self.phase = Phase::Dwell(Collector::new(from, setup.samples(length), setup.job.columns.len()));
    }

    /// Takes a block.
    pub(super) fn block(&mut self, setup: &Setup, block: &BlockView<'_>) -> Wish {
        let wish = match &mut self.phase {
            Phase::Commanded => Wish::Wait,
            Phase::Dwell(collector) => collector.take(block).map_or(Wish::Wait, Wish::Complete),
            Phase::Window { from, fit, wanted } => {
                let Some(amplitude) = fill(*from, fit, *wanted, setup.job.reference.column, block) else {
                    return self.patience(setup, block, Wish::Wait);
                };
                let count = fit.samples().0;
                self.judge(setup, Accel::new(amplitude / self.sensitivity), count, block.end())
            }
        };
        match wish {
            Wish::Wait | Wish::Seen(_) | Wish::Drive(_) if !self.measuring() => {
                self.patience(setup, block, wish)
            }
            wish => wish,
        }
    }

    fn judge(&mut self, setup: &Setup, seen: Accel<Peak>, samples: u64, end: SampleIndex) -> Wish {
        self.last = seen;
        // Standard deviation of a fitted amplitude in white noise, σ √(2/N) (IEEE 1057).
        #[expect(clippy::cast_precision_loss, reason = "a window has far fewer than 2^53 samples")]
        let deviation = self.noise.si() * (2.0 / samples.max(1) as f64).sqrt() / self.sensitivity;
        match self.control.observe(seen, Accel::new(deviation)) {
            Progress::Look => {
                self.look(setup, end);
                Wish::Seen(seen)
            }
            Progress::Drive(drive) => {
                self.phase = Phase::Commanded;
                Wish::Drive(drive)
            }
            Progress::Settled(_) => {
                self.begin_dwell(setup, end);
                Wish::Dwell
            }
        }
    }

    /// Everything has a maximum: a point that does not settle is given up.
    fn patience(&self, setup: &Setup, block: &BlockView<'_>, wish: Wish) -> Wish {
        let limit = setup.samples(setup.job.plan.settle_limit);
        if block.end() - self.begun > limit { Wish::GaveUp(self.last) } else { wish }
    }

    /// Time from the start of the point to its dwell or to now.
    pub(super) fn settle_time(&self, setup: &Setup, until: SampleIndex) -> Seconds {
        SampleCount((until - self.begun).0).duration(setup.job.rig.acquisition.rate)
    }
}

/// Adds a block to a window; the amplitude in volts once it is full.
fn fill(
    from: SampleIndex,
    fit: &mut SineWindow,
    wanted: u64,
    column: usize,
    block: &BlockView<'_>,
) -> Option<f64> {
    let samples = block.channels.get(column)?;
    let next = from + fit.samples();
    if block.end() <= next {
        return None;
    }
    let skip = usize::try_from((next - block.first_sample).0).unwrap_or(usize::MAX);
    fit.push(samples.get(skip..).unwrap_or(&[]));
    if fit.samples().0 < wanted {
        return None;
    }
    fit.amplitude().map(|a| a.norm())
}
