//! The small motions before the first point: the first motion, and one at the frequency of the first point by which the
//! plant is identified.

use super::collect::{Collector, Stretch};
use super::input::Effective;
use super::point::{WINDOW_HARMONICS, fill};
use super::setup::Setup;
use crate::block::BlockView;
use crate::control::window;
use crate::estimate::Running;
use plan_schema::units::{Accel, Hertz, Peak, SampleIndex, Volts};

/// What for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum ProbeKind {
    /// To see whether everything is as the files say.
    FirstMotion,
    /// To learn what the plant does.
    Identify,
}

/// What a small motion brought.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum Probed {
    /// The waveforms of the first motion.
    FirstMotion(Stretch),
    /// Amplitude of the reference, and its relative standard deviation.
    Identified(Accel<Peak>, f64),
}

#[derive(Debug, Clone)]
enum Phase {
    Commanded,
    Collecting(Collector),
    Window { from: SampleIndex, fit: Box<Running>, wanted: u64 },
}

/// A small motion under way.
#[derive(Debug, Clone)]
pub(super) struct Probe {
    pub(super) kind: ProbeKind,
    /// Frequency and drive as wanted, then as applied.
    pub(super) tone: (Hertz, Volts<Peak>),
    /// When the tone began: not before, not after.
    pub(super) began: (SampleIndex, SampleIndex),
    phase: Phase,
}

impl Probe {
    /// One that was not commanded yet.
    pub(super) fn new(kind: ProbeKind, tone: (Hertz, Volts<Peak>)) -> Self {
        Self { kind, tone, began: (SampleIndex(0), SampleIndex(0)), phase: Phase::Commanded }
    }

    /// True for the first motion.
    pub(super) fn is_first_motion(&self) -> bool {
        self.kind == ProbeKind::FirstMotion
    }

    /// The source took the setting; its way takes `way` samples, and it is in effect as said.
    pub(super) fn applied(
        &mut self,
        setup: &Setup,
        tone: (Hertz, Volts<Peak>),
        way: u64,
        effective: Effective,
    ) {
        self.tone = tone;
        let latest = SampleIndex(effective.not_after.0.saturating_sub(way));
        self.began = (effective.not_before, latest.max(effective.not_before));
        let from = effective.not_after + setup.samples(setup.plant.settling_time());
        let rate = setup.job.rig.acquisition.rate;
        self.phase = match self.kind {
            ProbeKind::FirstMotion => {
                let wanted = setup.piece(setup.opening.length);
                let collector = Collector::new(from, wanted, setup.job.columns.len());
                Phase::Collecting(collector.gated(setup.gate().is_some()))
            }
            ProbeKind::Identify => match Running::new(tone.0, rate, WINDOW_HARMONICS) {
                Ok(fit) => {
                    Phase::Window { from, fit: Box::new(fit), wanted: setup.samples(window(tone.0)).0 }
                }
                Err(_) => Phase::Commanded,
            },
        };
    }

    /// Takes a block; what came out once it is over.
    pub(super) fn block(&mut self, setup: &Setup, block: &BlockView<'_>) -> Option<Probed> {
        match &mut self.phase {
            Phase::Commanded => None,
            Phase::Collecting(collector) => collector.take(block).map(Probed::FirstMotion),
            Phase::Window { from, fit, wanted } => {
                if !fill(setup, *from, fit, *wanted, block) {
                    return None;
                }
                let found = fit.estimate()?;
                let amplitude = found.amplitude.norm();
                let sensitivity = setup.sensitivity_near(self.tone.0).si();
                Some(Probed::Identified(Accel::new(amplitude / sensitivity), found.deviation / amplitude))
            }
        }
    }
}
