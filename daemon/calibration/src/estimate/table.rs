//! What one block of samples is summed against: constant columns about the block's centre, and the fast dot products.
//!
//! Owns: the columns, the order of additions (fixed, so that results repeat bit for bit; no fused multiply-add, so that
//! they do on any machine). Must not know where in the record a block lies: `sums` turns them there.
//!
//! About its centre every column is even or odd. So a block is folded once into `x(m) + x(−m)` and `x(m) − x(−m)`, and
//! every column costs half a block.
//!
//! ```text
//! pair      0       1 …                            … then                   last, of a channel with a decay alone
//! even      1       mᵏ cos hω₀m or mᵏ sin hω₀m     cos of a mains line      cosh m/τ
//! odd       m       mᵏ sin hω₀m or mᵏ cos hω₀m     sin of a mains line      −sinh m/τ
//! ```

use super::model::{BLOCK, Turn};
use nalgebra::Complex;
use std::f64::consts::TAU;

/// Samples of a folded block.
const HALF: usize = BLOCK / 2;
/// Running sums of a dot product.
const LANES: usize = 4;

type Column = [f64; HALF];
/// An even column and an odd one, for m = ½, 1½, …
#[derive(Debug, Clone)]
struct Pair {
    even: Column,
    odd: Column,
}

/// Sums of a block against a pair.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub(super) struct PairSum {
    pub(super) even: f64,
    pub(super) odd: f64,
}

/// The columns for one frequency.
#[derive(Debug, Clone)]
pub(super) struct Table {
    pub(super) turn: Turn,
    pub(super) harmonics: u32,
    /// Whether there are columns for another frequency nearby: m times every sine, m² times the fundamental. Without
    /// them there is m times the fundamental, for its trend.
    pub(super) nearby: bool,
    pub(super) lines: Vec<Turn>,
    common: Vec<Pair>,
    /// Time constants in samples and the pairs of the channels that decay.
    decays: Vec<Option<(f64, Pair)>>,
}

impl Table {
    pub(super) fn new(
        turn: Turn,
        harmonics: u32,
        nearby: bool,
        lines: &[Turn],
        decays: &[Option<f64>],
    ) -> Self {
        let mut common = vec![pair(|m| (1.0, m))];
        for harmonic in 1..=harmonics {
            for power in 0..=highest_power(nearby, harmonic) {
                common.push(sine(f64::from(harmonic) * turn.0, power));
            }
        }
        common.extend(lines.iter().map(|line| sine(line.0, 0)));
        let decay = |tau: f64| (tau, pair(|m| (libm::cosh(m / tau), -libm::sinh(m / tau))));
        let decays = decays.iter().map(|tau| tau.map(decay)).collect();
        Self { turn, harmonics, nearby, lines: lines.to_vec(), common, decays }
    }

    /// Pairs of one channel: those common to all and one for a decay.
    pub(super) fn width(&self) -> usize {
        self.common.len() + 1
    }

    /// Time constant of a channel in samples.
    pub(super) fn decay(&self, channel: usize) -> Option<f64> {
        Some(self.decays.get(channel)?.as_ref()?.0)
    }

    /// True if any channel decays.
    pub(super) fn decays(&self) -> bool {
        self.decays.iter().any(Option::is_some)
    }

    /// Where the first line lies in the sums of a channel.
    pub(super) fn lines_at(&self) -> usize {
        self.common.len() - self.lines.len()
    }

    /// Sums of one block of each channel against all pairs: `out` has [`Self::width`] for each channel.
    ///
    /// Two channels against two pairs at a time, since loading takes as long as adding. What a sum is does not depend
    /// on its neighbours.
    pub(super) fn sum(&self, blocks: &[Folded], out: &mut [PairSum]) {
        let width = self.width();
        for (channels, sums) in blocks.chunks(2).zip(out.chunks_mut(2 * width)) {
            let (first, second) = sums.split_at_mut(width);
            // One alone is taken twice.
            if let (Some(a), Some(b)) = (channels.first(), channels.last()) {
                self.sum_two([a, b], first, second);
            }
        }
        for ((block, decay), sums) in blocks.iter().zip(&self.decays).zip(out.chunks_mut(width)) {
            if let (Some((_, pair)), Some(sum)) = (decay, sums.last_mut()) {
                let [[even, _], _] = dots([&block.even; 2], [&pair.even; 2], block.used);
                let [[odd, _], _] = dots([&block.odd; 2], [&pair.odd; 2], block.used);
                *sum = PairSum { even, odd };
            }
        }
    }

    fn sum_two(&self, [a, b]: [&Folded; 2], first: &mut [PairSum], second: &mut [PairSum]) {
        for (at, pairs) in (0..).step_by(2).zip(self.common.chunks(2)) {
            let (Some(p), Some(q)) = (pairs.first(), pairs.last()) else {
                continue;
            };
            let even = dots([&a.even, &b.even], [&p.even, &q.even], a.used);
            let odd = dots([&a.odd, &b.odd], [&p.odd, &q.odd], a.used);
            for ((sums, even), odd) in [&mut *first, &mut *second].into_iter().zip(even).zip(odd) {
                for ((sum, even), odd) in sums.iter_mut().skip(at).take(pairs.len()).zip(even).zip(odd) {
                    *sum = PairSum { even, odd };
                }
            }
        }
    }
}

/// Highest power of m beside a harmonic.
pub(super) fn highest_power(nearby: bool, harmonic: u32) -> u32 {
    match (nearby, harmonic) {
        (true, 1) => 2,
        (true, _) | (false, 1) => 1,
        (false, _) => 0,
    }
}

/// `Σ x mᵏ e^{−jωm}` from the sums against the pair of that power.
pub(super) fn demodulated(sum: PairSum, power: u32) -> Complex<f64> {
    if power.is_multiple_of(2) { Complex::new(sum.even, -sum.odd) } else { Complex::new(sum.odd, -sum.even) }
}

fn pair(value: impl Fn(f64) -> (f64, f64)) -> Pair {
    let mut pair = Pair { even: [0.0; HALF], odd: [0.0; HALF] };
    for (at, (even, odd)) in pair.even.iter_mut().zip(&mut pair.odd).enumerate() {
        (*even, *odd) = value(at as f64 + 0.5);
    }
    pair
}

fn sine(cycles: f64, power: u32) -> Pair {
    pair(|m| {
        let turns = cycles * m;
        let (sin, cos) = libm::sincos(TAU * (turns - turns.floor()));
        let scale = (0..power).fold(1.0, |scale, _| scale * m);
        if power.is_multiple_of(2) { (scale * cos, scale * sin) } else { (scale * sin, scale * cos) }
    })
}

/// A block of samples folded about its centre.
#[derive(Debug, Clone)]
pub(super) struct Folded {
    even: Column,
    odd: Column,
    /// Entries in use, a multiple of the lanes.
    used: usize,
}

impl Folded {
    pub(super) const fn new() -> Self {
        Self { even: [0.0; HALF], odd: [0.0; HALF], used: 0 }
    }

    /// Where the centre of a block of so many samples lies, counted from its first: an odd one is taken as one longer.
    pub(super) fn centre(samples: usize) -> f64 {
        samples.div_ceil(2) as f64 - 0.5
    }

    /// Takes a block of up to [`BLOCK`] samples less `base`; gives the sum of squares.
    pub(super) fn load(&mut self, samples: &[f32], base: f64) -> f64 {
        let half = samples.len().div_ceil(2);
        let (before, behind) = samples.split_at(half);
        self.used = half.next_multiple_of(LANES).min(HALF);
        let mut slots = self.even.iter_mut().zip(&mut self.odd).take(self.used);
        let right = behind.iter().map(|v| f64::from(*v) - base);
        let left = before.iter().rev().map(|v| f64::from(*v) - base);
        // An odd block lacks the last sample on the right.
        for (((even, odd), l), r) in slots.by_ref().zip(left).zip(right.chain(std::iter::once(0.0))) {
            (*even, *odd) = (r + l, r - l);
        }
        self.even.iter_mut().zip(&mut self.odd).take(self.used).skip(half).for_each(|(even, odd)| {
            (*even, *odd) = (0.0, 0.0);
        });
        let [[even, _], [_, odd]] = dots([&self.even, &self.odd], [&self.even, &self.odd], self.used);
        (even + odd) / 2.0
    }
}

/// Dot products of two folded blocks with two columns.
fn dots([a, b]: [&Column; 2], [p, q]: [&Column; 2], used: usize) -> [[f64; 2]; 2] {
    let mut sums = [[[0.0; LANES]; 2]; 2];
    let lanes = |column| -> &[[f64; LANES]] { <[f64]>::as_chunks::<LANES>(column).0 };
    let blocks = lanes(a).iter().zip(lanes(b));
    let columns = lanes(p).iter().zip(lanes(q));
    for ((a, b), (p, q)) in blocks.zip(columns).take(used / LANES) {
        for lane in 0..LANES {
            sums[0][0][lane] += a[lane] * p[lane];
            sums[0][1][lane] += a[lane] * q[lane];
            sums[1][0][lane] += b[lane] * p[lane];
            sums[1][1][lane] += b[lane] * q[lane];
        }
    }
    sums.map(|sums| sums.map(joined))
}

fn joined([a, b, c, d]: [f64; LANES]) -> f64 {
    (a + b) + (c + d)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn sums_as_written_out(samples in prop::collection::vec(-2.0..2.0_f32, 1..=BLOCK), turn in 1e-4..0.15_f64) {
            let table = Table::new(Turn(turn), 3, true, &[Turn(0.05)], &[None, Some(30.0)]);
            let mut folded = Folded::new();
            folded.load(&[1.0; BLOCK], 0.0);
            let squares = folded.load(&samples, 0.25);
            let centre = Folded::centre(samples.len());
            let values: Vec<(f64, f64)> =
                samples.iter().enumerate().map(|(n, v)| (n as f64 - centre, f64::from(*v) - 0.25)).collect();
            let sum = |column: &dyn Fn(f64) -> Complex<f64>| -> Complex<f64> { values.iter().map(|(m, x)| column(*m) * x).sum() };
            prop_assert!((values.iter().map(|(_, x)| x * x).sum::<f64>() - squares).abs() < 1e-11);
            let mut all = vec![PairSum::default(); 3 * table.width()];
            let mut other = folded.clone();
            other.load(&vec![0.5; samples.len()], 0.0);
            table.sum(&[other.clone(), folded.clone(), other], &mut all);
            let sums = &all[table.width()..2 * table.width()];
            let mut alone = vec![PairSum::default(); table.width()];
            table.sum(&[folded], &mut alone);
            prop_assert_eq!(&alone[..table.width() - 1], &sums[..table.width() - 1]);
            let mut at = 1;
            for h in 1..=3 {
                for power in 0..=highest_power(true, h) {
                    let angle = TAU * f64::from(h) * turn;
                    let expected = sum(&|m| Complex::from_polar(m.powi(i32::try_from(power).unwrap()), -angle * m));
                    let size = 512.0 * 128f64.powi(i32::try_from(power).unwrap());
                    prop_assert!((demodulated(sums[at], power) - expected).norm() < 1e-14 * size);
                    at += 1;
                }
            }
            prop_assert_eq!(at, table.lines_at());
            let line = sum(&|m| Complex::from_polar(1.0, -TAU * 0.05 * m));
            prop_assert!((demodulated(sums[at], 0) - line).norm() < 1e-11);
            let decay = sum(&|m| Complex::new((-m / 30.0).exp(), 0.0));
            prop_assert!((sums[at + 1].even + sums[at + 1].odd - decay.re).abs() < 1e-10);
        }
    }
}
