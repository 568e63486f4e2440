//! One sample step of a linear system, exact by matrix exponential.
//!
//! Owns: [`ToneStep`], for a system driven by a sine whose amplitude goes linearly within the sample, and
//! [`RampStep`], for one whose input goes linearly; [`tone`] and [`ramps`] are the same for systems of any size. All
//! follow from the exponential of the system with its input's
//! own equations attached (C. F. Van Loan, Computing integrals involving the matrix exponential, 1978).
//!
//! A sine is part of the exponential, so a `ToneStep` has no error of interpolation at any frequency; what is left is
//! rounding (below 1e-9 relative after settling). A `RampStep` of length h takes a sine of angular frequency w for
//! the chords through its samples and is off by (w h)²/12 relative.

use nalgebra::DMatrix;

/// Largest norm of the matrix whose series is summed, and the terms that then reach rounding: 0.5^18 / 18! < 1e-21.
const SERIES_NORM: f64 = 0.5;
const SERIES_TERMS: u32 = 18;

/// A square matrix, row after row.
pub(crate) type Matrix<const N: usize> = [[f64; N]; N];

/// What drives a system within one sample:
/// `e(t) = (A + D t/h) sin(θ + w t) + E` as `[A sin θ, A cos θ, D sin θ, D cos θ, E]`.
pub(crate) type Wave = [f64; 5];

/// States of the drive's own equations: sine, its rising part, its rise, a constant.
const DRIVE_STATES: usize = 7;

/// Step of a system of `N` states driven by a tone.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct ToneStep<const N: usize> {
    pub(crate) own: Matrix<N>,
    pub(crate) wave: [[f64; 5]; N],
}

impl<const N: usize> ToneStep<N> {
    /// The step of `x' = a x + b e(t)` over `period` for a tone of angular frequency `omega`.
    pub(crate) fn new(a: &Matrix<N>, b: &[f64; N], omega: f64, period: f64) -> Self {
        let step = tone(&matrix(a), b, omega, period);
        Self {
            own: std::array::from_fn(|r| std::array::from_fn(|c| step[(r, c)])),
            wave: std::array::from_fn(|r| std::array::from_fn(|c| step[(r, N + c)])),
        }
    }

    /// The state one sample later.
    #[inline]
    pub(crate) fn apply(&self, state: &[f64; N], wave: &Wave) -> [f64; N] {
        std::array::from_fn(|r| dot(&self.own[r], state) + dot(&self.wave[r], wave))
    }
}

/// Step of a system of `N` states whose input goes linearly from `u0` to `u1`.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct RampStep<const N: usize> {
    pub(crate) own: Matrix<N>,
    /// Weight of the input at the start.
    pub(crate) start: [f64; N],
    /// Weight of the input at the end. Both together are the weight of an input that is held.
    pub(crate) end: [f64; N],
}

impl<const N: usize> RampStep<N> {
    /// The step of `x' = a x + b u(t)` over `period`.
    pub(crate) fn new(a: &Matrix<N>, b: &[f64; N], period: f64) -> Self {
        let step = ramps(&matrix(a), &DMatrix::from_column_slice(N, 1, b), period);
        Self {
            own: std::array::from_fn(|r| std::array::from_fn(|c| step[(r, c)])),
            start: std::array::from_fn(|r| step[(r, N)]),
            end: std::array::from_fn(|r| step[(r, N + 1)]),
        }
    }

    /// The state at the end.
    #[inline]
    pub(crate) fn apply(&self, state: &[f64; N], u0: f64, u1: f64) -> [f64; N] {
        std::array::from_fn(|r| dot(&self.own[r], state) + self.start[r] * u0 + self.end[r] * u1)
    }
}

/// The step of `x' = a x + b e(t)` over `period` for a tone of angular frequency `omega`: for each state a row with the
/// weights of all states, then those of the [`Wave`].
pub(crate) fn tone(a: &DMatrix<f64>, b: &[f64], omega: f64, period: f64) -> DMatrix<f64> {
    let size = a.nrows();
    let mut m = DMatrix::zeros(size + DRIVE_STATES, size + DRIVE_STATES);
    let (sine, rising, rise, constant) = (size, size + 2, size + 4, size + 6);
    m.view_mut((0, 0), (size, size)).copy_from(a);
    for (row, gain) in b.iter().enumerate() {
        m[(row, sine)] = *gain;
        m[(row, rising)] = *gain;
        m[(row, constant)] = *gain;
    }
    for at in [sine, rising, rise] {
        m[(at, at + 1)] = omega;
        m[(at + 1, at)] = -omega;
    }
    m[(rising, rise)] = 1.0 / period;
    m[(rising + 1, rise + 1)] = 1.0 / period;
    let e = exponential(m, period);
    let columns = [sine, sine + 1, rise, rise + 1, constant];
    DMatrix::from_fn(size, size + columns.len(), |r, c| e[(r, if c < size { c } else { columns[c - size] })])
}

/// The step of `x' = a x + b u(t)` over `period`, each input (a column of `b`) going linearly: for each state a row with
/// the weights of all states, those of the inputs at the start, and those of the inputs at the end.
pub(crate) fn ramps(a: &DMatrix<f64>, b: &DMatrix<f64>, period: f64) -> DMatrix<f64> {
    let (size, inputs) = b.shape();
    let mut m = DMatrix::zeros(size + 2 * inputs, size + 2 * inputs);
    m.view_mut((0, 0), (size, size)).copy_from(a);
    m.view_mut((0, size), (size, inputs)).copy_from(b);
    for n in 0..inputs {
        m[(size + n, size + inputs + n)] = 1.0 / period;
    }
    let e = exponential(m, period);
    DMatrix::from_fn(size, size + 2 * inputs, |r, c| {
        let held_less_end = (size..size + inputs).contains(&c);
        e[(r, c)] - if held_less_end { e[(r, c + inputs)] } else { 0.0 }
    })
}

/// A matrix of any size from one of a fixed size.
pub(crate) fn matrix<const N: usize>(a: &Matrix<N>) -> DMatrix<f64> {
    DMatrix::from_fn(N, N, |r, c| a[r][c])
}

/// The exponential of `m × period`: its series for a fraction of the period, squared up to the whole.
///
/// Why not the library's: that one multiplies with whatever instructions the processor has, and a dry run has to give
/// the same bits on all of them.
fn exponential(m: DMatrix<f64>, period: f64) -> DMatrix<f64> {
    let size = m.nrows();
    let norm = m.row_iter().map(|row| row.iter().map(|v| v.abs()).sum::<f64>()).fold(0.0, f64::max) * period;
    let mut halvings = 0;
    let mut scale = period;
    while norm.is_finite() && norm * (scale / period) > SERIES_NORM {
        halvings += 1;
        scale *= 0.5;
    }
    let small = m * scale;
    let mut sum = DMatrix::identity(size, size);
    let mut term = sum.clone();
    for n in 1..=SERIES_TERMS {
        term = product(&term, &small) / f64::from(n);
        sum += &term;
    }
    for _ in 0..halvings {
        sum = product(&sum, &sum);
    }
    sum
}

/// The product of two square matrices, in a fixed order of operations.
fn product(a: &DMatrix<f64>, b: &DMatrix<f64>) -> DMatrix<f64> {
    let size = a.nrows();
    let mut out = DMatrix::zeros(size, size);
    for c in 0..size {
        for k in 0..size {
            let factor = b[(k, c)];
            for r in 0..size {
                out[(r, c)] += a[(r, k)] * factor;
            }
        }
    }
    out
}

/// Sum of products.
#[inline]
pub(crate) fn dot<const N: usize>(a: &[f64; N], b: &[f64; N]) -> f64 {
    let mut sum = 0.0;
    for k in 0..N {
        sum += a[k] * b[k];
    }
    sum
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Steady state of a first-order lag against its closed form 1/(1 + jwτ), up to 0.4 of the sample rate.
    #[test]
    fn a_tone_step_settles_on_the_transfer_function() {
        let (tau, period) = (3.1e-4, 1e-4);
        for frequency in [0.5, 50.0, 1000.0, 4000.0] {
            let omega = std::f64::consts::TAU * frequency;
            let step = ToneStep::new(&[[-1.0 / tau]], &[1.0 / tau], omega, period);
            let (real, imaginary) =
                (1.0 / (1.0 + (omega * tau).powi(2)), -omega * tau / (1.0 + (omega * tau).powi(2)));
            let mut y = [0.0];
            for n in 0..2000u32 {
                let (sin, cos) = (omega * period * f64::from(n)).sin_cos();
                if n > 1900 {
                    // Im of (real + j imaginary) e^(jθ)
                    let expected = real * sin + imaginary * cos;
                    assert!((y[0] - expected).abs() < 1e-10, "{frequency} Hz: {} {expected}", y[0]);
                }
                y = step.apply(&y, &[sin, cos, 0.0, 0.0, 0.0]);
            }
        }
    }

    /// One step against a Runge-Kutta solution in 2000 parts: amplitude rising within the sample, and a constant.
    #[test]
    fn a_tone_step_agrees_with_an_independent_integration() {
        let a = [[-800.0, 300.0], [-250.0, -20.0]];
        let b = [40.0, -7.0];
        let (omega, period) = (5000.0, 2e-4);
        let (amplitude, rise, theta, constant) = (1.3, -0.4, 0.7f64, 0.2);
        let e = |t: f64| (amplitude + rise * t / period) * (theta + omega * t).sin() + constant;
        let slope = |t: f64, y: [f64; 2]| [dot(&a[0], &y) + b[0] * e(t), dot(&a[1], &y) + b[1] * e(t)];
        let mut y = [0.5, -1.0];
        let h = period / 2000.0;
        for n in 0..2000u32 {
            let t = f64::from(n) * h;
            let ahead = |k: [f64; 2], by: f64| [y[0] + by * k[0], y[1] + by * k[1]];
            let k1 = slope(t, y);
            let k2 = slope(t + h / 2.0, ahead(k1, h / 2.0));
            let k3 = slope(t + h / 2.0, ahead(k2, h / 2.0));
            let k4 = slope(t + h, ahead(k3, h));
            y = std::array::from_fn(|i| y[i] + h / 6.0 * (k1[i] + 2.0 * k2[i] + 2.0 * k3[i] + k4[i]));
        }
        let (sin, cos) = theta.sin_cos();
        let wave = [amplitude * sin, amplitude * cos, rise * sin, rise * cos, constant];
        let stepped = ToneStep::new(&a, &b, omega, period).apply(&[0.5, -1.0], &wave);
        for (s, y) in stepped.iter().zip(y) {
            assert!((s - y).abs() < 1e-12, "{stepped:?} {y:?}");
        }
    }

    /// Against the exponential of nalgebra (Padé approximants after Higham, 2005), with norms as in use and beyond.
    #[test]
    fn the_exponential_agrees_with_a_library() {
        for (size, reach) in [(3, 0.2), (8, 4.0), (14, 40.0)] {
            // Values without pattern, decaying enough that the result stays of order one.
            let entry = |r: usize, c: usize| {
                let mixed = ((r * 31 + c * 17 + 5) % 23) as f64 / 23.0 - 0.5;
                reach * (mixed - if r == c { 3.0 } else { 0.0 })
            };
            let m = DMatrix::from_fn(size, size, entry);
            let ours = exponential(m.clone(), 0.5);
            let theirs = (m * 0.5).exp();
            let off = (&ours - &theirs).amax() / theirs.amax();
            assert!(off < 1e-11, "{size}: {off:e}");
        }
    }

    /// A double integrator under a linear input has a polynomial solution.
    #[test]
    fn a_ramp_step_integrates_a_ramp() {
        let step = RampStep::new(&[[0.0, 1.0], [0.0, 0.0]], &[0.0, 1.0], 0.5);
        let [x, v] = step.apply(&[1.0, 2.0], 3.0, 5.0);
        // u = 3 + 4 t: v = 2 + 3 t + 2 t², x = 1 + 2 t + 1.5 t² + 2/3 t³ at t = 0.5
        assert!((v - 4.0).abs() < 1e-14, "{v}");
        assert!((x - (1.0 + 1.0 + 0.375 + 2.0 / 3.0 * 0.125)).abs() < 1e-14, "{x}");
    }
}
