//! The columns of a model over a record, and their Gram matrix in closed form. Must not see samples.
//!
//! ```text
//! term     1   position   cos, sin of h = 1 … H   cos, sin of each mains line   decay   │ position · cos, sin of h
//! ```
//! The position of sample n is `(n − c)/N`, c being the middle of the record of N samples. The terms behind the bar are
//! the derivatives by frequency and amplitude; they enter a fit only in combinations.
//!
//! Every term is `positionᵖ · Re{κ e^{βn}}`, so that the product of two is two sums of `positionᵖ⁺ᵖ' e^{βn}`
//! ([`power_sums`]).

use super::model::Turn;
use super::powersum::power_sums;
use nalgebra::{Complex, DMatrix};
use std::f64::consts::TAU;
use std::ops::Range;

/// A decay counts as gone after this many time constants: e⁻⁴⁰ is below the last digit.
const GONE: f64 = 40.0;

/// What is fitted to one channel over one record.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Terms {
    pub(super) samples: usize,
    pub(super) drift: bool,
    pub(super) turn: Turn,
    pub(super) harmonics: u32,
    /// Frequencies of the mains lines.
    pub(super) lines: Vec<Turn>,
    /// Time constant of a decay in samples.
    pub(super) decay: Option<f64>,
    /// Whether the derivatives are there.
    pub(super) derivatives: bool,
}

/// `e^{βn}`: a straight part, a sine or a decay.
struct Wave {
    beta: Complex<f64>,
    anchor: Complex<f64>,
}

struct Term {
    wave: usize,
    power: usize,
    /// κ: 1, or −j for a sine.
    factor: Complex<f64>,
}

impl Terms {
    /// Number of terms that a fit has, without the derivatives.
    pub(super) fn fitted(&self) -> usize {
        self.decay_at() + usize::from(self.decay.is_some())
    }

    /// All of them.
    pub(super) fn count(&self) -> usize {
        self.fitted() + if self.derivatives { 2 * self.harmonics as usize } else { 0 }
    }

    /// Position of the fundamental's cosine; its sine follows, then the harmonics in pairs.
    pub(super) fn fundamental(&self) -> usize {
        1 + usize::from(self.drift)
    }

    /// Position of the first line's cosine.
    pub(super) fn lines_at(&self) -> usize {
        self.fundamental() + 2 * self.harmonics as usize
    }

    /// Position of the decay.
    pub(super) fn decay_at(&self) -> usize {
        self.lines_at() + 2 * self.lines.len()
    }

    /// Index of the middle of the record.
    pub(super) fn centre(&self) -> f64 {
        (self.samples as f64 - 1.0) / 2.0
    }

    /// Sample from which the decay is gone.
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "a sample number; casts saturate"
    )]
    pub(super) fn decayed(tau: f64) -> usize {
        (tau * GONE).ceil() as usize
    }

    fn waves(&self, middle: f64) -> Vec<Wave> {
        let sine = |cycles: f64, anchor| Wave { beta: Complex::new(0.0, TAU * cycles), anchor };
        let mut waves = vec![sine(0.0, Complex::new(1.0, 0.0))];
        let harmonics = super::model::powers(self.turn.phasor(middle));
        waves.extend((1..=self.harmonics).zip(harmonics).map(|(h, a)| sine(f64::from(h) * self.turn.0, a)));
        waves.extend(self.lines.iter().map(|line| sine(line.0, line.phasor(middle))));
        waves.extend(self.decay.map(|tau| Wave {
            beta: Complex::new(-1.0 / tau, 0.0),
            anchor: Complex::new(libm::exp(-middle / tau), 0.0),
        }));
        waves
    }

    fn columns(&self) -> Vec<Term> {
        let one = Complex::new(1.0, 0.0);
        let pair = |wave, power| {
            [Term { wave, power, factor: one }, Term { wave, power, factor: Complex::new(0.0, -1.0) }]
        };
        let sines = self.harmonics as usize + self.lines.len();
        let mut columns = vec![Term { wave: 0, power: 0, factor: one }];
        columns.extend(self.drift.then_some(Term { wave: 0, power: 1, factor: one }));
        columns.extend((1..=sines).flat_map(|wave| pair(wave, 0)));
        columns.extend(self.decay.map(|_| Term { wave: sines + 1, power: 0, factor: one }));
        if self.derivatives {
            columns.extend((1..=self.harmonics as usize).flat_map(|wave| pair(wave, 1)));
        }
        columns
    }

    /// Gram matrix of all terms over the record.
    pub(super) fn gram(&self) -> DMatrix<f64> {
        self.gram_over(&(0..self.samples))
    }

    /// Gram matrix of all terms over a part of the record.
    pub(super) fn gram_over(&self, part: &Range<usize>) -> DMatrix<f64> {
        let columns = self.columns();
        let mut gram = DMatrix::zeros(columns.len(), columns.len());
        let decay = self.harmonics as usize + self.lines.len() + 1;
        self.add(part, &columns, |wave| wave != decay, &mut gram);
        if let Some(tau) = self.decay {
            let shorter = part.start..part.end.min(Self::decayed(tau)).max(part.start);
            self.add(&shorter, &columns, |wave| wave == decay, &mut gram);
        }
        gram
    }

    /// Adds the products in which the later wave is one of those chosen.
    fn add(
        &self,
        part: &Range<usize>,
        columns: &[Term],
        chosen: impl Fn(usize) -> bool,
        gram: &mut DMatrix<f64>,
    ) {
        if part.is_empty() {
            return;
        }
        let middle = f64::midpoint(part.start as f64, part.end as f64 - 1.0);
        let off = middle - self.centre();
        let waves = self.waves(middle);
        for (later, b) in waves.iter().enumerate().filter(|(wave, _)| chosen(*wave)) {
            for (earlier, a) in waves.iter().take(later + 1).enumerate() {
                let sums = |beta, anchor: Complex<f64>| {
                    let [zeroth, first, second] = power_sums(beta, part.len());
                    let n = self.samples as f64;
                    [
                        anchor * zeroth,
                        anchor * (zeroth * off + first) / n,
                        anchor * (zeroth * (off * off) + first * (2.0 * off) + second) / (n * n),
                    ]
                };
                let sum = sums(a.beta + b.beta, a.anchor * b.anchor);
                let difference = sums(a.beta + b.beta.conj(), a.anchor * b.anchor.conj());
                for (row, u) in columns.iter().enumerate().filter(|(_, u)| u.wave == earlier) {
                    for (column, v) in columns.iter().enumerate().filter(|(_, v)| v.wave == later) {
                        let power = (u.power + v.power).min(2);
                        let product =
                            u.factor * v.factor * sum[power] + u.factor * v.factor.conj() * difference[power];
                        gram[(row, column)] = product.re / 2.0;
                        gram[(column, row)] = product.re / 2.0;
                    }
                }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_gram_matrix_is_that_of_the_columns() {
        for (samples, part) in [(1000, 0..1000), (1000, 130..517), (40, 0..40)] {
            let terms = Terms {
                samples,
                drift: true,
                turn: Turn(0.0123),
                harmonics: 3,
                lines: vec![Turn(0.05), Turn(0.1)],
                decay: Some(7.5),
                derivatives: true,
            };
            let value = |n: usize, term: usize| {
                let position = (n as f64 - terms.centre()) / samples as f64;
                let turns = [0.0123, 0.0246, 0.0369, 0.05, 0.1, 0.0, 0.0123, 0.0246, 0.0369];
                let angle = |at: usize| TAU * turns[at / 2] * n as f64;
                match term {
                    0 => 1.0,
                    1 => position,
                    12 => (-(n as f64) / 7.5).exp(),
                    2..12 if term.is_multiple_of(2) => angle(term - 2).cos(),
                    2..12 => angle(term - 2).sin(),
                    _ if !term.is_multiple_of(2) => position * angle(term - 1).cos(),
                    _ => position * angle(term - 2).sin(),
                }
            };
            let columns = DMatrix::from_fn(part.len(), terms.count(), |n, term| value(part.start + n, term));
            let difference = columns.tr_mul(&columns) - terms.gram_over(&part);
            assert!(difference.abs().max() < 1e-11, "{difference}");
        }
    }
}
