//! How often the true ratio lies within the interval that the type A uncertainty states when the stop rule ends a dwell.

use crate::signal::{Noise, RATE, channels, noisy};
use crate::{SEED, print};
use calibration::estimate::{Complex, DwellEstimate, DwellFit, DwellOptions, may_stop};
use plan_schema::units::{Hertz, SampleCount, SamplesPerSecond};
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use statrs::distribution::{ContinuousCDF, StudentsT};
use std::error::Error;

const FREQUENCY: f64 = 20.0;
/// Lengths at which a dwell is looked at, in times of the shortest.
const LOOKS: [usize; 4] = [1, 2, 4, 8];
/// Expanded type A uncertainty wanted, relative.
const LIMIT: f64 = 1e-3;
/// Coverage probability.
const PROBABILITY: f64 = 0.95;
/// Expanded uncertainties expected at a look, in times of what may be.
const LEVELS: [f64; 3] = [0.7, 0.85, 1.0];
/// Standard deviation of 1/f noise of unit variance at the frequency measured, against white noise of unit variance.
const PINK_AT_SIGNAL: f64 = 1.7;

struct Cell {
    base_cycles: u32,
    pink: bool,
    /// Look at which the noise is such that a dwell should end.
    look: usize,
    level: f64,
}

/// Of the runs that ended at one look: how many intervals held the truth.
#[derive(Default, Clone, Copy)]
struct Count {
    runs: u32,
    magnitude: u32,
    phase: u32,
}

pub(crate) fn all(runs: u32) -> Result<(), Box<dyn Error>> {
    let mut seed = SEED;
    for pink in [false, true] {
        let mut whole = Count::default();
        for base_cycles in [5, 10] {
            for look in 0..LOOKS.len() {
                for level in LEVELS {
                    seed += 1;
                    let cell = Cell { base_cycles, pink, look, level };
                    let stops = cell.run(seed, runs)?;
                    stops.iter().for_each(|count| whole.add(*count));
                    print(&cell.line(&stops));
                }
            }
        }
        print(&format!(
            "{{\"overall\":true,\"pink\":{pink},\"runs\":{},\"coverage\":{},\"coverage_phase\":{}}}",
            whole.runs,
            share(whole.magnitude, whole.runs),
            share(whole.phase, whole.runs)
        ));
    }
    Ok(())
}

fn share(part: u32, of: u32) -> String {
    if of == 0 { "null".to_owned() } else { format!("{:.4}", f64::from(part) / f64::from(of)) }
}

impl Cell {
    fn line(&self, stops: &[Count; 4]) -> String {
        let mut all = Count::default();
        stops.iter().for_each(|count| all.add(*count));
        let stopped: Vec<String> = stops.iter().map(|c| c.runs.to_string()).collect();
        let covered: Vec<String> = stops.iter().map(|c| share(c.magnitude, c.runs)).collect();
        format!(
            "{{\"base_cycles\":{},\"pink\":{},\"level_of_look\":{},\"level\":{},\"runs\":{},\"coverage\":{},\"coverage_phase\":{},\"stopped_at_look\":[{}],\"coverage_by_look\":[{}]}}",
            self.base_cycles,
            self.pink,
            self.look,
            self.level,
            all.runs,
            share(all.magnitude, all.runs),
            share(all.phase, all.runs),
            stopped.join(","),
            covered.join(","),
        )
    }

    fn base(&self) -> usize {
        #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a few hundred samples")]
        let base = (f64::from(self.base_cycles) * RATE / FREQUENCY).round() as usize;
        base
    }

    /// σ/A of both channels for which the expanded uncertainty at the look is `level` times what may be: from
    /// `u² = 2 · 2σ²/(N A²)`.
    fn noise(&self) -> f64 {
        let times = LOOKS.get(self.look).copied().unwrap_or(1);
        let segments = self.base_cycles as usize * times;
        let allowed = if segments < 10 { LIMIT / 3.0 } else { LIMIT };
        let white = self.level * allowed / 2.0 * ((self.base() * times) as f64 / 4.0).sqrt();
        if self.pink { white / PINK_AT_SIGNAL } else { white }
    }

    fn run(&self, seed: u64, runs: u32) -> Result<[Count; 4], Box<dyn Error>> {
        let (base, relative) = (self.base(), self.noise());
        let both = channels(1, 0);
        let amplitude = |c: usize| both[c].harmonics.first().copied().unwrap_or_default();
        let truth = amplitude(1) / amplitude(0);
        let longest = base * LOOKS.last().copied().unwrap_or(1);
        let clean = [0, 1].map(|c: usize| both[c].clean(FREQUENCY, longest));
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        let mut noise = if self.pink { Noise::pink() } else { Noise::White };
        let mut records = [Vec::new(), Vec::new()];
        let mut counts = [Count::default(); 4];
        for _ in 0..runs {
            for (c, (record, clean)) in records.iter_mut().zip(&clean).enumerate() {
                noisy(clean, relative * amplitude(c).norm(), &mut noise, &mut rng, record);
            }
            let (look, found) = dwelled(base, &records)?;
            if let Some(count) = counts.get_mut(look) {
                count.add(judged(&found, truth)?);
            }
        }
        Ok(counts)
    }
}

/// A dwell until it may end: the look that ended it, and what it told.
fn dwelled(base: usize, records: &[Vec<f32>; 2]) -> Result<(usize, DwellEstimate), Box<dyn Error>> {
    let options =
        DwellOptions { harmonics: 3, base: Some(SampleCount(base as u64)), ..DwellOptions::default() };
    let longest = SampleCount(records[0].len() as u64);
    let start = Hertz::new(FREQUENCY);
    let mut fit = DwellFit::new(2, SamplesPerSecond::new(RATE), 0, start, longest, &options)?;
    let mut pushed = 0;
    for (look, times) in LOOKS.iter().enumerate() {
        let until = base * times;
        fit.push(&[&records[0][pushed..until], &records[1][pushed..until]])?;
        pushed = until;
        let found = fit.look(&[&records[0][..until], &records[1][..until]])?;
        let ratio = found.ratios.first().ok_or("there is no ratio")?;
        let expanded = student(ratio.dof)? * ratio.u_rel_a.si();
        if may_stop(look, LOOKS.len(), found.segments.len(), expanded, LIMIT) {
            return Ok((look, found));
        }
    }
    Err("the last look did not end the dwell".into())
}

fn judged(found: &DwellEstimate, truth: Complex<f64>) -> Result<Count, Box<dyn Error>> {
    let ratio = found.ratios.first().ok_or("there is no ratio")?;
    let off = ratio.ratio / truth;
    Ok(Count {
        runs: 1,
        magnitude: u32::from((off.norm() - 1.0).abs() <= student(ratio.dof)? * ratio.u_rel_a.si()),
        phase: u32::from(off.arg().abs() <= student(ratio.dof_phase)? * ratio.u_phase_a.si()),
    })
}

fn student(freedom: f64) -> Result<f64, Box<dyn Error>> {
    Ok(StudentsT::new(0.0, 1.0, freedom)?.inverse_cdf(f64::midpoint(1.0, PROBABILITY)))
}

impl Count {
    fn add(&mut self, other: Self) {
        self.runs += other.runs;
        self.magnitude += other.magnitude;
        self.phase += other.phase;
    }
}
