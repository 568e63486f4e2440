//! Steps of the machine while an amplifier drives it.
//!
//! Owns: the exact step for a tone or a held input, and how the amplifier's limits act within one. Must not: know faults
//! or stops.
//!
//! A step is the exponential of the equations with those of the drive attached (C. F. Van Loan, Computing integrals
//! involving the matrix exponential, 1978): a sine has no error of interpolation. Where the amplifier limits, the voltage
//! goes linearly between its limited ends, and a limit of current is kept at the end of each step: off by
//! (ω h)²/12 relative.

use super::exponential::{Matrix, dot, exponential};
use super::motion::{CURRENT, Coil, Machine, State, VELOCITY};
use plan_schema::rig::AmplifierMode;

/// What is asked of the amplifier, V or A: `amplitude · cos θ`, where θ goes on from step to step. A [`Stepper`] without
/// frequency holds it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Tone {
    pub(super) amplitude: f64,
    pub(super) cos: f64,
    pub(super) sin: f64,
}

impl Tone {
    /// The value now.
    #[must_use]
    pub(super) fn value(&self) -> f64 {
        self.amplitude * self.cos
    }

    /// A value that is held.
    #[must_use]
    pub(super) fn held(value: f64) -> Self {
        Self { amplitude: value, cos: 1.0, sin: 0.0 }
    }
}

/// Weights of one step.
#[derive(Debug, Clone, PartialEq)]
struct Step {
    own: Matrix<3>,
    /// Of `amplitude cos θ` and `amplitude sin θ` at the start.
    tone: [[f64; 2]; 3],
    /// Of an input that is held.
    held: State,
    /// Of an input that rises from 0 to 1 over the step.
    rising: State,
}

impl Step {
    fn new(machine: &Machine, coil: Coil, omega: f64, over: f64) -> Self {
        let (a, b) = machine.equations(coil);
        let mut m: Matrix<7> = [[0.0; 7]; 7];
        for (row, (from, gain)) in m.iter_mut().zip(a.iter().zip(b)) {
            row[..3].copy_from_slice(from);
            row[3] = gain;
            row[5] = gain;
        }
        // cos' = −ω sin, sin' = ω cos; held' = its rise.
        m[3][4] = -omega;
        m[4][3] = omega;
        m[5][6] = 1.0 / over;
        let e = exponential(&m, over);
        let row = |r: usize| e[r];
        Self {
            own: std::array::from_fn(|r| [row(r)[0], row(r)[1], row(r)[2]]),
            tone: std::array::from_fn(|r| [row(r)[3], row(r)[4]]),
            held: std::array::from_fn(|r| row(r)[5]),
            rising: std::array::from_fn(|r| row(r)[6]),
        }
    }

    #[inline]
    fn sine(&self, state: &State, tone: &Tone) -> State {
        let (c, s) = (tone.amplitude * tone.cos, tone.amplitude * tone.sin);
        std::array::from_fn(|r| dot(&self.own[r], state) + self.tone[r][0] * c + self.tone[r][1] * s)
    }

    #[inline]
    fn chord(&self, state: &State, start: f64, end: f64) -> State {
        let rise = end - start;
        std::array::from_fn(|r| dot(&self.own[r], state) + self.held[r] * start + self.rising[r] * rise)
    }
}

/// Steps a machine with a live amplifier, its limits kept.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Stepper {
    machine: Machine,
    whole: Length,
    /// Where the amplifier limits, a step is taken in parts: a limit comes and goes at the end of one.
    part: Length,
    parts: u32,
}

/// Parts of a step at a limit. One is enough where a step is short beside the time in which the coil brakes: what a limit
/// that comes late leaves is then little.
const PARTS: u32 = 4;
const SHORT: f64 = 1.0 / 16.0;

/// Steps of one length.
#[derive(Debug, Clone, PartialEq)]
struct Length {
    over: f64,
    /// Sine and cosine of the tone's turn.
    turn: (f64, f64),
    voltage: Step,
    /// Of a current that is imposed, in current mode.
    current: Option<Step>,
}

impl Length {
    fn new(machine: &Machine, coil: Coil, omega: f64, over: f64) -> Self {
        let current = (machine.mode == AmplifierMode::Current && coil != Coil::Shorted)
            .then(|| Step::new(machine, Coil::Imposed, omega, over));
        let coil = if coil == Coil::Shorted { Coil::Shorted } else { Coil::Driven };
        Self { over, turn: (omega * over).sin_cos(), voltage: Step::new(machine, coil, omega, over), current }
    }

    /// The tone a step later.
    #[inline]
    fn turned(&self, tone: &Tone) -> Tone {
        let (sin, cos) = self.turn;
        Tone { cos: tone.cos * cos - tone.sin * sin, sin: tone.sin * cos + tone.cos * sin, ..*tone }
    }
}

impl Stepper {
    /// Steps of `over` seconds for a tone of angular frequency `omega`.
    #[must_use]
    pub(crate) fn new(machine: &Machine, coil: Coil, omega: f64, over: f64) -> Self {
        let parts = if over < SHORT * machine.braking() { 1 } else { PARTS };
        let whole = Length::new(machine, coil, omega, over);
        let part = if parts == 1 {
            whole.clone()
        } else {
            Length::new(machine, coil, omega, over / f64::from(parts))
        };
        Self { machine: *machine, whole, part, parts }
    }

    /// Length of a step, in s.
    #[must_use]
    pub(super) fn over(&self) -> f64 {
        self.whole.over
    }

    /// The state a step later; the tone goes along.
    #[inline]
    #[must_use]
    pub(super) fn advance(&self, state: &State, tone: &mut Tone) -> State {
        let last = self.whole.turned(tone);
        let free = match &self.whole.current {
            None => self.freely_by_voltage(state, tone, &last),
            Some(step) => self.freely_by_current(step, state, tone, &last),
        };
        let next = free.unwrap_or_else(|| self.in_parts(state, *tone));
        *tone = last;
        next
    }

    fn in_parts(&self, state: &State, mut tone: Tone) -> State {
        let mut state = *state;
        for _ in 0..self.parts {
            let last = self.part.turned(&tone);
            state = match &self.part.current {
                None => self.by_voltage(&state, &tone, &last),
                Some(step) => self.by_current(step, &state, &tone, &last),
            };
            tone = last;
        }
        state
    }

    /// As [`Self::advance`] for an input that goes linearly from one value to another and comes to no limit.
    #[inline]
    #[must_use]
    pub(crate) fn along(&self, state: &State, start: f64, end: f64) -> State {
        match &self.whole.current {
            None => self.whole.voltage.chord(state, start, end),
            Some(step) => {
                let mut next = step.chord(state, start, end);
                next[CURRENT] = end;
                next
            }
        }
    }

    /// A whole step, if no limit shows at its ends.
    #[inline]
    fn freely_by_voltage(&self, state: &State, first: &Tone, last: &Tone) -> Option<State> {
        let limit = self.machine.voltage_limit;
        let next = self.whole.voltage.sine(state, first);
        let free = first.value().abs() <= limit
            && last.value().abs() <= limit
            && next[CURRENT].abs() <= self.machine.current_limit;
        free.then_some(next)
    }

    fn by_voltage(&self, state: &State, first: &Tone, last: &Tone) -> State {
        let limit = self.machine.voltage_limit;
        let step = &self.part.voltage;
        let (start, end) = (first.value().clamp(-limit, limit), last.value().clamp(-limit, limit));
        let mut next = if first.value().abs() <= limit && last.value().abs() <= limit {
            step.sine(state, first)
        } else {
            step.chord(state, start, end)
        };
        let most = self.machine.current_limit;
        if next[CURRENT].abs() > most {
            // The amplifier lowers its voltage to what reaches the limit at the end of the step, as far as it has any.
            let lower = (next[CURRENT].clamp(-most, most) - next[CURRENT]) / step.held[CURRENT];
            let lower = lower.max(-limit - start.min(end)).min(limit - start.max(end));
            for (value, weight) in next.iter_mut().zip(&step.held) {
                *value += weight * lower;
            }
        }
        next
    }

    /// Mean voltage that the coil takes on the way between two states.
    fn voltage(&self, over: f64, state: &State, next: &State) -> f64 {
        let machine = &self.machine;
        machine.inductance * (next[CURRENT] - state[CURRENT]) / over
            + 0.5 * machine.resistance * (state[CURRENT] + next[CURRENT])
            + 0.5 * machine.force_factor * (state[VELOCITY] + next[VELOCITY])
    }

    /// A whole step, if the current is what is asked for and no limit shows.
    #[inline]
    fn freely_by_current(&self, step: &Step, state: &State, first: &Tone, last: &Tone) -> Option<State> {
        let most = self.machine.current_limit;
        let follows = (state[CURRENT] - first.value()).abs() <= 1e-9 * most;
        let mut next = step.sine(state, first);
        next[CURRENT] = last.value();
        let free = follows
            && last.value().abs() <= most
            && self.voltage(self.whole.over, state, &next).abs() <= self.machine.voltage_limit;
        free.then_some(next)
    }

    fn by_current(&self, step: &Step, state: &State, first: &Tone, last: &Tone) -> State {
        let most = self.machine.current_limit;
        let (start, end) = (state[CURRENT], last.value().clamp(-most, most));
        let follows = (start - first.value()).abs() <= 1e-9 * most && last.value().abs() <= most;
        let mut next = if follows { step.sine(state, first) } else { step.chord(state, start, end) };
        next[CURRENT] = end;
        let limit = self.machine.voltage_limit;
        let voltage = self.voltage(self.part.over, state, &next);
        if voltage.abs() <= limit {
            return next;
        }
        let limited = voltage.clamp(-limit, limit);
        self.part.voltage.chord(state, limited, limited)
    }
}
