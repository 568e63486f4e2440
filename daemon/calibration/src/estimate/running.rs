//! The running amplitude of one channel while it settles: offset, sine, its first harmonics and its trend over
//! everything since a reset.

use super::EstimateError;
use super::fit::{Solved, System};
use super::frequency;
use super::model::Turn;
use super::segments::{Cut, whole_cycles};
use super::sums::Sums;
use super::table::Table;
use super::terms::Terms;
use nalgebra::Complex;
use plan_schema::units::{Hertz, SampleCount, SamplesPerSecond, VoltsDc};
use std::rc::Rc;

/// Least-squares fit of offset, sine and harmonics to the samples since the last reset, with a linear trend of
/// amplitude and phase beside. Usable from one whole cycle on. Cutting the stream into other blocks does not change a
/// bit.
///
/// Convention: `x = offset + Re{X e^{jωt}} + …` with t = 0 at the first sample after [`Running::new`]. A reset forgets
/// the samples, not the time: the phases of windows that follow each other compare.
#[derive(Debug, Clone)]
pub struct Running {
    sums: Sums,
    rate: SamplesPerSecond,
    /// Samples before the last reset.
    begin: usize,
}

/// What the window shows.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RunningEstimate {
    /// Complex amplitude, V peak, over the window as a whole.
    pub amplitude: Complex<f64>,
    /// Standard deviation of its magnitude from the residual, taken as white, V.
    pub deviation: f64,
    /// Amplitude at the end of the window, its trend taken on from the middle, V peak; that of the whole window where
    /// it is too short to tell a trend.
    pub peak_now: f64,
    /// Standard deviation of `peak_now`, V.
    pub peak_now_deviation: f64,
    /// Relative change of the amplitude, 1/s; zero where the window is too short to tell it.
    pub trend_per_s: f64,
    /// Standard deviation of `trend_per_s`, 1/s; infinite where the window is too short to tell it.
    pub trend_deviation: f64,
    /// Offset.
    pub offset: VoltsDc,
}

impl Running {
    /// A window for a sine of `frequency` with so many harmonics (1 is the sine itself; those above 0.45 of the rate
    /// are dropped).
    ///
    /// # Errors
    /// `FrequencyOutOfRange` unless 0 < frequency ≤ 0.45 × rate, `NoHarmonics` for zero harmonics.
    pub fn new(frequency: Hertz, rate: SamplesPerSecond, harmonics: u32) -> Result<Self, EstimateError> {
        let (turn, harmonics) = Turn::checked(frequency, rate, harmonics)?;
        let table = Table::new(turn, harmonics, false, &[], &[]);
        let cut = Cut::whole(turn);
        Ok(Self { sums: Sums::new(table, cut, 1, 0), rate, begin: 0 })
    }

    /// Adds the samples that follow those of the last call, V.
    pub fn push(&mut self, samples: &[f32]) {
        self.sums.push(&[samples]);
    }

    /// Forgets all samples so far; the origin of time stays.
    pub fn reset(&mut self) {
        self.begin += self.sums.samples();
        self.sums.clear();
    }

    /// Samples since the last reset.
    #[must_use]
    pub fn samples(&self) -> SampleCount {
        SampleCount(self.sums.samples() as u64)
    }

    /// Cycles since the last reset.
    #[must_use]
    pub fn cycles(&self) -> f64 {
        self.sums.samples() as f64 * self.sums.table.turn.0
    }

    /// What the window shows. `None` before a whole cycle has come, if there are fewer samples than terms, or if a
    /// sample was no number.
    #[must_use]
    pub fn estimate(&mut self) -> Option<RunningEstimate> {
        let (begin, rate) = (self.begin, self.rate);
        self.sums.with_all(|sums| estimate(sums, begin, rate))
    }
}

fn estimate(sums: &Sums, begin: usize, rate: SamplesPerSecond) -> Option<RunningEstimate> {
    let turn = sums.table.turn;
    let terms = Terms {
        samples: sums.samples(),
        drift: false,
        turn,
        harmonics: sums.table.harmonics,
        lines: Vec::new(),
        decay: None,
        derivatives: true,
    };
    if sums.fault().is_some() || whole_cycles(turn, terms.samples) == 0 || terms.samples <= terms.fitted() {
        return None;
    }
    let cross = sums.cross(&[(0, &terms)]).pop()?;
    let base = sums.bases.first().copied()?;
    let seconds = terms.samples as f64 / rate.si();
    let solved = Solved::new(Rc::new(System::new(terms, &[]).ok()?), cross, base);
    let local = solved.fundamental();
    let (peak, deviation) = (local.norm(), solved.white().0.sqrt());
    let trend = frequency::trend(&solved);
    let (peak_now, peak_now_deviation) = trend.map_or((peak, deviation), |t| (t.end, t.end_uncertainty));
    Some(RunningEstimate {
        amplitude: local * turn.phasor(begin as f64).conj(),
        deviation,
        peak_now,
        peak_now_deviation,
        trend_per_s: trend.map_or(0.0, |trend| trend.change / seconds),
        trend_deviation: trend.map_or(f64::INFINITY, |trend| trend.uncertainty / seconds),
        offset: solved.offset(),
    })
}

#[cfg(test)]
#[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "numbers that the test chose")]
mod tests {
    use super::*;
    use proptest::prelude::*;
    use rand::SeedableRng;
    use rand_distr::Distribution;
    use std::f64::consts::TAU;

    const RATE: SamplesPerSecond = SamplesPerSecond::new(2000.0);

    fn sine(frequency: f64, amplitude: Complex<f64>, offset: f64, samples: usize) -> Vec<f32> {
        (0..samples)
            .map(|n| {
                let turn = Complex::from_polar(1.0, TAU * frequency * n as f64 / RATE.si());
                (offset + (amplitude * turn).re) as f32
            })
            .collect()
    }

    #[test]
    fn nothing_before_a_cycle_nothing_from_garbage() {
        let mut window = Running::new(Hertz::new(10.0), RATE, 3).unwrap();
        let samples = sine(10.0, Complex::new(1.0, 0.0), 0.0, 400);
        window.push(&samples[..150]);
        assert_eq!(window.estimate(), None);
        window.push(&samples[150..]);
        assert!(window.estimate().is_some() && (window.cycles() - 2.0).abs() < 1e-12);
        window.push(&[f32::NAN]);
        assert_eq!(window.estimate(), None);
        window.reset();
        window.push(&samples);
        assert!(window.estimate().is_some() && window.samples() == SampleCount(400));
        assert!(Running::new(Hertz::new(0.0), RATE, 3).is_err());
    }

    /// Amplitude that settles as a line: what is stated against what 400 windows of 1.7 and 6 cycles scatter by.
    #[test]
    fn a_trend_is_told_with_its_deviation() {
        let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(8);
        let noise = rand_distr::Normal::new(0.0, 0.01).unwrap();
        for cycles in [1.7, 6.0] {
            let count = (cycles * RATE.si() / 10.0) as usize;
            let slope = 0.05 / (count as f64 / RATE.si());
            let [mut trend, mut now, mut whole] = [0.0; 3];
            for _ in 0..400 {
                let mut window = Running::new(Hertz::new(10.0), RATE, 3).unwrap();
                for n in 0..count {
                    let size = 1.0 + slope * (n as f64 / RATE.si() - count as f64 / RATE.si() / 2.0);
                    let tone = size * (TAU * 10.0 * n as f64 / RATE.si() + 0.3).cos();
                    window.push(&[(tone + noise.sample(&mut rng)) as f32]);
                }
                let found = window.estimate().unwrap();
                trend += ((found.trend_per_s - slope) / found.trend_deviation).powi(2) / 400.0;
                now += ((found.peak_now - 1.025) / found.peak_now_deviation).powi(2) / 400.0;
                whole += ((found.amplitude.norm() - 1.0) / found.deviation).powi(2) / 400.0;
            }
            assert!((0.8..1.25).contains(&trend) && (0.8..1.25).contains(&now), "{cycles}: {trend} {now}");
            // The mean amplitude is that of the trend's middle over whole cycles only.
            assert!(cycles < 2.0 || (0.8..1.25).contains(&whole), "{cycles}: {whole}");
        }
    }

    proptest! {
        #[test]
        fn found_whatever_the_window_and_the_blocks(
            frequency in 0.5..250.0_f64,
            phase in -3.1..3.1_f64,
            offset in -2.0..2.0_f64,
            cycles in 1.05..30.0_f64,
            lead in 0..3000_usize,
            block in 1..700_usize,
        ) {
            let amplitude = Complex::from_polar(0.7, phase);
            let length = (cycles * RATE.si() / frequency).ceil() as usize;
            let samples = sine(frequency, amplitude, offset, lead + length);
            let mut whole = Running::new(Hertz::new(frequency), RATE, 3).unwrap();
            let mut cut = whole.clone();
            whole.push(&samples[..lead]);
            whole.reset();
            whole.push(&samples[lead..]);
            for part in samples[..lead].chunks(block) { cut.push(part); }
            cut.reset();
            for part in samples[lead..].chunks(block) { cut.push(part); }
            prop_assert_eq!(cut.estimate(), whole.estimate());
            if length >= 20 {
                let found = whole.estimate().unwrap();
                prop_assert!((found.amplitude - amplitude).norm() < 2e-6);
                prop_assert!((found.offset.si() - offset).abs() < 2e-6);
                prop_assert!((found.peak_now - 0.7).abs() < 3e-5, "{:?}", found);
            }
        }
    }
}
