//! Whose departure it is: the motion's, or the reference's alone.
//!
//! Owns: a look at the channels that show the motion beside the reference, through the same notch, at the moment of a
//! departure. Must not: look for a departure itself; each of them may have troubles of its own.

use super::departure::Departure;
use super::notch::Notch;
use crate::interlock::told::Other;

/// Channels that are listened to; more add nothing.
const MOST: usize = 8;

/// Share of the reference's departure from which another channel shows it too.
const SHOWS: f64 = 0.4;

/// How much faster than a group the newest average is: a departure is at hand before a whole group has shown it.
const QUICK: f64 = 3.0;

/// Cycles over which the offset of a channel is averaged.
const CYCLES_OF_OFFSET: f64 = 5.0;

/// What a channel shows is compared with what it showed over the last so many groups: offsets are nothing new.
const GROUPS_BEFORE: f64 = 40.0;

#[derive(Debug, Clone, Copy, PartialEq)]
struct Channel {
    column: usize,
    /// m/s² for a volt.
    scale: f64,
    notch: Notch,
    begun: bool,
    /// What the notch leaves, over a group and over many, V.
    newest: f64,
    before: f64,
    /// What it shows itself over a group, and over many cycles, V.
    plain: f64,
    offset: f64,
}

/// Listens to the other channels.
#[derive(Debug, Clone, PartialEq, Default)]
pub(in crate::interlock) struct Others {
    channels: Vec<Channel>,
    /// Weights of a new sample in the averages over a group, over many, and over many cycles.
    weights: (f64, f64, f64),
    tone: (f64, f64),
}

impl Others {
    /// Listens at a tone; `reference` is the reference's sensitivity, V/(m/s²), and a group has so many samples.
    pub(in crate::interlock) fn tuned(
        &mut self,
        others: &[Other],
        (frequency, period): (f64, f64),
        reference: f64,
        group: f64,
    ) {
        let in_phase = |o: &&Other| o.plain || o.known;
        // At the same tone what was heard so far goes on.
        let heard =
            if self.tone == (frequency, period) { std::mem::take(&mut self.channels) } else { Vec::new() };
        let channel = |o: &Other| {
            let fresh = Channel {
                column: o.column,
                scale: 1.0,
                notch: Notch::new(frequency, period),
                begun: false,
                newest: 0.0,
                before: 0.0,
                plain: 0.0,
                offset: 0.0,
            };
            let before = heard.iter().find(|c| c.column == o.column).copied().unwrap_or(fresh);
            Channel { scale: 1.0 / (reference * o.ratio.norm() * o.ratio.re.signum()), ..before }
        };
        self.channels = others.iter().filter(in_phase).take(MOST).map(channel).collect();
        let group = group.max(1.0);
        let cycles = frequency * period / CYCLES_OF_OFFSET;
        self.weights = ((QUICK / group).min(1.0), 1.0 / (GROUPS_BEFORE * group), cycles.min(1.0));
        self.tone = (frequency, period);
    }

    /// Takes sample number `n` of a block.
    #[inline]
    pub(in crate::interlock) fn pass(&mut self, columns: &[&[f32]], n: usize) {
        let (fast, slow, slowest) = self.weights;
        for channel in &mut self.channels {
            let sample = columns.get(channel.column).and_then(|c| c.get(n));
            let Some(volts) = sample.map(|v| f64::from(*v)) else { continue };
            if !channel.begun {
                channel.begun = true;
                channel.notch = channel.notch.resting_at(volts);
                (channel.newest, channel.before) = (volts, volts);
                (channel.plain, channel.offset) = (volts, volts);
            }
            let left = channel.notch.pass(volts);
            channel.newest += fast * (left - channel.newest);
            channel.before += slow * (left - channel.before);
            channel.plain += fast * (volts - channel.plain);
            channel.offset += slowest * (volts - channel.offset);
        }
    }

    /// The acceleration that the others show, by the median of them; `None` without any.
    pub(in crate::interlock) fn motion(&self) -> Option<f64> {
        let mut shown = [0.0; MOST];
        for (to, channel) in shown.iter_mut().zip(&self.channels) {
            *to = (channel.plain - channel.offset) * channel.scale;
        }
        let shown = shown.get_mut(..self.channels.len().min(MOST))?;
        shown.sort_by(f64::total_cmp);
        shown.get(shown.len() / 2).copied()
    }

    /// True if the others show a departure of the reference, too, or if there are none to tell: the median decides. On the way
    /// what they show themselves is compared with what was foreseen, for there they have news of their own.
    pub(in crate::interlock) fn show(&self, departure: &Departure) -> bool {
        let foreseen = departure.foreseen.si();
        let size = departure.seen.si() - foreseen;
        let mut shown = [0.0; MOST];
        let count = self.channels.len().min(MOST);
        for (to, channel) in shown.iter_mut().zip(&self.channels) {
            *to = if departure.on_the_way {
                ((channel.plain - channel.offset) * channel.scale - foreseen) / size
            } else {
                (channel.newest - channel.before) * channel.scale / size
            };
        }
        let Some(shown) = shown.get_mut(..count) else { return true };
        shown.sort_by(f64::total_cmp);
        shown.get(count / 2).is_none_or(|median| *median >= SHOWS)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use nalgebra::Complex;
    use plan_schema::units::{AccelDc, SampleIndex};
    use std::f64::consts::TAU;

    /// Three channels, one of them dead: what two of them show counts.
    #[test]
    fn the_median_tells_whose_departure_it_is() {
        let other = |column, volts| Other { column, ratio: Complex::from(volts), plain: true, known: false };
        let run = |jumps: f64| {
            let mut others = Others::default();
            others.tuned(&[other(0, 1.0), other(1, 2.0), other(2, 1.0)], (10.0, 1e-4), 0.1, 5.0);
            for n in 0..20_005_u32 {
                let share = if n < 20_000 { 1.0 } else { jumps };
                let tone = share * (TAU * 10.0 * f64::from(n) * 1e-4 + 1.0).sin();
                #[expect(clippy::cast_possible_truncation, reason = "samples are f32")]
                let columns = [[(1.5 + 0.1 * tone) as f32], [(0.2 * tone) as f32], [0.0]];
                others.pass(&[&columns[0], &columns[1], &columns[2]], 0);
            }
            others
        };
        // At the end the tone would be at sin(1).
        let departure = |on_the_way| Departure {
            at: SampleIndex(20_005),
            seen: AccelDc::new(3.0 * 1f64.sin()),
            foreseen: AccelDc::new(1f64.sin()),
            allowed: AccelDc::new(0.3),
            on_the_way,
            at_rest: false,
        };
        for on_the_way in [false, true] {
            assert!(run(3.0).show(&departure(on_the_way)));
            assert!(!run(1.0).show(&departure(on_the_way)));
        }
        assert!(Others::default().show(&departure(false)), "nobody can say otherwise");
    }
}
