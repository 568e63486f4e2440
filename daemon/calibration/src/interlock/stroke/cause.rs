//! What made an acceleration leave what was foreseen.
//!
//! Owns: the comparison of what was seen, from where it began to leave until now, with what each cause would have shown. Must
//! not: wait for more. A stop is under way already; only its name is looked for.
//!
//! With `f` the tone as foreseen, `o` what the others show, `h` the tone as it was before its change, and `c` what a line at 0 V shows:
//!
//! | cause | shows | motion |
//! |---|---|---|
//! | the line is open | `c` | goes on |
//! | it turned round | `2c − o` | goes on |
//! | the source stayed as it was | `h` | the same |
//! | nothing drives the coil | what the machine does without a drive | the same |
//! | the source holds its voltage | what the machine does with it | the same |
//! | another gain | what the machine does with the input times something | the same |

use super::recent::{Group, Recent};
use crate::hazard::{Coil, Machine, State, Stepper};
use crate::interlock::observer::Departure;
use nalgebra::{Matrix2, Vector2};
use std::collections::VecDeque;

/// From this share of what is allowed on, it counts as having begun to leave.
const BEGAN: f64 = 0.25;

/// Groups that are taken after a departure.
pub(super) const AFTER: usize = 64;

/// Groups for which that is looked back at most.
const BACK: usize = AFTER;

/// The others show another motion if they are this share of the departure's energy away from the reference.
const APART: f64 = 0.1;

/// From this share of the largest distance between reference and others on, they count as parted.
const PARTED: f64 = 0.25;

/// Share of what the reference made beside its tone from which the others make it too: sensors answer later than the reference,
/// and may be at the end of their range.
const FOLLOWS: f64 = 0.15;

/// Angle of the tone, rad, over which it is known what the others show of it.
const TURNED: f64 = 0.8;

/// They go on as foreseen if they leave that by no more than this share of it.
const CALM: f64 = 0.25;

/// What a cause leaves over of the departure's energy up to which nothing speaks against it.
const EXPLAINS: f64 = 0.05;

/// A gain that is another one by less makes no departure.
const OTHER_GAIN: f64 = 1.2;

/// With fewer groups than this the machine can't be told from a jump.
const JUMPS: usize = 4;

/// Why the acceleration left what was foreseen.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Cause {
    /// The reference's line is open.
    Open,
    /// It turned round.
    Reversed,
    /// The source stayed as it was, or holds its voltage, while its tone should change.
    NotFollowing,
    /// Nothing drives the coil, or a direct voltage does.
    Ceased,
    /// The motion is more than it was.
    More,
}

/// The machine and what a line at 0 V shows, m/s².
pub(super) struct Bench<'a> {
    pub(super) machine: &'a Machine,
    pub(super) period: f64,
    pub(super) line_at_zero: f64,
}

/// The cause of a departure; `None` if too little is known of the tone to tell.
pub(super) fn cause(bench: &Bench<'_>, recent: &Recent, departure: &Departure) -> Option<Cause> {
    let groups = recent.groups();
    let began = began(groups, departure)?;
    let window = || groups.iter().skip(began);
    let left = |of: fn(&Group) -> f64| window().map(|g| (g.seen - of(g)).powi(2)).sum::<f64>();
    let energy = left(|g| g.tone.now());
    // The last one at which all was well.
    let since = || groups.iter().skip(began.saturating_sub(1));
    let follow = || others_follow(groups.iter().take(began), window());
    if let Some(cause) = of_reference(window(), bench.line_at_zero, follow) {
        return Some(cause);
    }
    let stopped = if departure.on_the_way { Cause::NotFollowing } else { Cause::Ceased };
    let stayed = departure.on_the_way && left(|g| g.tone.before()) < EXPLAINS * energy;
    let more = if stayed {
        false
    } else if window().count() < JUMPS {
        window().last().is_some_and(|group| jumped_up(bench.machine, group))
    } else {
        is_another_gain(bench, &since)
    };
    Some(if more { Cause::More } else { stopped })
}

/// Whether the others show another motion than the reference, and what its line then shows. The moment of a change of tone is
/// not known well, so that they, not what was foreseen, tell what it should have shown, and when it ceased to.
fn of_reference<'a>(
    window: impl Iterator<Item = &'a Group> + Clone,
    line_at_zero: f64,
    others_follow: impl FnOnce() -> bool,
) -> Option<Cause> {
    let distance = |g: &Group| (g.seen - g.others.unwrap_or(g.seen)).abs();
    let farthest = window.clone().map(distance).fold(0.0, f64::max);
    let parted = window.skip_while(|g| distance(g) < PARTED * farthest);
    // In the first group it may have been right for a part.
    let skipped = usize::from(parted.clone().nth(1).is_some());
    let parted = parted.skip(skipped);
    let sum = |of: fn(&Group, f64) -> f64| parted.clone().map(|g| of(g, line_at_zero).powi(2)).sum::<f64>();
    let energy = sum(|g, _| g.seen - g.tone.now());
    let left_of_others = sum(|g, _| g.others.unwrap_or(g.seen) - g.tone.now());
    let apart = sum(|g, _| g.seen - g.others.unwrap_or(g.seen));
    let open = sum(|g, zero| g.seen - zero);
    let reversed = sum(|g, zero| g.seen - (2.0 * zero - g.others.unwrap_or(g.tone.now())));
    // A contact that opens and closes shows neither for long, but the others go on as foreseen.
    let calm = left_of_others < CALM * energy;
    let turned = reversed < open.min(0.5 * apart);
    let shows = open.min(reversed);
    // On the way the tone is not known well enough to say who follows, but what the line shows says it by itself.
    let says = shows < EXPLAINS * apart || ((calm || shows < 0.5 * apart) && !others_follow());
    let of_reference = apart > APART * energy && says;
    of_reference.then_some(if turned { Cause::Reversed } else { Cause::Open })
}

/// Whether the others have begun to do what the reference does beside its tone. `well` are the groups at which all was well: by
/// them it is known what of the tone the others show, and how late.
fn others_follow<'a>(
    well: impl Iterator<Item = &'a Group> + Clone,
    window: impl Iterator<Item = &'a Group> + Clone,
) -> bool {
    let Some(shows) = Shows::of(well) else { return false };
    let left = |g: &Group| g.seen - g.tone.now();
    let most = window.clone().map(|g| left(g).abs()).fold(0.0, f64::max);
    let far = || window.clone().filter(|g| left(g).abs() >= 0.5 * most);
    // The latest of them: it takes sensors some samples to follow.
    let count = far().count();
    let (mut both, mut own) = (0.0, 0.0);
    for group in far().skip(count - count.div_ceil(4)) {
        let (Some(others), Some(should)) = (group.others, shows.at(group)) else { return false };
        both += (others - should) * left(group);
        own += left(group).powi(2);
    }
    both > FOLLOWS * own
}

/// What others show of a tone.
struct Shows {
    /// Its shares in phase and a quarter of a cycle before.
    shares: Vector2<f64>,
    /// Largest tone by which that is known, m/s².
    largest: f64,
}

impl Shows {
    /// By least squares over a good part of a cycle; of less of it the others are taken to show the tone as it is. `None` where
    /// nothing is known of them.
    fn of<'a>(well: impl Iterator<Item = &'a Group> + Clone) -> Option<Self> {
        let (mut normal, mut right) = (Matrix2::zeros(), Vector2::zeros());
        let mut largest = 0.0_f64;
        for group in well.clone() {
            let row = Self::row(group);
            normal += row * row.transpose();
            right += row * group.others?;
            largest = largest.max(row.norm());
        }
        let first = well.clone().next()?.tone.phasor();
        let turned = (well.last()?.tone.phasor() * first.conj()).arg();
        let solved = (turned.abs() > TURNED).then(|| normal.cholesky()).flatten();
        Some(Self { shares: solved.map_or(Vector2::new(1.0, 0.0), |normal| normal.solve(&right)), largest })
    }

    fn row(group: &Group) -> Vector2<f64> {
        let tone = group.tone.phasor();
        Vector2::new(tone.re, tone.im)
    }

    /// What they should show, m/s²; `None` of a tone that is much larger than any by which that is known.
    fn at(&self, group: &Group) -> Option<f64> {
        let row = Self::row(group);
        (row.norm() <= 2.0 * self.largest).then(|| self.shares.dot(&row))
    }
}

/// Whether the push of the drive became larger at once. Below the resonance the acceleration goes against the push: how what is
/// seen compares with the tone tells nothing, the step from the one to the other does.
fn jumped_up(machine: &Machine, group: &Group) -> bool {
    let (_, input) = group.tone.state(machine);
    let push = machine.push(input);
    (group.seen - group.tone.now()) * push.signum() > (OTHER_GAIN - 1.0) * push.abs()
}

/// Whether what was seen is a tone of another, larger gain rather than a voltage that is held.
fn is_another_gain<'a, I: Iterator<Item = &'a Group>>(bench: &Bench<'_>, window: &dyn Fn() -> I) -> bool {
    let [free, forced, held] =
        [Played::Free, Played::Forced, Played::Held].map(|what| played(bench, window(), what));
    let driven = || window().zip(&free).zip(&forced).map(|((g, free), forced)| (g.seen - free, *forced));
    let add =
        |(both, own): (f64, f64), (seen, forced): (f64, f64)| (both + seen * forced, own + forced * forced);
    let (both, own) = driven().fold((0.0, 0.0), add);
    if own <= 0.0 {
        return false;
    }
    let gain = both / own;
    let other: f64 = driven().map(|(seen, forced)| (seen - gain * forced).powi(2)).sum();
    let held: f64 = window().zip(&held).map(|(g, held)| (g.seen - held).powi(2)).sum();
    gain > OTHER_GAIN && other < held
}

/// The group from which on it left what was foreseen.
fn began(groups: &VecDeque<Group>, departure: &Departure) -> Option<usize> {
    #[expect(clippy::cast_precision_loss, reason = "exact below 2^53 samples")]
    let at = departure.at.0 as f64;
    let there = groups.iter().position(|g| g.at >= at).unwrap_or(groups.len().checked_sub(1)?);
    let leaves = |n: &usize| {
        let away = groups.get(*n).map_or(0.0, |g| (g.seen - g.tone.now()).abs());
        away > BEGAN * departure.allowed.si()
    };
    let back = (there.saturating_sub(BACK)..there).rev().take_while(leaves).last();
    Some(back.unwrap_or(there))
}

/// What drives the machine from a group on.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Played {
    /// Nothing; it goes on from the motion that it has.
    Free,
    /// The input of the tone, from rest.
    Forced,
    /// The input that it had, from the motion that it has.
    Held,
}

/// The machine's acceleration at each group. Free and forced, times a gain, add up to what another gain makes of a tone.
fn played<'a>(bench: &Bench<'_>, groups: impl Iterator<Item = &'a Group>, what: Played) -> Vec<f64> {
    let machine = bench.machine;
    let mut stepper: Option<(f64, Stepper)> = None;
    let mut now: Option<(f64, State, f64)> = None;
    let mut next = |group: &Group| {
        let (motion, input) = group.tone.state(machine);
        let (at, mut state, before) = now.unwrap_or(match what {
            Played::Free => (group.at, motion, 0.0),
            Played::Forced => (group.at, State::default(), 0.0),
            Played::Held => (group.at, motion, input),
        });
        let after = match what {
            Played::Free => 0.0,
            Played::Forced => input,
            Played::Held => before,
        };
        let samples = group.at - at;
        if samples > 0.0 {
            let same = stepper.take().filter(|(length, _)| (*length - samples).abs() < 0.5);
            let (_, step) = same.unwrap_or_else(|| {
                (samples, Stepper::new(machine, Coil::Driven, 0.0, samples * bench.period))
            });
            state = step.along(&state, before, after);
            stepper = Some((samples, step));
        }
        now = Some((group.at, state, after));
        machine.acceleration(&state)
    };
    groups.map(&mut next).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::interlock::observer::Foretold;
    use nalgebra::Complex;
    use plan_schema::units::Hertz;

    /// A tenth of a cycle of a tone of 1 m/s²; the reference's line at 0 V shows 0.1 m/s².
    fn groups(seen: fn(f64) -> f64, others: fn(f64) -> Option<f64>) -> Vec<Group> {
        let at = |n: u32| Complex::from_polar(1.0, 0.5 + 0.03 * f64::from(n));
        let tone = |n| Foretold::at(Hertz::new(10.0), at(n), 1.0, 0.2);
        let group = |n| Group {
            at: f64::from(10 * n),
            seen: seen(tone(n).now()),
            tone: tone(n),
            others: others(tone(n).now()),
        };
        (0..20).map(group).collect()
    }

    #[test]
    fn others_that_go_on_say_that_it_is_the_references_line() {
        let named = |seen, others| of_reference(groups(seen, others).iter(), 0.1, || false);
        let goes_on: fn(f64) -> Option<f64> = |tone| Some(1.03 * tone);
        assert_eq!(named(|_| 0.1, goes_on), Some(Cause::Open));
        assert_eq!(named(|tone| 0.2 - tone, goes_on), Some(Cause::Reversed));
        // On and off again: nothing fits but that the others go on.
        assert_eq!(named(|tone| if tone > 0.75 { 0.1 } else { tone }, goes_on), Some(Cause::Open));
        // They do the same, or there are none.
        assert_eq!(named(|_| 0.0, |_| Some(0.02)), None);
        assert_eq!(named(|tone| 3.0 * tone, |tone| Some(2.9 * tone)), None);
        assert_eq!(named(|_| 0.1, |_| None), None);
    }

    /// Sensors that answer some groups later, or are at the end of their range, follow a motion; what they are off by is no news.
    #[test]
    fn who_follows_moves_too() {
        let at = |n: u32| Complex::from_polar(1.0, 1.9 + 0.03 * f64::from(n));
        let follows = |seen: fn(u32, f64) -> f64, others: fn(u32, f64) -> f64| {
            let group = |n| {
                let tone = Foretold::at(Hertz::new(100.0), at(n), 1.0, 0.2);
                // 20° later than the reference, and 4 % too large.
                let late = 1.04 * (at(n) * Complex::from_polar(1.0, -0.35)).re;
                let seen = seen(n, tone.now());
                Group { at: f64::from(n), seen, tone, others: Some(others(n, late)) }
            };
            let groups: Vec<Group> = (0..48).map(group).collect();
            let (well, window) = groups.split_at(40);
            others_follow(well.iter(), window.iter())
        };
        let jumps: fn(u32, f64) -> f64 = |n, tone| if n < 40 { tone } else { 3.0 * tone };
        assert!(follows(jumps, |n, late| if n < 44 { late } else { 2.0 * late }));
        assert!(follows(jumps, |n, late| if n < 42 { late } else { (3.0 * late).clamp(-1.6, 1.6) }));
        assert!(!follows(jumps, |_, late| late));
        let opens: fn(u32, f64) -> f64 = |n, tone| if n < 40 { tone } else { 0.0 };
        assert!(!follows(opens, |_, late| late));
        assert!(follows(opens, |n, late| if n < 43 { late } else { 0.2 * late }));
    }

    /// In the stiff part of a suspension a tone accelerates against the push of its drive: three times the gain shows as a step
    /// to the other side, no gain at all as a step to the same. 0.3 kg, 9 N/A, 3 Ω (Newton's second law).
    #[test]
    fn a_step_of_the_push_tells_a_gain_that_jumps() {
        let machine = crate::hazard::portable();
        // A tone of 0.1 m/s² at 1 Hz, a quarter of the resonance.
        let tone = Foretold::at(Hertz::new(1.0), Complex::new(0.1, 0.0), 1.0, 1.0);
        let push = machine.push(tone.state(&machine).1);
        assert!(push * tone.now() < 0.0 && push.abs() > 10.0 * tone.now().abs(), "{push}");
        let jumped = |gain: f64| {
            let seen = tone.now() + (gain - 1.0) * push;
            jumped_up(&machine, &Group { at: 0.0, seen, tone, others: None })
        };
        assert!(jumped(3.0) && jumped(1.3));
        assert!(!jumped(1.0) && !jumped(0.7) && !jumped(0.0));
    }
}
