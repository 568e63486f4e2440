//! Whether the channels that show one motion agree about it.
//!
//! Owns: what is said of a reference that all others contradict, in sign or in size, at the start of a tone or from one
//! moment to the next. One sensor alone contradicts nothing in size: it is under test. Must not: judge a sensor.

use super::follow::Line;
use super::reference;
use super::told::Other;
use super::trip::{Trip, TripReason};
use nalgebra::Complex;
use std::f64::consts::PI;

/// A phase this far off is the other sign.
const OTHER_SIGN: f64 = PI * 2.0 / 3.0;

/// A phasor counts from so many of its standard deviations on.
const CLEAR: f64 = 10.0;

/// Largest factor by which all others may differ from what the registers say, one way: a tolerance of a sensor is never
/// near it (common practice, no source).
const FACTOR: f64 = 2.0;

/// Largest change of all others against the reference within one tone.
const CHANGE: f64 = 0.15;

/// How far the others may differ among themselves for their agreement to mean something.
const TOGETHER: f64 = 0.1;

/// What the others said of the reference when the tone began. A contradiction counts once it is seen twice in a row: a
/// stretch in which a line was cut shows a size, and a sign, that mean nothing.
#[derive(Debug, Clone, Default)]
pub(super) struct Agreement {
    first: Vec<(usize, f64)>,
    before: Option<TripReason>,
}

impl Agreement {
    /// Takes the lines of a stretch; a trip if all others contradict the reference, as they did before.
    pub(super) fn judge(&mut self, lines: &[Line], reference: usize, others: &[Other]) -> Option<Trip> {
        let found = self.contradiction(lines, reference, others);
        let before = std::mem::replace(&mut self.before, found.as_ref().map(|trip| trip.reason));
        found.filter(|trip| before == Some(trip.reason))
    }

    fn contradiction(&mut self, lines: &[Line], reference: usize, others: &[Other]) -> Option<Trip> {
        let seen = lines.get(reference).filter(|l| is_clear(l))?;
        let clear = |o: &Other| Some((*o, lines.get(o.column).filter(|l| is_clear(l))?.phasor / seen.phasor));
        let shown: Vec<(Other, Complex<f64>)> = others.iter().filter_map(clear).collect();
        reversed(&shown).or_else(|| self.sizes(&shown))
    }

    fn sizes(&mut self, shown: &[(Other, Complex<f64>)]) -> Option<Trip> {
        let plain = shown.iter().filter(|(o, _)| o.plain || o.known);
        let sizes: Vec<(usize, f64)> = plain.map(|(o, r)| (o.column, r.norm() / o.ratio.norm())).collect();
        let witnessed = shown.iter().any(|(o, _)| o.known);
        if self.first.is_empty() {
            self.first.clone_from(&sizes);
        }
        if sizes.len() < 2 && !witnessed {
            return None;
        }
        let all = |test: &dyn Fn(f64) -> bool| sizes.iter().all(|(_, s)| test(*s));
        if all(&|s| s > FACTOR) || all(&|s| s < 1.0 / FACTOR) {
            return Some(disagree(mean(sizes.iter().map(|(_, s)| *s)), "than the registers say"));
        }
        let changes: Vec<f64> = sizes
            .iter()
            .filter_map(|(column, s)| Some(s / self.first.iter().find(|(c, _)| c == column)?.1))
            .collect();
        let (least, most) = changes.iter().fold((f64::MAX, 0.0f64), |(l, m), c| (l.min(*c), m.max(*c)));
        let enough = changes.len() == sizes.len();
        let changed = least > 1.0 + CHANGE || most < 1.0 - CHANGE;
        (enough && changed && most / least < 1.0 + TOGETHER)
            .then(|| disagree(mean(changes.iter().copied()), "than when the tone began"))
    }
}

/// A reference of which every other channel says that it has the wrong sign.
fn reversed(shown: &[(Other, Complex<f64>)]) -> Option<Trip> {
    let mut plain = shown.iter().filter(|(o, _)| o.plain).peekable();
    plain.peek()?;
    plain.all(|(other, seen)| (seen / other.ratio).arg().abs() > OTHER_SIGN).then(reference::reversed)
}

fn disagree(factor: f64, what: &str) -> Trip {
    let message = format!(
        "all other channels show {factor:.2} times the motion of the reference {what}. The reference, its conditioner or \
         its range may have changed. Check them, then acknowledge."
    );
    let share = (factor - 1.0).abs() * 100.0;
    Trip::beyond(TripReason::ChannelsDisagree, share, CHANGE * 100.0, "percent", message)
}

fn is_clear(line: &Line) -> bool {
    line.phasor.norm() > CLEAR * line.deviation
}

#[expect(clippy::cast_precision_loss, reason = "a rig has few channels")]
fn mean(values: impl ExactSizeIterator<Item = f64>) -> f64 {
    let n = values.len().max(1) as f64;
    values.sum::<f64>() / n
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A reference of 1 V and others, as shares of what they should show.
    fn judge(agreement: &mut Agreement, shares: &[(f64, bool)]) -> Option<TripReason> {
        let line = |x: f64| Line { phasor: Complex::new(x, 0.0), variance: 1e-6, deviation: 1e-4 };
        let mut lines = vec![line(1.0)];
        lines.extend(shares.iter().map(|(s, _)| line(0.5 * s)));
        let others: Vec<Other> = shares
            .iter()
            .enumerate()
            .map(|(n, (_, known))| Other {
                column: n + 1,
                ratio: Complex::new(0.5, 0.0),
                plain: true,
                known: *known,
            })
            .collect();
        let once = agreement.judge(&lines, 0, &others);
        assert!(once.is_none(), "once is not enough");
        agreement.judge(&lines, 0, &others).map(|t| t.reason)
    }

    #[test]
    fn a_reference_that_all_others_contradict_trips() {
        let disagree = Some(TripReason::ChannelsDisagree);
        let reversed = Some(TripReason::ReferenceReversed);
        for (shares, reason) in [
            (vec![(1.0, false), (1.1, false)], None),
            (vec![(1.95, false), (2.1, false)], None),
            (vec![(2.05, false), (2.1, false)], disagree),
            (vec![(0.45, false), (0.49, false)], disagree),
            (vec![(2.5, false), (0.9, false)], None),
            // One sensor is under test; a witness is known.
            (vec![(2.5, false)], None),
            (vec![(2.5, true)], disagree),
            (vec![(-1.0, false), (-0.9, false)], reversed),
            (vec![(-1.0, false), (1.0, false)], None),
            (vec![], None),
        ] {
            assert_eq!(judge(&mut Agreement::default(), &shares), reason, "{shares:?}");
        }
    }

    #[test]
    fn a_change_of_all_within_a_tone_trips() {
        for (after, trips) in
            [([1.14, 1.16], false), ([1.16, 1.2], true), ([0.8, 0.84], true), ([0.8, 1.0], false)]
        {
            let mut agreement = Agreement::default();
            assert_eq!(judge(&mut agreement, &[(1.0, false), (1.0, false)]), None);
            let seen = judge(&mut agreement, &[(after[0], false), (after[1], false)]);
            assert_eq!(seen, trips.then_some(TripReason::ChannelsDisagree), "{after:?}");
        }
    }
}
