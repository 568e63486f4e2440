//! The ratio of channels as this run measured it, and what is uncertain about it.
//!
//! Owns: [`correction`]. The ratio is what is left beyond what the rig file states of both channels, so that it is near 1
//! and smooth; between the tones it is interpolated, straight over the logarithm of frequency: its magnitude, and of its phase
//! the delay that this is. It is never extrapolated: beyond the tones there is none. Source: elementary; a ratio found with one
//! voltage in both channels is what ISO 16063-21 calls for (from memory).

use super::RunFacts;
use crate::estimate::Complex;
use crate::sequence::{QuietTime, RatioTone, Setup, ToneOf};
use plan_schema::plan::Method;
use plan_schema::resolve::ResolvedJob;
use plan_schema::units::Hertz;

/// What is uncertain about a ratio that was measured: relative of its magnitude, in rad of its phase.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(super) struct Measured {
    /// Type A standard uncertainty.
    pub(super) type_a: f64,
    /// Its degrees of freedom.
    pub(super) dof: f64,
    /// Half of the step between the two tones about the frequency: the curve may lie anywhere from the one to the other.
    pub(super) interpolation: f64,
    /// Half of what it changed over the run, where it was measured again.
    pub(super) change: f64,
    /// Hum that can't be told from the tone, on the channel and on the reference's: amplitudes as shares of theirs.
    pub(super) hum: Option<[f64; 2]>,
}

/// The ratio of a channel to the reference's.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Correction {
    /// Complex: a result is divided by it.
    pub(super) ratio: Complex<f64>,
    /// Of the magnitude.
    pub(super) magnitude: Measured,
    /// Of the phase.
    pub(super) phase: Measured,
}

/// One tone: before and after together where there are both.
#[derive(Debug, Clone, Copy)]
pub(super) struct Line {
    frequency: Hertz,
    /// Logarithm of the magnitude, and phase.
    at: [f64; 2],
    type_a: [f64; 2],
    dof: [f64; 2],
    change: [f64; 2],
}

/// The ratio of a column to the reference's at a point; `None` where it was not measured there.
pub(super) fn correction(
    job: &ResolvedJob,
    facts: &RunFacts,
    column: usize,
    point: usize,
) -> Option<Correction> {
    if job.plan.method == Method::Substitution {
        return super::substitution::correction(job, facts, column, point);
    }
    let frequency = job.points.get(point)?.frequency;
    let wanted = job.plan.channel_ratio.as_ref().filter(|wanted| wanted.covers(frequency))?;
    let line = |n: usize| Line::of(job, facts, column, n);
    let after = wanted.frequencies.partition_point(|f| *f < frequency);
    let upper = line(after)?;
    if upper.frequency == frequency {
        return Some(upper.alone());
    }
    let lower = line(after.checked_sub(1)?)?;
    Some(between(&lower, &upper, frequency))
}

/// What is foreseen before a run, where the ratio is to be measured at a frequency: noise does not count beside the rest.
pub(super) fn foreseen(setup: &Setup, frequency: Hertz) -> Option<Measured> {
    let nothing = Measured { dof: f64::INFINITY, ..Measured::default() };
    if setup.job.plan.method == Method::Substitution {
        return Some(nothing);
    }
    let wanted = setup.job.plan.channel_ratio.as_ref().filter(|wanted| wanted.covers(frequency));
    wanted.map(|_| nothing)
}

impl Line {
    fn of(job: &ResolvedJob, facts: &RunFacts, column: usize, number: usize) -> Option<Self> {
        let found = |when: QuietTime| {
            let tones = facts.channels.iter().rev();
            tones
                .filter(|t| t.of == ToneOf::Source(when) && t.number == number)
                .find_map(|t| Self::seen(job, column, t))
        };
        match (found(QuietTime::Before), found(QuietTime::After)) {
            (Some(before), Some(after)) => Some(before.with(&after)),
            (before, _) => before,
        }
    }

    pub(super) fn seen(job: &ResolvedJob, column: usize, tone: &RatioTone) -> Option<Self> {
        let ratio = tone.estimate.as_ref().ok()?.ratios.iter().find(|r| r.channel == column)?;
        let beyond = tone.beyond_stated(job, column)?;
        let line = Self {
            frequency: tone.wanted(job)?,
            at: [beyond.norm().ln(), beyond.arg()],
            type_a: [ratio.u_rel_a.si(), ratio.u_phase_a.si()],
            dof: [ratio.dof.max(1.0), ratio.dof_phase.max(1.0)],
            change: [0.0; 2],
        };
        line.at.iter().chain(&line.type_a).all(|v| v.is_finite()).then_some(line)
    }

    /// Two of one frequency: their mean, and half of their difference.
    pub(super) fn with(self, other: &Self) -> Self {
        Self {
            at: each(|n| f64::midpoint(self.at[n], other.at[n])),
            type_a: each(|n| self.type_a[n].hypot(other.type_a[n]) / 2.0),
            dof: each(|n| self.dof[n] + other.dof[n]),
            change: each(|n| (self.at[n] - other.at[n]).abs() / 2.0),
            ..self
        }
    }

    /// The same with the other's change, where that is larger.
    pub(super) fn as_unsteady_as(self, other: &Self) -> Self {
        Self { change: each(|n| self.change[n].max(other.change[n])), ..self }
    }

    pub(super) fn alone(&self) -> Correction {
        let of = |n: usize| Measured {
            type_a: self.type_a[n],
            dof: self.dof[n],
            interpolation: 0.0,
            change: self.change[n],
            hum: None,
        };
        Correction {
            ratio: Complex::from_polar(self.at[0].exp(), self.at[1]),
            magnitude: of(0),
            phase: of(1),
        }
    }
}

fn each(of: impl Fn(usize) -> f64) -> [f64; 2] {
    [of(0), of(1)]
}

fn between(lower: &Line, upper: &Line, frequency: Hertz) -> Correction {
    let share = (frequency / lower.frequency).ln() / (upper.frequency / lower.frequency).ln();
    // A phase counts by its delay: per frequency, and times it again.
    let per = |line: &Line, n: usize| if n == 0 { 1.0 } else { line.frequency / frequency };
    let ends = |n: usize| (lower.at[n] / per(lower, n), upper.at[n] / per(upper, n));
    let at = |n: usize| ends(n).0 + (ends(n).1 - ends(n).0) * share;
    let of = |n: usize| Measured {
        // The larger, which the one between them does not exceed.
        type_a: lower.type_a[n].max(upper.type_a[n]),
        dof: lower.dof[n].min(upper.dof[n]),
        interpolation: (ends(n).1 - ends(n).0).abs() / 2.0,
        change: lower.change[n].max(upper.change[n]),
        // No tone of the source lies on a line of the mains.
        hum: None,
    };
    Correction { ratio: Complex::from_polar(at(0).exp(), at(1)), magnitude: of(0), phase: of(1) }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn line(frequency: f64, ratio: f64, phase: f64) -> Line {
        Line {
            frequency: Hertz::new(frequency),
            at: [ratio.ln(), phase],
            type_a: [1e-5, 2e-5],
            dof: [9.0, 7.0],
            change: [0.0; 2],
        }
    }

    /// A delay of 1 µs is a phase of −2πf·1 µs (elementary).
    #[test]
    fn a_delay_is_interpolated_as_it_is() {
        let late = |f: f64| -std::f64::consts::TAU * f * 1e-6;
        let found =
            between(&line(10.0, 1.0, late(10.0)), &line(1000.0, 1.0, late(1000.0)), Hertz::new(500.0));
        assert!((found.ratio.arg() - late(500.0)).abs() < 1e-15 && (found.ratio.norm() - 1.0).abs() < 1e-15);
        assert!(found.phase.interpolation < 1e-15);
        // 1 µs at the one, 2 µs at the other: half a microsecond of either may be wrong between them.
        let found =
            between(&line(10.0, 1.0, late(10.0)), &line(1000.0, 1.0, 2.0 * late(1000.0)), Hertz::new(100.0));
        assert!((found.ratio.arg() - 1.5 * late(100.0)).abs() < 1e-15);
        assert!((found.phase.interpolation + late(100.0) / 2.0).abs() < 1e-15);
    }

    /// Halfway over the logarithm lies the geometric mean, and half of the step is the bound.
    #[test]
    fn a_magnitude_goes_with_the_logarithm() {
        let found = between(&line(1.0, 1.0, 0.0), &line(100.0, 1.004, 0.0), Hertz::new(10.0));
        assert!((found.ratio.norm() - 1.004_f64.sqrt()).abs() < 1e-12);
        assert!((found.magnitude.interpolation - 1.004_f64.ln() / 2.0).abs() < 1e-15);
        assert_eq!((found.magnitude.dof, found.phase.dof), (9.0, 7.0));
    }

    #[test]
    fn before_and_after_are_averaged_and_their_difference_counts() {
        let both = line(5.0, 1.0, 0.001).with(&line(5.0, 1.002, 0.003)).alone();
        assert!(
            (both.ratio.norm() - 1.002_f64.sqrt()).abs() < 1e-12 && (both.ratio.arg() - 0.002).abs() < 1e-12
        );
        assert!((both.magnitude.change - 1.002_f64.ln() / 2.0).abs() < 1e-12);
        assert!((both.phase.change - 0.001).abs() < 1e-12);
        assert!((both.magnitude.type_a - 1e-5 / 2.0_f64.sqrt()).abs() < 1e-12);
    }
}
