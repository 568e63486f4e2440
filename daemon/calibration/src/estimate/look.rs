//! One look at a record: its frequency, all channels at it, and what follows.
//!
//! Owns: the order of the steps, how often the samples are gone over, and which frequency is used. Must not keep
//! anything.

use super::EstimateError;
use super::dwell::{DwellEstimate, FrequencyBasis, Trend};
use super::fit::{Fit, Solved, systems};
use super::frequency::{self, Measured};
use super::model::{HIGHEST_SHARE, Turn};
use super::options::{DwellOptions, FrequencySearch};
use super::ratio::ratios;
use super::segments::whole_cycles;
use super::sums::Sums;
use super::terms::Terms;
use plan_schema::mains;
use plan_schema::units::{Hertz, SamplesPerSecond, Seconds};
use std::f64::consts::TAU;
use std::ops::Range;

/// A reference whose fundamental is below this many times its own standard uncertainty is silent.
const STANDS_OUT: f64 = 3.0;
/// Passes over the samples at most.
const MOST_PASSES: u32 = 3;
/// A coarse frequency that turns the phase by more than this within half a block is taken for another pass before it
/// is refined, rad.
const COARSE_SLIP: f64 = 1e-3;

/// One look at a record.
pub(super) struct Look<'a> {
    pub(super) rate: SamplesPerSecond,
    pub(super) reference: usize,
    pub(super) start: Hertz,
    pub(super) options: &'a DwellOptions,
    pub(super) kept: &'a [&'a [f32]],
}

/// The frequency of a look.
pub(super) struct Found {
    pub(super) turn: Turn,
    pub(super) frequency: Hertz,
    pub(super) basis: FrequencyBasis,
    /// Variance of the phase gained over the record, rad².
    pub(super) phase_variance: f64,
    pub(super) passes: u32,
    /// Sums of a further pass, where one was needed.
    pub(super) better: Option<Sums>,
}

impl Look<'_> {
    pub(super) fn estimate(&self, sums: &Sums) -> Result<DwellEstimate, EstimateError> {
        let found = self.find(sums)?;
        let sums = found.better.as_ref().unwrap_or(sums);
        let fit = self.fit(sums, found.turn)?;
        let reference = self.heard(&fit)?;
        let departures = fit.channels.iter().map(Solved::departures).collect::<Result<Vec<_>, _>>();
        let segments: Vec<_> = sums.cut.segments(sums.samples()).collect();
        let departures = departures.map_err(|_| EstimateError::RankDeficient {
            samples: segments.first().map_or(0, Range::len),
            terms: 3,
        })?;
        let lines = self.lines(sums.samples());
        Ok(DwellEstimate {
            frequency: found.frequency,
            frequency_basis: found.basis,
            segments,
            channels: fit.channels.iter().map(|solved| solved.estimate(&lines, self.rate)).collect(),
            ratios: ratios(&fit, &departures, self.reference, found.phase_variance),
            trend: frequency::trend(reference)
                .map(|found| Trend { change: found.change, uncertainty: found.uncertainty }),
            passes: found.passes,
        })
    }

    /// Numbers of the mains lines that can be fitted in so many samples.
    fn lines(&self, samples: usize) -> Vec<u32> {
        let duration = Seconds::new(samples as f64 / self.rate.si());
        let Some(mains) = self.options.mains else {
            return Vec::new();
        };
        let carried = |line: &u32| f64::from(*line) * Turn::new(mains, self.rate).0 <= HIGHEST_SHARE;
        let harmonics = Turn::checked(self.start, self.rate, self.options.harmonics).map_or(1, |(_, h)| h);
        mains::fitted(self.start, harmonics, mains, duration).into_iter().filter(carried).collect()
    }

    /// The terms that all channels have, at a frequency.
    fn terms(&self, sums: &Sums, turn: Turn) -> Terms {
        let wanted = self.lines(sums.samples());
        let lines = (1_u32..).zip(&sums.table.lines).filter(|(number, _)| wanted.contains(number));
        Terms {
            samples: sums.samples(),
            drift: self.options.drift,
            turn,
            harmonics: sums.table.harmonics,
            lines: lines.map(|(_, line)| *line).collect(),
            decay: None,
            derivatives: true,
        }
    }

    pub(super) fn fit(&self, sums: &Sums, turn: Turn) -> Result<Fit, EstimateError> {
        let segments: Vec<_> = sums.cut.segments(sums.samples()).collect();
        let decays = (0..sums.bases.len()).map(|channel| sums.table.decay(channel));
        Ok(Fit::new(sums, &systems(&self.terms(sums, turn), decays, &segments)?))
    }

    /// The reference; refuses one that is silent.
    pub(super) fn heard<'f>(&self, fit: &'f Fit) -> Result<&'f Solved, EstimateError> {
        let lacking =
            EstimateError::NoSuchReference { reference: self.reference, channels: fit.channels.len() };
        let reference = fit.channels.get(self.reference).ok_or(lacking)?;
        let (amplitude, uncertainty) = (reference.fundamental().norm(), reference.white().0.sqrt());
        if amplitude > STANDS_OUT * uncertainty {
            Ok(reference)
        } else {
            Err(EstimateError::ReferenceSilent { amplitude, uncertainty })
        }
    }

    /// Refuses a record from which nothing can be told.
    pub(super) fn check(&self, sums: &Sums) -> Result<(), EstimateError> {
        let (turn, samples) = (sums.table.turn, sums.samples());
        if let Some(fault) = sums.fault() {
            return Err(fault);
        }
        if whole_cycles(turn, samples) == 0 {
            return Err(EstimateError::TooFewCycles { cycles: samples as f64 * turn.0 });
        }
        let needed = self.terms(sums, turn).fitted() + 1 + usize::from(sums.table.decays());
        if samples < needed { Err(EstimateError::TooFewSamples { samples, needed }) } else { Ok(()) }
    }

    pub(super) fn find(&self, sums: &Sums) -> Result<Found, EstimateError> {
        self.check(sums)?;
        let start = |basis, passes| Found {
            turn: sums.table.turn,
            frequency: self.start,
            basis,
            phase_variance: 0.0,
            passes,
            better: None,
        };
        if self.options.frequency == FrequencySearch::Nominal {
            return Ok(start(FrequencyBasis::Nominal, 1));
        }
        let (measured, better, passes) = self.measure(sums);
        Ok(match self.accept(measured)? {
            None => start(FrequencyBasis::Unresolved, passes),
            Some((frequency, uncertainty, turn)) => {
                let phase = TAU * uncertainty.si() / self.rate.si() * sums.samples() as f64;
                Found {
                    turn,
                    frequency,
                    basis: FrequencyBasis::Measured { uncertainty },
                    phase_variance: phase * phase,
                    passes,
                    better,
                }
            }
        })
    }

    /// A frequency measured well enough to be used, with its standard uncertainty; refuses one too far off.
    pub(super) fn accept(
        &self,
        measured: Option<Measured>,
    ) -> Result<Option<(Hertz, Hertz, Turn)>, EstimateError> {
        let nominal = self.options.nominal.unwrap_or(self.start);
        let allowed = nominal * self.options.within();
        let Some(measured) = measured else {
            return Ok(None);
        };
        let frequency = Hertz::new(measured.turn.0 * self.rate.si());
        let uncertainty = Hertz::new(measured.uncertainty * self.rate.si());
        if uncertainty * STANDS_OUT > allowed {
            return Ok(None);
        }
        if (frequency - nominal).abs() > allowed + uncertainty * STANDS_OUT {
            return Err(EstimateError::FrequencyOff { measured: frequency, nominal, allowed });
        }
        Ok(Some((frequency, uncertainty, measured.turn)))
    }

    /// Measures, with further passes while the sums lie too far from what they tell.
    pub(super) fn measure(&self, sums: &Sums) -> (Option<Measured>, Option<Sums>, u32) {
        let (mut better, mut passes): (Option<Sums>, u32) = (None, 1);
        let mut from = frequency::coarse(sums, self.reference);
        if !(from.0 > 0.0 && from.0 <= HIGHEST_SHARE) {
            return (None, None, passes);
        }
        if sums.slip(from) > COARSE_SLIP {
            better = Some(sums.again(from, self.kept));
            passes += 1;
        }
        loop {
            let at = better.as_ref().unwrap_or(sums);
            let mut terms = self.terms(at, from);
            terms.decay = at.table.decay(self.reference);
            let measured = frequency::refine(at, self.reference, &terms)
                .or_else(|| frequency::refine(at, self.reference, &Terms { decay: None, ..terms.clone() }));
            match measured {
                Some(found) if found.far && passes < MOST_PASSES => {
                    from = found.turn;
                    better = Some(at.again(from, self.kept));
                    passes += 1;
                }
                measured => return (measured, better, passes),
            }
        }
    }
}
