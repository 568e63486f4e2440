//! What a run has learned of its plant: the rig file is the beginning, every settled amplitude makes it better.
//!
//! Owns: the prior on the plant's figures, the estimate of them, and the forecast of a drive with its uncertainty. Must
//! not: decide a move, or know what a point is.
//!
//! Each measurement says: at this frequency this drive `u` gave this acceleration `a`. The bent plant with figures
//! `p₀ e^θ` would have needed `u(θ; f, a)`. So `ln u = ln u(θ; f, a) + d(ln f) + e`: θ normal about 0 with the deviations
//! below; d a departure of the plant from its equations that is smooth in ln f (a Gaussian process, squared-exponential
//! covariance); e the noise of the measurement and what the equations lack from one frequency to the next. All
//! measurements are solved together anew each time, by Gauss–Newton steps (the fixed point of an iterated extended Kalman
//! filter); the forecast is that of a Gaussian process with an explicit basis (standard Bayesian regression; written from
//! the normal equations, no source looked up).

use super::plant::Plant;
use nalgebra::{Cholesky, Complex, DMatrix, DVector, Dyn, SMatrix, SVector};
use plan_schema::units::{Accel, Hertz, Peak, Volts};
use std::f64::consts::LN_2;

/// Number of figures that are learned.
const FIGURES: usize = 8;

type Figures = SVector<f64, FIGURES>;
type Covariance = SMatrix<f64, FIGURES, FIGURES>;

/// Gain from the source to the coil: as often as not a knob.
const GAIN: f64 = 0.15;
/// Moving mass with payload: weighed, but cables and adapters hang on it.
const MASS: f64 = 0.03;
/// Force factor: from the maker's data sheet, magnets age.
const FORCE_FACTOR: f64 = 0.05;
/// Stiffness: rubber and temperature.
const STIFFNESS: f64 = 0.15;
/// Mechanical damping: hardly ever measured.
const DAMPING: f64 = 0.5;
/// Resistance of the coil: copper gains 8 % in 20 K.
const RESISTANCE: f64 = 0.08;
/// Hardening and droop: rough figures where there are any.
const BEND: f64 = 0.5;

/// What the equations lack, differently at each frequency.
const FLOOR: f64 = 0.002;
/// What they lack, alike at frequencies next to each other.
const DEPARTURE: f64 = 0.003;
/// How far "next to each other" reaches in ln f: an octave.
const REACH: f64 = LN_2;
/// What a measurement loses, in variance, to each one after it: coils warm up while a run goes on.
const AGEING: f64 = 0.0005;
/// Measurements that are kept.
const KEPT: usize = 48;
/// A forecast that misses by more than this many standard deviations is a surprise.
const SURPRISE: f64 = 3.0;
/// A surprise of less than this leaves what was learned before in force.
const ANOTHER_KNOB: f64 = 0.1;

/// One thing learned, as logarithms of SI values.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Measurement {
    frequency: Hertz,
    acceleration: Accel<Peak>,
    drive: f64,
    /// Standard deviation of the logarithm of the drive.
    deviation: f64,
}

/// The plant of the rig file and what a run has learned since.
#[derive(Debug, Clone)]
pub struct PlantModel {
    file: Plant,
    /// Standard deviation of the logarithm of the gain, before anything is measured.
    knob: f64,
    measured: Vec<Measurement>,
    /// The estimate of θ, and the plant with it.
    figures: Figures,
    plant: Plant,
    solved: Option<Solved>,
}

/// What a forecast needs of the solution.
#[derive(Debug, Clone)]
struct Solved {
    /// Derivatives of ln u by θ, a row for each measurement.
    slopes: DMatrix<f64>,
    /// Of departure and noise at the measurements.
    scatter: Cholesky<f64, Dyn>,
    /// What the equations leave of the measurements, weighted by that scatter.
    left: DVector<f64>,
    /// Covariance of θ.
    covariance: Covariance,
}

impl PlantModel {
    /// Nothing learned yet.
    #[must_use]
    pub fn new(file: &Plant) -> Self {
        Self {
            file: *file,
            knob: GAIN,
            measured: Vec::new(),
            figures: Figures::zeros(),
            plant: *file,
            solved: None,
        }
    }

    /// The drive that gives a target, and the relative standard deviation of the amplitude that it will give.
    #[must_use]
    pub fn drive_for(&self, frequency: Hertz, target: Accel<Peak>) -> (Volts<Peak>, f64) {
        let (logarithm, deviation) = self.forecast(frequency, target);
        (Volts::new(logarithm.exp()), deviation * self.plant.exponent(frequency, target).abs())
    }

    /// The acceleration that a drive gives.
    #[must_use]
    pub fn acceleration_at(&self, frequency: Hertz, drive: Volts<Peak>) -> Accel<Peak> {
        let small = Accel::new(self.plant.acceleration_per_volt(frequency).norm() * drive.si());
        // The plant bends little: what it needs for that differs from the drive by about as much as the amplitude does.
        let (needed, _) = self.drive_for(frequency, small);
        small * (drive / needed)
    }

    /// Acceleration per volt of the source at a target, complex, in (m/s²)/V: its magnitude as learned, its phase as the
    /// equations have it with what was learned.
    #[must_use]
    pub fn response(&self, frequency: Hertz, target: Accel<Peak>) -> Complex<f64> {
        let (drive, _) = self.drive_for(frequency, target);
        let phase = -self.plant.balance(frequency, target).drive.arg();
        Complex::from_polar(target.si() / drive.si(), phase)
    }

    /// The plant with the figures learned so far.
    #[must_use]
    pub fn plant(&self) -> &Plant {
        &self.plant
    }

    /// True before anything was learned: then even the knob of the amplifier is a guess.
    #[must_use]
    pub fn is_untaught(&self) -> bool {
        self.measured.is_empty()
    }

    /// Takes in that a drive gave an acceleration, known to a relative standard deviation. The answer is the amplitude
    /// measured over the one foreseen; `None` for what can teach nothing: values that are not positive numbers.
    pub fn learn(
        &mut self,
        frequency: Hertz,
        drive: Volts<Peak>,
        measured: Accel<Peak>,
        deviation: f64,
    ) -> Option<f64> {
        let usable = |value: f64| value.is_finite() && value > 0.0;
        let known = deviation.is_finite() && deviation >= 0.0;
        if !(known && [frequency.si(), drive.si(), measured.si()].into_iter().all(usable)) {
            return None;
        }
        let exponent = self.plant.exponent(frequency, measured);
        let (foreseen, expected) = self.forecast(frequency, measured);
        let drive = drive.si().ln();
        let deviation = deviation / exponent.abs();
        let missed = drive - foreseen;
        if missed.abs() > SURPRISE * expected.hypot(deviation) {
            // Of all figures only the gain can be anything: somebody turned the knob.
            self.knob = self.knob.hypot(missed);
            if missed.abs() > ANOTHER_KNOB {
                self.measured.clear();
            }
        }
        if self.measured.len() >= KEPT {
            self.measured.remove(0);
        }
        self.measured.push(Measurement { frequency, acceleration: measured, drive, deviation });
        self.solve();
        Some((-missed * exponent).exp())
    }

    /// Response over that of the rig file, as the geometric mean over what was measured; 1 before anything was. At first
    /// motion: is this the shaker, the amplifier and the knob that the rig file speaks of?
    #[must_use]
    pub fn gain_against_file(&self) -> f64 {
        if self.measured.is_empty() {
            return 1.0;
        }
        let needed = |m: &Measurement| log_drive(&self.file, m.frequency, m.acceleration);
        let sum: f64 = self.measured.iter().map(|m| needed(m) - m.drive).sum();
        (sum / as_number(self.measured.len())).exp()
    }

    /// Mean and standard deviation of the logarithm of the drive for a target.
    fn forecast(&self, frequency: Hertz, target: Accel<Peak>) -> (f64, f64) {
        let by_equations = log_drive(&self.plant, frequency, target);
        let slope = slopes(&self.file, &self.figures, frequency, target);
        let Some(solved) = &self.solved else {
            let variance = (slope.transpose() * self.prior() * slope).x;
            return (by_equations, (variance + DEPARTURE.powi(2) + FLOOR.powi(2)).sqrt());
        };
        let near = DVector::from_iterator(
            self.measured.len(),
            self.measured.iter().map(|m| departure(m.frequency, frequency)),
        );
        let weights = solved.scatter.solve(&near);
        // What the neighbours do not already say about the figures, and the figures about them.
        let unseen = slope - to_figures(&solved.slopes.tr_mul(&weights));
        let variance = (unseen.transpose() * solved.covariance * unseen).x
            + (DEPARTURE.powi(2) - near.dot(&weights)).max(0.0)
            + FLOOR.powi(2);
        (by_equations + near.dot(&solved.left), variance.sqrt())
    }

    fn prior(&self) -> Covariance {
        let deviations = [self.knob, MASS, FORCE_FACTOR, STIFFNESS, DAMPING, RESISTANCE, BEND, BEND];
        Covariance::from_diagonal(&Figures::from(deviations).map(|s| s * s))
    }

    /// Covariance of departure and noise at the measurements.
    fn scatter(&self) -> DMatrix<f64> {
        let count = self.measured.len();
        let mut scatter =
            DMatrix::from_fn(count, count, |i, j| match (self.measured.get(i), self.measured.get(j)) {
                (Some(a), Some(b)) => departure(a.frequency, b.frequency),
                _ => 0.0,
            });
        for (n, m) in self.measured.iter().enumerate() {
            let age = as_number(count - 1 - n);
            scatter[(n, n)] += m.deviation.powi(2) + FLOOR.powi(2) + age * AGEING.powi(2);
        }
        scatter
    }

    /// Estimates the figures from all measurements. A step that would leave the numbers leaves the last estimate.
    fn solve(&mut self) {
        const STEPS: usize = 8;
        const CONVERGED: f64 = 1e-6;
        let count = self.measured.len();
        let (Some(scatter), Some(prior)) = (Cholesky::new(self.scatter()), self.prior().try_inverse()) else {
            return;
        };
        let mut figures = self.figures;
        for _ in 0..STEPS {
            let plant = with(&self.file, &figures);
            let rows = |n: usize| self.measured.get(n).copied();
            let all: Vec<Figures> = (0..count)
                .filter_map(rows)
                .map(|m| slopes(&self.file, &figures, m.frequency, m.acceleration))
                .collect();
            let slopes = DMatrix::from_fn(count, FIGURES, |n, k| all.get(n).map_or(0.0, |row| row[k]));
            let residual = DVector::from_iterator(
                count,
                self.measured.iter().map(|m| m.drive - log_drive(&plant, m.frequency, m.acceleration)),
            );
            let weighted = scatter.solve(&slopes);
            let normal = prior + to_covariance(&slopes.tr_mul(&weighted));
            let Some(covariance) = normal.try_inverse() else { return };
            let all_of_it = &residual + &slopes * DVector::from_column_slice(figures.as_slice());
            let next = covariance * to_figures(&weighted.tr_mul(&all_of_it));
            if !next.iter().all(|value| value.is_finite()) {
                return;
            }
            let moved = (next - figures).norm();
            let left = scatter.solve(&(&all_of_it - &slopes * DVector::from_column_slice(next.as_slice())));
            figures = next;
            self.figures = figures;
            self.plant = with(&self.file, &figures);
            self.solved = Some(Solved { slopes, scatter: scatter.clone(), left, covariance });
            if moved < CONVERGED {
                return;
            }
        }
    }
}

/// The plant of the file with its figures changed by the factors `e^θ`.
fn with(file: &Plant, figures: &Figures) -> Plant {
    let [gain, mass, force_factor, stiffness, damping, resistance, hardening, droop] =
        figures.map(f64::exp).into();
    Plant {
        gain: file.gain * gain,
        mass: file.mass * mass,
        force_factor: file.force_factor * force_factor,
        stiffness: file.stiffness * stiffness,
        damping: file.damping * damping,
        resistance: file.resistance * resistance,
        hardening: file.hardening * hardening,
        droop: file.droop * droop,
        ..*file
    }
}

/// ln u of the drive that the bent plant needs for an acceleration.
fn log_drive(plant: &Plant, frequency: Hertz, acceleration: Accel<Peak>) -> f64 {
    plant.balance(frequency, acceleration).drive.norm().ln()
}

/// Derivatives of ln u by the figures, by differences.
fn slopes(file: &Plant, figures: &Figures, frequency: Hertz, acceleration: Accel<Peak>) -> Figures {
    const STEP: f64 = 1e-4;
    Figures::from_fn(|n, _| {
        let at = |step: f64| {
            let mut moved = *figures;
            moved[n] += step;
            log_drive(&with(file, &moved), frequency, acceleration)
        };
        (at(STEP) - at(-STEP)) / (2.0 * STEP)
    })
}

/// Covariance of the departures at two frequencies.
fn departure(a: Hertz, b: Hertz) -> f64 {
    let apart = (a / b).ln() / REACH;
    DEPARTURE.powi(2) * (-0.5 * apart * apart).exp()
}

fn to_figures(vector: &DVector<f64>) -> Figures {
    Figures::from_iterator(vector.iter().copied())
}

fn to_covariance(matrix: &DMatrix<f64>) -> Covariance {
    Covariance::from_iterator(matrix.iter().copied())
}

#[expect(clippy::cast_precision_loss, reason = "at most as many as are kept")]
fn as_number(count: usize) -> f64 {
    count as f64
}

#[cfg(test)]
mod tests;
