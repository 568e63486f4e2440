//! The sums of a record that grows: one pass over the samples, and the right-hand sides of any model near the
//! frequency that they were summed at.
//!
//! Owns: how the record is cut into blocks, the sums of each, and turning them to their place. Must not solve or judge.
//!
//! The first sample of each channel is subtracted before summing, so that a bias of many times the signal costs no
//! digits. Blocks are cut by the count of samples and at the bounds of the segments, never by how the samples come in.
//!
//! A frequency that differs by δ (rad per sample) turns the anchors exactly; within a block `e^{−jδm}` is developed to
//! as many powers of m as [`Table`] has. [`slip`] is what the neglected ones cost at most.

use super::EstimateError;
use super::model::{BLOCK, Turn, powers};
use super::segments::Cut;
use super::table::{Folded, PairSum, Table, demodulated, highest_power};
use super::terms::Terms;
use nalgebra::{Complex, DVector};
use std::f64::consts::TAU;

#[derive(Debug, Clone, Copy)]
struct Block {
    first: usize,
    samples: usize,
}

/// The sums so far.
#[derive(Debug, Clone)]
pub(super) struct Sums {
    pub(super) table: Table,
    pub(super) cut: Cut,
    /// First sample of each channel, which all are taken less.
    pub(super) bases: Vec<f64>,
    blocks: Vec<Block>,
    /// Sums of squares, then pairs: blocks × channels.
    squares: Vec<f64>,
    pairs: Vec<PairSum>,
    pending: Vec<[f32; BLOCK]>,
    /// Samples in `pending`.
    filled: usize,
    /// Samples in `blocks`.
    summed: usize,
    segment: usize,
    folded: Vec<Folded>,
    /// Channel and position of the first sample that is no number.
    fault: Option<(usize, usize)>,
}

/// The right-hand side of one channel.
#[derive(Debug, Clone)]
pub(super) struct Cross {
    /// For each of the terms, derivatives included.
    pub(super) terms: DVector<f64>,
    /// Sum of squares.
    pub(super) power: f64,
    /// For each segment offset, cosine and sine.
    pub(super) segments: Vec<[f64; 3]>,
}

impl Sums {
    /// Room for `longest` samples is made here; a longer record takes more as it comes.
    pub(super) fn new(table: Table, cut: Cut, channels: usize, longest: usize) -> Self {
        let blocks = longest / BLOCK + cut.begun(longest) + 2;
        Self {
            bases: vec![0.0; channels],
            blocks: Vec::with_capacity(blocks),
            squares: Vec::with_capacity(blocks * channels),
            pairs: Vec::with_capacity(blocks * channels * table.width()),
            pending: vec![[0.0; BLOCK]; channels],
            filled: 0,
            summed: 0,
            segment: 0,
            folded: vec![Folded::new(); channels],
            fault: None,
            table,
            cut,
        }
    }

    /// Samples of each channel.
    pub(super) fn samples(&self) -> usize {
        self.summed + self.filled
    }

    /// Samples that came in as no numbers, if any did.
    pub(super) fn fault(&self) -> Option<EstimateError> {
        self.fault.map(|(channel, sample)| EstimateError::NotFinite { channel, sample })
    }

    /// Takes samples that follow those before; all channels have as many.
    pub(super) fn push(&mut self, channels: &[&[f32]]) {
        let count = channels.first().map_or(0, |samples| samples.len());
        if self.samples() == 0 && count > 0 {
            for (base, samples) in self.bases.iter_mut().zip(channels) {
                *base = samples.first().map_or(0.0, |v| f64::from(*v));
            }
        }
        let mut taken = 0;
        while taken < count {
            let until = self.cut.bound(self.segment + 1);
            let room = (until - self.summed).min(BLOCK) - self.filled;
            let part = taken..count.min(taken + room);
            for (pending, samples) in self.pending.iter_mut().zip(channels) {
                let free = pending.iter_mut().skip(self.filled);
                free.zip(samples.get(part.clone()).unwrap_or_default()).for_each(|(slot, v)| *slot = *v);
            }
            self.filled += part.len();
            taken = part.end;
            if part.len() == room {
                self.close();
                self.segment += usize::from(self.summed == until);
            }
        }
    }

    /// Sums the block that is pending.
    fn close(&mut self) {
        let channels = self.pending.iter().zip(&self.bases).zip(&mut self.folded);
        for (channel, ((pending, base), folded)) in channels.enumerate() {
            let samples = pending.get(..self.filled).unwrap_or_default();
            let squares = folded.load(samples, *base);
            if !squares.is_finite() && self.fault.is_none() {
                let sample = samples.iter().position(|v| !v.is_finite()).unwrap_or_default();
                self.fault = Some((channel, self.summed + sample));
            }
            self.squares.push(squares);
        }
        let before = self.pairs.len();
        self.pairs.resize(before + self.folded.len() * self.table.width(), PairSum::default());
        self.table.sum(&self.folded, self.pairs.get_mut(before..).unwrap_or_default());
        self.blocks.push(Block { first: self.summed, samples: self.filled });
        self.summed += self.filled;
        self.filled = 0;
    }

    /// Has `judge` look at the record as it stands, the pending block included; more samples may follow.
    pub(super) fn with_all<R>(&mut self, judge: impl FnOnce(&Self) -> R) -> R {
        let (filled, summed, fault) = (self.filled, self.summed, self.fault);
        if filled == 0 {
            return judge(self);
        }
        self.close();
        let result = judge(self);
        self.blocks.truncate(self.blocks.len().saturating_sub(1));
        self.squares.truncate(self.blocks.len() * self.bases.len());
        self.pairs.truncate(self.squares.len() * self.table.width());
        (self.filled, self.summed, self.fault) = (filled, summed, fault);
        result
    }

    /// Forgets all samples.
    pub(super) fn clear(&mut self) {
        self.blocks.clear();
        self.squares.clear();
        self.pairs.clear();
        (self.filled, self.summed, self.segment, self.fault) = (0, 0, 0, None);
    }

    /// The same record summed once more, at another frequency.
    pub(super) fn again(&self, turn: Turn, kept: &[&[f32]]) -> Self {
        let decays: Vec<Option<f64>> = (0..self.bases.len()).map(|c| self.table.decay(c)).collect();
        let table = Table::new(turn, self.table.harmonics, self.table.nearby, &self.table.lines, &decays);
        let mut sums = Self::new(table, self.cut, self.bases.len(), self.samples());
        sums.push(kept);
        if sums.filled > 0 {
            sums.close();
        }
        sums
    }

    /// Change of the phase from the middle of a block to its end, for the frequency of `turn`.
    pub(super) fn slip(&self, turn: Turn) -> f64 {
        self.delta(turn).abs() * self.samples().min(BLOCK) as f64 / 2.0
    }

    fn delta(&self, turn: Turn) -> f64 {
        TAU * (turn.0 - self.table.turn.0)
    }

    /// Right-hand sides of some channels, each with terms of its own, which differ by the decay only.
    pub(super) fn cross(&self, wanted: &[(usize, &Terms)]) -> Vec<Cross> {
        let Some((_, common)) = wanted.first() else {
            return Vec::new();
        };
        let segments: Vec<_> = self.cut.segments(self.samples()).collect();
        let empty = |terms: &Terms| Cross {
            terms: DVector::zeros(terms.count()),
            power: 0.0,
            segments: vec![[0.0; 3]; segments.len()],
        };
        let mut found: Vec<Cross> = wanted.iter().map(|(_, terms)| empty(terms)).collect();
        let mut segment = 0;
        let mut anchors = Vec::new();
        for (number, block) in self.blocks.iter().enumerate() {
            while segments.get(segment).is_some_and(|part| part.end <= block.first) {
                segment += 1;
            }
            let middle = block.first as f64 + Folded::centre(block.samples);
            anchors.clear();
            let harmonics = powers(common.turn.phasor(middle).conj());
            anchors.extend(harmonics.take(common.harmonics as usize));
            anchors.extend(common.lines.iter().map(|line| line.phasor(middle).conj()));
            for (cross, (channel, terms)) in found.iter_mut().zip(wanted) {
                let at = number * self.bases.len() + channel;
                let sums = self.pairs.get(at * self.table.width()..).unwrap_or_default();
                cross.power += self.squares.get(at).copied().unwrap_or_default();
                let carrier = self.turn_to(middle, sums, terms, &anchors, &mut cross.terms);
                if let Some(part) = cross.segments.get_mut(segment) {
                    part.iter_mut().zip(carrier).for_each(|(sum, value)| *sum += value);
                }
            }
        }
        found
    }

    /// Adds the sums of a block to those of the terms; gives what it adds to offset, cosine and sine.
    fn turn_to(
        &self,
        middle: f64,
        sums: &[PairSum],
        terms: &Terms,
        anchors: &[Complex<f64>],
        out: &mut DVector<f64>,
    ) -> [f64; 3] {
        let (off, n) = (middle - terms.centre(), terms.samples as f64);
        let (steady, rest) = sums.split_first().map_or((PairSum::default(), sums), |(s, rest)| (*s, rest));
        let mut add = |at: usize, value: f64| {
            if let Some(sum) = out.get_mut(at) {
                *sum += value;
            }
        };
        add(0, steady.even);
        if terms.drift {
            add(1, (off * steady.even + steady.odd) / n);
        }
        let mut carrier = [steady.even, 0.0, 0.0];
        let mut rest = rest.iter();
        let derivatives = terms.fitted();
        for (h, anchor) in (0..terms.harmonics).zip(anchors) {
            let mut moments = [Complex::default(); 3];
            for (moment, power) in moments.iter_mut().zip(0..=highest_power(self.table.nearby, h + 1)) {
                *moment = rest.next().map_or_else(Complex::default, |sum| demodulated(*sum, power));
            }
            // e^{−jhδm} by powers of m.
            let turn = Complex::new(0.0, -f64::from(h + 1) * self.delta(terms.turn));
            let zeroth = anchor * (moments[0] + turn * (moments[1] + turn * moments[2] / 2.0));
            let at = 2 * h as usize;
            add(terms.fundamental() + at, zeroth.re);
            add(terms.fundamental() + at + 1, -zeroth.im);
            if terms.derivatives {
                let first = (zeroth * off + anchor * (moments[1] + turn * moments[2])) / n;
                add(derivatives + at, first.re);
                add(derivatives + at + 1, -first.im);
            }
            if h == 0 {
                carrier = [steady.even, zeroth.re, -zeroth.im];
            }
        }
        let lines = self.table.lines.iter().zip(sums.iter().skip(self.table.lines_at()));
        let mut anchors = anchors.iter().skip(terms.harmonics as usize);
        let mut at = terms.lines_at();
        for (_, sum) in lines.filter(|(line, _)| terms.lines.contains(line)) {
            let Some(anchor) = anchors.next() else { break };
            let value = anchor * demodulated(*sum, 0);
            add(at, value.re);
            add(at + 1, -value.im);
            at += 2;
        }
        if let Some(tau) = terms.decay
            && middle < Terms::decayed(tau) as f64
            && let Some(sum) = sums.get(self.table.width() - 1)
        {
            add(terms.decay_at(), libm::exp(-middle / tau) * (sum.even + sum.odd));
        }
        carrier
    }
}
