//! Follows the tone that was commanded on every column, and tells within a fraction of a cycle whether it is still there.
//!
//! Owns: means over a fortieth of a cycle, the phasor of each column over the last whole cycles ([`Line`]), and the look at
//! the newest groups beside what that phasor foresees ([`Look`]). Must not: know what a column hangs on, or trip.
//!
//! With `p` what the phasor foresees and `x` what came, both without their means over the window, `E = Σp²` and `S = Σx²`
//! and `C = Σxp`: the tone is there where `C/E` is near 1, gone where `S` is no more than the noise makes, reversed where
//! `C/E` is near −1. An offset, or a centre that moves slowly, falls out with the means. The window grows until noise can't
//! be taken for either; the factors below are four standard deviations of normal noise each way (elementary).

use crate::block::BlockView;
use crate::hazard::notice::{GROUPS, SILENCE_CYCLES, SILENCE_LEAST, SILENCE_MOST};
use nalgebra::Complex;
use plan_schema::units::{Hertz, SampleCount, SampleIndex, SamplesPerSecond};
use std::collections::VecDeque;
use std::f64::consts::TAU;

/// Energy beside the tone up to this share of what is foreseen counts as nothing: a quarter of its amplitude.
const NOTHING: f64 = 0.06;

/// A tone goes on if it is foreseen this well, in amplitude.
const GOES_ON: (f64, f64) = (0.6, 3.0);

/// Looks within one silence.
const LOOKS: usize = 8;

/// A column's tone over whole cycles.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Line {
    /// Its phasor, V peak; phase at the first group.
    pub(super) phasor: Complex<f64>,
    /// Variance of a group's mean about it, V².
    pub(super) variance: f64,
    /// Standard deviation of the phasor's magnitude, the rest taken as white, V.
    pub(super) deviation: f64,
}

/// How the newest groups of a column compare with its line.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Look {
    /// Too few groups for the noise.
    Unknown,
    /// It goes on.
    There,
    /// It is gone: nothing but noise or an offset.
    Gone,
    /// It goes on with the other sign.
    Reversed,
    /// None of these.
    Otherwise,
}

/// What happened on the way through a block.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum News {
    /// The block is used up.
    None,
    /// New lines are known.
    Learned,
    /// It is time for a look.
    Look,
}

/// Follows one steady tone.
#[derive(Debug, Clone)]
pub(super) struct Follow {
    from: SampleIndex,
    /// Samples in a group, groups in a stretch of whole cycles, and in the shortest look.
    group: usize,
    stretch: usize,
    silence: usize,
    /// Angle from group to group, rad.
    turn: f64,
    sums: Vec<f64>,
    in_group: usize,
    groups: usize,
    kept: Vec<VecDeque<f64>>,
    learning: Vec<Learning>,
    rotor: Complex<f64>,
    latest: Option<Vec<Line>>,
    trusted: Option<Vec<Line>>,
}

#[derive(Debug, Clone, Copy, Default)]
struct Learning {
    sum: f64,
    squares: f64,
    turned: Complex<f64>,
}

impl Follow {
    /// Follows a tone on so many columns from a sample on.
    pub(super) fn new(frequency: Hertz, rate: SamplesPerSecond, columns: usize, from: SampleIndex) -> Self {
        let per_cycle = rate.si() / frequency.si();
        let group = whole((per_cycle / GROUPS).floor());
        let silence_s = (SILENCE_CYCLES / frequency.si()).clamp(SILENCE_LEAST.si(), SILENCE_MOST.si());
        let silence = whole((silence_s * rate.si() / group as f64).round()).max(4);
        let cycles = (silence_s * frequency.si()).ceil().max(1.0);
        let stretch = whole((cycles * per_cycle / group as f64).round());
        Self {
            from,
            group,
            stretch,
            silence,
            turn: TAU * group as f64 / per_cycle,
            sums: vec![0.0; columns],
            in_group: 0,
            groups: 0,
            kept: vec![VecDeque::with_capacity(2 * stretch + 1); columns],
            learning: vec![Learning::default(); columns],
            rotor: Complex::new(0.0, 0.0),
            latest: None,
            trusted: None,
        }
    }

    /// The lines of the last whole stretch.
    pub(super) fn latest(&self) -> Option<&[Line]> {
        self.latest.as_deref()
    }

    /// Groups in the shortest look.
    pub(super) fn silence(&self) -> usize {
        self.silence
    }

    /// Groups so far.
    pub(super) fn groups(&self) -> usize {
        self.groups
    }

    /// Whole stretches so far.
    pub(super) fn stretches(&self) -> usize {
        self.groups / self.stretch
    }

    /// Goes on through a block from one of its samples until something happened; where it is then.
    pub(super) fn advance(&mut self, block: &BlockView<'_>, at: usize) -> (usize, News) {
        let frames = block.frames();
        let begun = whole_or_zero(self.from.0.saturating_sub(block.first_sample.0));
        let mut at = at.max(begun);
        while at < frames {
            let end = (at + self.group - self.in_group).min(frames);
            for (sum, samples) in self.sums.iter_mut().zip(block.channels) {
                *sum += samples.get(at..end).unwrap_or_default().iter().map(|s| f64::from(*s)).sum::<f64>();
            }
            self.in_group += end - at;
            at = end;
            if self.in_group == self.group {
                let news = self.close_group();
                if news != News::None {
                    return (at, news);
                }
            }
        }
        (frames, News::None)
    }

    /// Where a look that ended here began.
    pub(super) fn since(&self, window: usize) -> SampleIndex {
        self.from + SampleCount((self.groups.saturating_sub(window) * self.group) as u64)
    }

    fn close_group(&mut self) -> News {
        let back = Complex::from_polar(1.0, -self.turn * self.groups as f64);
        let columns = self.sums.iter_mut().zip(&mut self.kept).zip(&mut self.learning);
        for ((sum, kept), learning) in columns {
            let mean = *sum / self.group as f64;
            *sum = 0.0;
            if kept.len() >= 2 * self.stretch {
                kept.pop_front();
            }
            kept.push_back(mean);
            learning.sum += mean;
            learning.squares += mean * mean;
            learning.turned += back * mean;
        }
        self.rotor += back;
        self.in_group = 0;
        self.groups += 1;
        if self.groups.is_multiple_of(self.stretch) {
            self.learn();
            return News::Learned;
        }
        let hop = (self.silence / LOOKS).max(1);
        if self.trusted.is_some() && self.groups.is_multiple_of(hop) { News::Look } else { News::None }
    }

    fn learn(&mut self) {
        let n = self.stretch as f64;
        let rotor = std::mem::take(&mut self.rotor);
        let lines: Vec<Line> = self
            .learning
            .iter_mut()
            .map(|learning| {
                let Learning { sum, squares, turned } = std::mem::take(learning);
                let phasor = (turned - rotor * (sum / n)) * (2.0 / n);
                // A group has the noise of its samples and the rounding of a fit that is not quite a whole cycle long.
                let least = 1e-8 * phasor.norm_sqr() + 1e-18;
                let variance = ((squares - sum * sum / n) / n - phasor.norm_sqr() / 2.0).max(least);
                Line { phasor, variance, deviation: (variance * 2.0 / n).sqrt() }
            })
            .collect();
        // What is foreseen comes from a stretch before the last one, so that a fault is not learned from. It is renewed
        // while stretches agree, since two clocks drift apart.
        self.trusted = match (self.trusted.take(), self.latest.take()) {
            (None, _) => Some(lines.clone()),
            (Some(trusted), None) => Some(trusted),
            (Some(trusted), Some(before)) => Some(renewed(&trusted, &before, &lines)),
        };
        self.latest = Some(lines);
    }

    /// Looks at the newest groups of a column: the fewest from `least` on that tell. How many those were.
    pub(super) fn look(&self, column: usize, least: usize) -> (Look, usize) {
        let line = self.trusted.as_ref().and_then(|l| l.get(column));
        let (Some(line), Some(kept)) = (line, self.kept.get(column)) else {
            return (Look::Unknown, least);
        };
        let most = kept.len();
        let mut window = least.max(4);
        while window <= most {
            let look = self.look_at(line, kept, window);
            if look != Look::Unknown {
                return (look, window);
            }
            window += (window / 2).max(1);
        }
        (Look::Unknown, window)
    }

    /// Looks at so many groups and no more.
    pub(super) fn look_over(&self, column: usize, window: usize) -> Look {
        let line = self.trusted.as_ref().and_then(|l| l.get(column));
        match (line, self.kept.get(column)) {
            (Some(line), Some(kept)) if window <= kept.len() => self.look_at(line, kept, window),
            _ => Look::Unknown,
        }
    }

    fn look_at(&self, line: &Line, kept: &VecDeque<f64>, window: usize) -> Look {
        let n = window as f64;
        let first = self.groups - window;
        let step = Complex::from_polar(1.0, self.turn);
        let mut turned = line.phasor * Complex::from_polar(1.0, self.turn * first as f64);
        let (mut p, mut x, mut pp, mut xx, mut xp) = (0.0, 0.0, 0.0, 0.0, 0.0);
        for seen in kept.iter().skip(kept.len() - window) {
            let foreseen = turned.re;
            turned *= step;
            (p, x) = (p + foreseen, x + seen);
            (pp, xx, xp) = (pp + foreseen * foreseen, xx + seen * seen, xp + seen * foreseen);
        }
        let (e, s, c) = (pp - p * p / n, (xx - x * x / n).max(0.0), xp - x * p / n);
        let spread = (2.0 * n).sqrt() * line.variance;
        if !(e > 20.0 * spread && e > 300.0 * line.variance) {
            return Look::Unknown;
        }
        let noise = n * line.variance + 4.0 * spread;
        let (gain, left) = (c / e, s - c * c / e);
        if s < NOTHING * e + noise {
            Look::Gone
        } else if gain < -GOES_ON.0 && left < 0.15 * e + noise {
            Look::Reversed
        } else if gain > GOES_ON.0 && gain < GOES_ON.1 && left < 0.15 * e + noise {
            Look::There
        } else {
            Look::Otherwise
        }
    }
}

/// The lines to trust: of each column the newer one, unless the stretch after it shows that something happened.
fn renewed(trusted: &[Line], before: &[Line], lines: &[Line]) -> Vec<Line> {
    let pick = |((old, new), after): ((&Line, &Line), &Line)| {
        let close = |a: &Line, b: &Line| (a.phasor - b.phasor).norm() < 0.3 * b.phasor.norm();
        if close(new, old) && close(after, new) { *new } else { *old }
    };
    trusted.iter().zip(before).zip(lines).map(pick).collect()
}

#[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "clamped to the range of usize")]
fn whole(value: f64) -> usize {
    value.clamp(1.0, 1e7) as usize
}

fn whole_or_zero(value: u64) -> usize {
    usize::try_from(value).unwrap_or(usize::MAX)
}
