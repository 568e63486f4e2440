//! The running amplitude of one channel for the amplitude loop: offset and sine over everything since a reset.

use super::EstimateError;
use super::regressors::{BLOCK, Column, Model, Regressors};
use super::segments::whole_cycles;
use nalgebra::{Cholesky, Complex, Matrix3, Vector3};
use plan_schema::units::{Hertz, SampleCount, SamplesPerSecond, VoltsDc};

/// Fewest samples that amplitude, phase and offset are taken from.
const FEWEST_SAMPLES: usize = 4;

/// Least-squares fit of offset and one sine to the samples since the last reset. Right for any window of a cycle or
/// more; over whole cycles harmonics do not disturb it. Cutting the stream into other blocks does not change a bit.
///
/// Convention: `x = offset + Re{X e^{jωt}}` with t = 0 at the first sample after [`SineWindow::new`]. A reset
/// forgets the samples, not the time: the phases of windows that follow each other compare.
#[derive(Debug, Clone)]
pub struct SineWindow {
    regressors: Regressors,
    /// Terms over the block in which `now` lies.
    columns: Vec<Column>,
    /// Samples since the start.
    now: usize,
    /// Value of `now` at the last reset.
    begin: usize,
    gram: Matrix3<f64>,
    cross: Vector3<f64>,
}

impl SineWindow {
    /// A window for a sine of `frequency`.
    ///
    /// # Errors
    /// `FrequencyOutOfRange` unless 0 < frequency ≤ 0.45 × rate.
    pub fn new(frequency: Hertz, rate: SamplesPerSecond) -> Result<Self, EstimateError> {
        let regressors = Regressors::new(&Model { frequency, harmonics: 1, drift: false }, rate, 1)?;
        let columns = vec![[0.0; BLOCK]; regressors.terms()];
        Ok(Self { regressors, columns, now: 0, begin: 0, gram: Matrix3::zeros(), cross: Vector3::zeros() })
    }

    /// Adds the samples that follow those of the last call, V.
    pub fn push(&mut self, samples: &[f32]) {
        let mut rest = samples;
        while !rest.is_empty() {
            let offset = self.now % BLOCK;
            if offset == 0 {
                self.regressors.fill(self.now, BLOCK, &mut self.columns);
            }
            let (part, behind) = rest.split_at(rest.len().min(BLOCK - offset));
            self.add(offset, part);
            self.now += part.len();
            rest = behind;
        }
    }

    fn add(&mut self, offset: usize, samples: &[f32]) {
        let [_, cos, sin] = self.columns.as_slice() else {
            return;
        };
        let carrier = cos.iter().zip(sin).skip(offset);
        for ((cos, sin), sample) in carrier.zip(samples) {
            let terms = Vector3::new(1.0, *cos, *sin);
            self.gram += terms * terms.transpose();
            self.cross += terms * f64::from(*sample);
        }
    }

    /// Forgets all samples so far; the origin of time stays.
    pub fn reset(&mut self) {
        self.begin = self.now;
        self.gram = Matrix3::zeros();
        self.cross = Vector3::zeros();
    }

    /// Samples since the last reset.
    #[must_use]
    pub fn samples(&self) -> SampleCount {
        SampleCount((self.now - self.begin) as u64)
    }

    /// Cycles since the last reset.
    #[must_use]
    pub fn cycles(&self) -> f64 {
        (self.now - self.begin) as f64 * self.regressors.turn().0
    }

    /// Complex amplitude, V peak. `None` before a whole cycle has come, or if a sample was no number.
    #[must_use]
    pub fn amplitude(&self) -> Option<Complex<f64>> {
        self.solve().map(|found| Complex::new(found.y, -found.z))
    }

    /// Offset over the window. `None` as for [`Self::amplitude`].
    #[must_use]
    pub fn offset(&self) -> Option<VoltsDc> {
        self.solve().map(|found| VoltsDc::new(found.x))
    }

    fn solve(&self) -> Option<Vector3<f64>> {
        let samples = self.now - self.begin;
        if samples < FEWEST_SAMPLES || whole_cycles(self.regressors.turn(), samples) == 0 {
            return None;
        }
        let found = Cholesky::new(self.gram)?.solve(&self.cross);
        found.iter().all(|value| value.is_finite()).then_some(found)
    }
}

#[cfg(test)]
#[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "numbers that the test chose")]
mod tests {
    use super::*;
    use proptest::prelude::*;
    use std::f64::consts::TAU;

    const RATE: f64 = 2000.0;

    fn sine(frequency: f64, amplitude: Complex<f64>, offset: f64, samples: usize) -> Vec<f32> {
        (0..samples)
            .map(|n| {
                let turn = Complex::from_polar(1.0, TAU * frequency * n as f64 / RATE);
                (offset + (amplitude * turn).re) as f32
            })
            .collect()
    }

    #[test]
    fn nothing_before_a_cycle_nothing_from_garbage() {
        let mut window = SineWindow::new(Hertz::new(10.0), SamplesPerSecond::new(RATE)).unwrap();
        let samples = sine(10.0, Complex::new(1.0, 0.0), 0.0, 400);
        window.push(&samples[..150]);
        assert_eq!(window.amplitude(), None);
        window.push(&samples[150..]);
        assert!(window.amplitude().is_some());
        window.push(&[f32::NAN]);
        assert_eq!(window.amplitude(), None);
        window.reset();
        window.push(&samples);
        assert!(window.amplitude().is_some());
        assert!(SineWindow::new(Hertz::new(0.0), SamplesPerSecond::new(RATE)).is_err());
    }

    #[test]
    fn whole_cycles_are_blind_to_harmonics() {
        let mut samples = sine(10.0, Complex::new(1.0, 0.0), 0.0, 600);
        let third = sine(30.0, Complex::new(0.0, 0.2), 0.0, 600);
        samples.iter_mut().zip(&third).for_each(|(a, b)| *a += b);
        let mut window = SineWindow::new(Hertz::new(10.0), SamplesPerSecond::new(RATE)).unwrap();
        window.push(&samples);
        assert!((window.amplitude().unwrap() - Complex::new(1.0, 0.0)).norm() < 1e-7);
        assert!((window.cycles() - 3.0).abs() < 1e-12);
    }

    proptest! {
        #[test]
        fn found_whatever_the_window_and_the_blocks(
            frequency in 0.5..400.0_f64,
            phase in -3.1..3.1_f64,
            offset in -2.0..2.0_f64,
            cycles in 1.05..30.0_f64,
            lead in 0..3000_usize,
            block in 1..700_usize,
        ) {
            let amplitude = Complex::from_polar(0.7, phase);
            let length = (cycles * RATE / frequency).ceil() as usize;
            let samples = sine(frequency, amplitude, offset, lead + length);
            let mut whole = SineWindow::new(Hertz::new(frequency), SamplesPerSecond::new(RATE)).unwrap();
            let mut cut = whole.clone();
            whole.push(&samples[..lead]);
            whole.reset();
            whole.push(&samples[lead..]);
            for part in samples[..lead].chunks(block) { cut.push(part); }
            cut.reset();
            for part in samples[lead..].chunks(block) { cut.push(part); }
            prop_assert_eq!(cut.amplitude(), whole.amplitude());
            if length >= 2 * FEWEST_SAMPLES {
                prop_assert!((whole.amplitude().unwrap() - amplitude).norm() < 2e-6);
                prop_assert!((whole.offset().unwrap().si() - offset).abs() < 2e-6);
            }
        }
    }
}
