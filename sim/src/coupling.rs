//! AC coupling: a first-order high-pass on samples. Pure.
//!
//! Owns: [`Coupling`]. What follows the armature's motion with full accuracy is stepped with the shaker instead (`sensor`).

/// A first-order high-pass, exact for an input that goes linearly within a sample: for a corner c and a sine of angular
/// frequency w it is off by c w h²/12 relative. It has settled on what the input was at first.
#[derive(Clone)]
pub(crate) struct Coupling {
    /// Weights of the input at the start and at the end of a sample.
    weights: (f64, f64),
    /// What is taken away, and the input before.
    state: Option<(f64, f64)>,
}

impl Coupling {
    /// A high-pass of this corner in Hz at `rate` samples per second.
    pub(crate) fn new(corner: f64, rate: f64) -> Self {
        let turn = std::f64::consts::TAU * corner / rate;
        let goes = -(-turn).exp_m1();
        let end = 1.0 - goes / turn;
        Self { weights: (goes - end, end), state: None }
    }

    /// Replaces a stretch by what passes.
    pub(crate) fn pass(&mut self, signal: &mut [f64]) {
        let Some(first) = signal.first().copied() else {
            return;
        };
        let (mut mean, mut before) = self.state.unwrap_or((first, first));
        for value in signal {
            mean += self.weights.0 * (before - mean) + self.weights.1 * (*value - mean);
            before = *value;
            *value -= mean;
        }
        self.state = Some((mean, before));
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::f64::consts::TAU;

    /// Against the textbook response of a first-order high-pass: 0.16 Hz takes 4.8 % and turns by 17.7° at 0.5 Hz.
    #[test]
    fn it_has_the_response_of_its_corner() {
        for (frequency, corner) in [(0.5, 0.16), (50.0, 0.16), (500.0, 1.0)] {
            let (rate, omega) = (10_000.0, TAU * frequency / 10_000.0);
            let mut signal: Vec<f64> = (0..400_000).map(|n| (omega * f64::from(n)).cos()).collect();
            Coupling::new(corner, rate).pass(&mut signal);
            let (mut cos, mut sin) = (0.0, 0.0);
            // 20 s at the end: whole cycles
            for (n, value) in signal.iter().enumerate().skip(200_000) {
                cos += value * (omega * n as f64).cos() / 1e5;
                sin -= value * (omega * n as f64).sin() / 1e5;
            }
            let (size, angle) = (f64::hypot(cos, sin), sin.atan2(cos));
            let ratio: f64 = corner / frequency;
            assert!((size * (1.0 + ratio * ratio).sqrt() - 1.0).abs() < 1e-5, "{frequency} Hz: {size}");
            assert!((angle - ratio.atan()).abs() < 2e-5, "{frequency} Hz: {angle}");
        }
    }

    #[test]
    fn it_has_settled_on_what_was_there_at_first() {
        let mut signal = [11.0; 1000];
        let (first, last) = signal.split_at_mut(300);
        let mut coupling = Coupling::new(0.5, 10_000.0);
        coupling.pass(first);
        coupling.pass(last);
        assert!(signal.iter().all(|v| v.abs() < 1e-12));
    }
}
