//! How far the armature still goes once a stop acts on the coil.
//!
//! Owns: the ways in which a coil is stopped, and the largest displacement that follows from a state. Must not: know when
//! a stop acts, or why.
//!
//! Each stop is free motion in one or two parts, so displacement is a weighted sum of the state, by weights that depend
//! on time alone. They are laid on a grid: eight a time constant of the braking coil over seven of them, then 64 a period
//! of the suspension over more than half of it. Whatever the damping, the largest displacement is the first turning point
//! on either side, and that comes within half a period; between two instants of the grid it is passed over by less than
//! 0.2 % of the way.
//!
//! For a sine in its steady state the weights act on phasors: the modulus is the largest over all phases at once.

use super::exponential::{Matrix, dot, identity, product};
use super::motion::{CURRENT, Coil, DISPLACEMENT, Machine, State, Steady};
use super::step::{Stepper, Tone};
use plan_schema::rig::{AmplifierMode, Mute};

/// What acts on the coil, from the moment when a stop begins to act.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Halt {
    /// The amplifier mutes.
    Muted(Mute),
    /// The drive is zero with the amplifier live, for this many seconds; then the amplifier mutes.
    Zeroed(f64, Mute),
}

const FINE_PER_CONSTANT: f64 = 8.0;
/// Step of a live amplifier that brakes at its limit, in time constants; each is taken in parts.
const LIVE_STEP: f64 = 0.4;
/// Shortest time for which an amplifier is live, in s: none at all can't be stepped through.
const SHORTEST_LIVE: f64 = 1e-6;
const FINE_COUNT: usize = 56;
const COARSE_PER_PERIOD: f64 = 64.0;
const COARSE_COUNT: usize = 36;

/// What follows from a state at the moment when a stop begins to act.
#[derive(Debug, Clone)]
pub(super) struct Reach {
    /// Weights of the displacement, from instant to instant.
    rows: Vec<State>,
    /// The largest of each weight.
    bound: State,
    live: Option<Live>,
}

/// A live amplifier brakes with no more current than it has.
#[derive(Debug, Clone)]
struct Live {
    /// Weights of the current while it is live.
    currents: Vec<State>,
    bound: State,
    machine: Machine,
    stepper: Stepper,
    steps: usize,
    muted: Box<Reach>,
}

impl Reach {
    /// What follows from a stop on a machine.
    #[must_use]
    pub(super) fn new(machine: &Machine, halt: Halt) -> Self {
        let muted = |mute| match mute {
            Mute::Shorts => Coil::Shorted,
            Mute::Opens => Coil::Imposed,
        };
        match halt {
            Halt::Muted(mute) => {
                let way = free_way(machine, muted(mute), f64::INFINITY);
                Self::of(way.iter().map(|m| m[DISPLACEMENT]).collect(), None)
            }
            Halt::Zeroed(over, mute) => {
                let coil = match machine.mode {
                    AmplifierMode::Voltage => Coil::Shorted,
                    AmplifierMode::Current => Coil::Imposed,
                };
                let first = free_way(machine, coil, over);
                let mut rows: Vec<State> = first.iter().map(|m| m[DISPLACEMENT]).collect();
                let last = first.last().copied().unwrap_or_else(identity);
                let second = free_way(machine, muted(mute), f64::INFINITY);
                rows.extend(second.iter().map(|m| product(m, &last)[DISPLACEMENT]));
                let live = (coil == Coil::Shorted).then(|| {
                    // Neither longer nor shorter than it is live.
                    let count = steps(over / (machine.braking() * LIVE_STEP));
                    let step = over.max(SHORTEST_LIVE) / f64::from(u32::try_from(count).unwrap_or(u32::MAX));
                    Live {
                        currents: first.iter().map(|m| m[CURRENT]).collect(),
                        bound: largest_weights(first.iter().map(|m| &m[CURRENT])),
                        machine: *machine,
                        stepper: Stepper::new(machine, Coil::Shorted, 0.0, step),
                        steps: count,
                        muted: Box::new(Self::new(machine, Halt::Muted(mute))),
                    }
                });
                Self::of(rows, live)
            }
        }
    }

    fn of(rows: Vec<State>, live: Option<Live>) -> Self {
        Self { bound: largest_weights(rows.iter()), rows, live }
    }

    /// Largest |displacement| from this state on, in m.
    #[must_use]
    pub(super) fn largest(&self, state: &State) -> f64 {
        match &self.live {
            Some(live) if live.is_limited(state) => live.largest(state),
            _ => self.rows.iter().fold(0.0, |most, row| dot(row, state).abs().max(most)),
        }
    }

    /// Whether the armature goes beyond a displacement.
    #[inline]
    #[must_use]
    pub(super) fn goes_beyond(&self, state: &State, limit: f64) -> bool {
        if self.bound(&state.map(f64::abs)) <= limit {
            return false;
        }
        // Braking with less current leads farther: what goes beyond without a limit needs no integration. What is no
        // number counts as beyond.
        !self.rows.iter().all(|row| dot(row, state).abs() <= limit)
            || self.live.as_ref().is_some_and(|live| live.is_limited(state) && live.largest(state) > limit)
    }

    /// Upper bound of the displacement that follows from any state within these magnitudes.
    #[inline]
    #[must_use]
    pub(super) fn bound(&self, magnitudes: &State) -> f64 {
        let free = dot(&self.bound, magnitudes);
        self.live.as_ref().map_or(free, |live| live.bound(magnitudes).max(free))
    }

    /// Largest |displacement| over all phases at which a steady sine is stopped, in m. Over 64 of them where a live
    /// amplifier brakes at its limit.
    #[must_use]
    pub(super) fn worst(&self, steady: &Steady) -> f64 {
        let states = steady.quadrature();
        let limited = self.live.as_ref().is_some_and(|live| {
            live.currents.iter().any(|row| turning(row, &states) > live.machine.current_limit)
        });
        if limited {
            // A phase and its opposite mirror each other.
            let half = (0..32u32).map(|n| std::f64::consts::PI * f64::from(n) / 32.0);
            return half.fold(0.0, |most, phase| self.largest(&steady.at(phase)).max(most));
        }
        self.over_phases(&states)
    }

    /// Largest |displacement| over all phases of a sine that is given a quarter of a turn apart, in m, no amplifier being
    /// limited.
    #[must_use]
    pub(super) fn over_phases(&self, states: &[State; 2]) -> f64 {
        self.rows.iter().fold(0.0, |most, row| turning(row, states).max(most))
    }
}

impl Live {
    /// Upper bound where the current comes to its limit, zero where it does not.
    ///
    /// The spring adds at most what it holds, `v_c² = v² + (ω₀ x)²`, and the current that flows pushes on for its own time
    /// constant, taken twice. From then on the limited current takes speed away, over `m v_c² / (2 Bl i)`, and what is
    /// left brakes freely, over `v_c τ`.
    fn bound(&self, magnitudes: &State) -> f64 {
        let machine = &self.machine;
        if dot(&self.bound, magnitudes) <= machine.current_limit {
            return 0.0;
        }
        let [current, velocity, displacement] = *magnitudes;
        let push = 2.0 * machine.inductance / machine.resistance * machine.force_factor * current;
        let spring = machine.stiffness / machine.mass * displacement * displacement;
        let speed = (velocity * velocity + spring).sqrt() + push / machine.mass;
        let brake = machine.braking_factor * machine.current_limit / machine.mass;
        displacement + speed * speed / (2.0 * brake) + speed * machine.braking()
    }

    fn is_limited(&self, state: &State) -> bool {
        bounded(&self.bound, state) > self.machine.current_limit
            && self.currents.iter().any(|row| dot(row, state).abs() > self.machine.current_limit)
    }

    fn largest(&self, state: &State) -> f64 {
        let mut state = *state;
        let mut zero = Tone::held(0.0);
        let mut most = state[DISPLACEMENT].abs();
        for _ in 0..self.steps {
            state = self.stepper.advance(&state, &mut zero);
            most = most.max(state[DISPLACEMENT].abs());
        }
        most.max(self.muted.largest(&state))
    }
}

/// Sum of the magnitudes of products.
fn bounded(weights: &State, state: &State) -> f64 {
    dot(weights, &state.map(f64::abs))
}

/// Modulus of a weighted sum of phasors, given by two phases a quarter of a turn apart.
fn turning(row: &State, states: &[State; 2]) -> f64 {
    dot(row, &states[0]).hypot(dot(row, &states[1]))
}

fn largest_weights<'a>(rows: impl Iterator<Item = &'a State>) -> State {
    rows.fold([0.0; 3], |most, row| std::array::from_fn(|c| row[c].abs().max(most[c])))
}

/// A number of steps as one, within reason.
#[must_use]
pub(super) fn steps(count: f64) -> usize {
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "clamped to the range of usize"
    )]
    let count = count.ceil().clamp(1.0, 20_000.0) as usize;
    count
}

/// What a state has become at each instant of the grid, up to a time (and at it, if it is finite).
#[must_use]
pub(super) fn free_way(machine: &Machine, coil: Coil, until: f64) -> Vec<Matrix<3>> {
    let mut now = identity::<3>();
    if coil == Coil::Imposed {
        // Nothing flows.
        now[CURRENT][CURRENT] = 0.0;
    }
    let mut way = vec![now];
    let mut time = 0.0;
    let fine = machine.braking() / FINE_PER_CONSTANT;
    let coarse = machine.period() / COARSE_PER_PERIOD;
    for (over, count) in [(fine, if coil == Coil::Imposed { 0 } else { FINE_COUNT }), (coarse, COARSE_COUNT)]
    {
        let step = machine.free(coil, over);
        for _ in 0..count {
            if time + over >= until {
                break;
            }
            now = product(&step, &now);
            time += over;
            way.push(now);
        }
    }
    if until.is_finite() {
        way.push(product(&machine.free(coil, until - time), &now));
    }
    way
}
