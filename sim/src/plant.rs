//! Amplifier and shaker in motion, from sample to sample. Pure.
//!
//! Owns: the state, and the choice between two ways of stepping it.
//! - *Within the limits* of voltage, current and stroke the linear equations are stepped exactly (`discretise`). What the
//!   shaker does beyond them (`bend`) is added as pushes that go linearly within the sample: foreseen from the sample
//!   before, then worked out once more from where that leads. A push is a few percent of the whole, and its chord is off
//!   by (w h)²/12 of it, h the time of a sample. A linear rig has no pushes, and is exact.
//! - *At a limit* the sample is cut into [`PARTS`] parts (`parts`). Whether a limit is near is judged by the amplitude
//!   that value and slope mean for the frequency of the drive, so that no peak between two samples is missed.
//!
//! A coil that warms up has pushes for its resistance; beyond 0.2 % the linear equations take it up.

mod parts;
#[cfg(test)]
mod tests;

#[cfg(test)]
pub(crate) use tests::portable;

use crate::amplifier::AmplifierTruth;
use crate::bend::{BendTerms, Pushes};
use crate::discretise::{Matrix, ToneStep, Wave, dot, matrix, ramps};
use crate::shaker::{AIM, CURRENT, Coil, POSITION, ShakerTruth, State, VELOCITY};
use crate::thermal::CoilHeat;
use nalgebra::DMatrix;
use plan_schema::rig::AmplifierMode;

/// Parts of a sample at a limit.
pub(crate) const PARTS: usize = 16;

/// Contacts with a stop whose speed is kept.
const SPEEDS_KEPT: usize = 100;

/// Share by which the resistance may be off before the linear equations take it up.
const RESISTANCE_OFF: f64 = 0.002;

/// Felt acceleration at start and end of each part of a sample.
pub(crate) type Parts = [[f64; 2]; PARTS];

/// The [`Pushes`] at the start of a sample and those at its end, or the weights of them.
pub(crate) type Push = [f64; 6];

/// How the plant went from one sample to the next: what a filter on the table needs to go along.
#[derive(Debug, Clone)]
pub(crate) struct Passage {
    /// The state before.
    pub(crate) before: State,
    /// What drove it.
    pub(crate) wave: Wave,
    /// Whether there were pushes beyond the linear equations, and which.
    pub(crate) bent: bool,
    pub(crate) push: Push,
    /// Whether the sample was cut into parts, and what was felt in them.
    pub(crate) in_parts: bool,
    pub(crate) parts: Parts,
}

/// The largest of what happened so far.
#[derive(Debug, Clone, Default)]
pub(crate) struct Extremes {
    /// Largest distance from the middle between the stops, in m.
    pub(crate) displacement: f64,
    /// The same since it was last taken.
    pub(crate) lately: f64,
    /// Largest current, in A.
    pub(crate) current: f64,
    /// Contacts with a stop.
    pub(crate) stop_hits: u32,
    /// Largest speed at a contact, and the speeds of the first contacts, in m/s.
    pub(crate) hit_speed: f64,
    pub(crate) hit_speeds: Vec<f64>,
}

impl Extremes {
    #[inline]
    pub(crate) fn note_displacement(&mut self, position: f64) {
        self.displacement = self.displacement.max(position.abs());
        self.lately = self.lately.max(position.abs());
    }
}

/// Amplifier and shaker.
#[derive(Clone)]
pub(crate) struct Plant {
    shaker: ShakerTruth,
    amplifier: AmplifierTruth,
    heat: Option<CoilHeat>,
    period: f64,
    coil: Coil,
    omega: f64,
    exact: ToneStep<4>,
    /// True where the shaker has pushes beyond its linear equations.
    bent: bool,
    terms: BendTerms,
    /// Weights of the pushes on velocity and current, at start and end of a sample: of the first three states.
    push: [[f64; 4]; 3],
    /// The pushes now, and how they changed over the last sample.
    pushes: Pushes,
    rise: Pushes,
    parts: parts::PartSteps,
    state: State,
    acceleration: f64,
    passage: Passage,
    limited: bool,
    /// True while the current is not the one that a current amplifier aims at.
    astray: bool,
    on_stop: bool,
    /// True if something changed that the world has to take up.
    news: bool,
    was_too_warm: bool,
    /// Rise of the coil's resistance from sample to sample, in ohm.
    warming: f64,
    pub(crate) extremes: Extremes,
}

impl Plant {
    /// At rest where the suspension lets it lie.
    pub(crate) fn new(
        mut shaker: ShakerTruth,
        amplifier: AmplifierTruth,
        heat: Option<CoilHeat>,
        coil: Coil,
        period: f64,
    ) -> Self {
        if let Some(heat) = &heat {
            shaker.resistance = heat.resistance();
        }
        let terms = terms(&shaker);
        let (a, b) = shaker.equations(coil, &amplifier);
        let mut plant = Self {
            exact: ToneStep::new(&a, &b, 0.0, period),
            bent: heat.is_some() || !shaker.bend.is_straight(),
            terms,
            push: [[0.0; 4]; 3],
            pushes: [0.0; 3],
            rise: [0.0; 3],
            parts: parts::PartSteps::new(&shaker, &amplifier, period),
            shaker,
            amplifier,
            heat,
            period,
            coil,
            omega: 0.0,
            state: [0.0; 4],
            acceleration: 0.0,
            passage: Passage {
                before: [0.0; 4],
                wave: [0.0; 5],
                bent: false,
                push: [0.0; 6],
                in_parts: false,
                parts: [[0.0; 2]; PARTS],
            },
            limited: false,
            astray: false,
            on_stop: false,
            news: false,
            was_too_warm: false,
            warming: 0.0,
            extremes: Extremes { hit_speeds: Vec::with_capacity(SPEEDS_KEPT), ..Extremes::default() },
        };
        plant.lie_down();
        plant.fit();
        plant
    }

    /// Puts the armature where spring and gravity hold it, with no current.
    fn lie_down(&mut self) {
        if !self.bent {
            return;
        }
        let pull = |x: f64| self.shaker.acceleration(0.0, x, 0.0) + self.terms.at(0.0, x, 0.0)[0];
        let stop = self.shaker.stop;
        let (mut low, mut high) = (-stop, stop);
        // Halved until nothing is left between; at a stop it stays against it.
        for _ in 0..100 {
            let middle = 0.5 * (low + high);
            if pull(middle) > 0.0 {
                low = middle;
            } else {
                high = middle;
            }
        }
        let straight = pull(0.0) == 0.0;
        self.state[POSITION] = if straight { 0.0 } else { 0.5 * (low + high) };
        self.on_stop = self.state[POSITION].abs() >= stop * (1.0 - 1e-12);
        self.extremes.note_displacement(self.state[POSITION]);
    }

    /// Makes the steps of the equations as they are now.
    fn fit(&mut self) {
        let (a, b) = self.equations();
        self.exact = ToneStep::new(&a, &b, self.omega, self.period);
        self.parts.turn(self.omega, self.period);
        if self.bent {
            let pushed = self.pushed();
            let inputs = DMatrix::from_fn(4, 2, |r, c| pushed[r][c]);
            let step = ramps(&matrix(&a), &inputs, self.period);
            self.push = std::array::from_fn(|r| std::array::from_fn(|c| step[(r, 4 + c)]));
            self.pushes = self.terms.in_state(&self.state);
            self.rise = [0.0; 3];
        }
        if !self.on_stop {
            self.acceleration = self.free_acceleration();
        }
    }

    /// Takes up another connection of the coil or another angular frequency; the state is carried over.
    pub(crate) fn retune(&mut self, coil: Coil, omega: f64) {
        if coil == self.coil && omega.to_bits() == self.omega.to_bits() {
            return;
        }
        if coil != self.coil {
            // A current amplifier finds a current that is not its own, and needs voltage to change it.
            self.astray = coil == Coil::Driven && self.amplifier.mode == AmplifierMode::Current;
        }
        if coil == Coil::Open {
            self.state[CURRENT] = 0.0;
        }
        self.coil = coil;
        self.omega = omega;
        self.fit();
    }

    /// Time from one sample to the next, in s.
    pub(crate) fn period(&self) -> f64 {
        self.period
    }

    /// Angular frequency of the drive.
    pub(crate) fn omega(&self) -> f64 {
        self.omega
    }

    /// State equations as the coil is connected now.
    pub(crate) fn equations(&self) -> (Matrix<4>, State) {
        self.shaker.equations(self.coil, &self.amplifier)
    }

    /// What the three [`Pushes`] act on, state by state, as the coil is connected now.
    pub(crate) fn pushed(&self) -> [[f64; 3]; 4] {
        let mut on = [[0.0; 3]; 4];
        on[VELOCITY][0] = 1.0;
        if self.coil.follows_a_voltage(self.amplifier.mode) {
            on[CURRENT][1] = 1.0;
        }
        on
    }

    /// True where the shaker has pushes beyond its linear equations.
    pub(crate) fn is_bent(&self) -> bool {
        self.bent
    }

    /// Acceleration as weights of the state, as the coil is connected now.
    pub(crate) fn acceleration_row(&self) -> State {
        self.shaker.acceleration_row(self.coil, self.amplifier.mode)
    }

    /// What the amplifier puts out for a voltage of the source, in V in voltage mode; nothing while it is muted. Its corner is far
    /// above the tone and left out.
    pub(crate) fn output_for(&self, source: f64) -> f64 {
        let amplifier = &self.amplifier;
        let live = f64::from(u8::from(self.coil == Coil::Driven));
        let most = amplifier.voltage_limit;
        live * (amplifier.gain * source + amplifier.offset).clamp(-most, most)
    }

    /// Current, displacement, velocity and the amplifier's aim at this sample.
    pub(crate) fn state(&self) -> &State {
        &self.state
    }

    /// Acceleration at this sample in m/s²; where a stop was hit since the sample before, the mean since then.
    #[inline]
    pub(crate) fn acceleration(&self) -> f64 {
        self.acceleration
    }

    /// What a sensor that shows constant acceleration feels at this sample, in m/s²: the acceleration, and `g sin θ` where
    /// the axis is not level.
    #[inline]
    pub(crate) fn felt(&self) -> f64 {
        if self.bent { self.acceleration + self.pushes[2] } else { self.acceleration }
    }

    /// Transverse motion at a frequency in Hz as a share of the motion along the axis.
    pub(crate) fn transverse_at(&self, frequency: f64) -> f64 {
        self.shaker.transverse_at(frequency)
    }

    /// Highest temperature of the coil so far in °C, where it has one of its own.
    pub(crate) fn coil_temperature_max(&self) -> Option<f64> {
        self.heat.as_ref().map(|heat| heat.highest)
    }

    /// Heats the coil from outside so that without any current it would settle `above` its limit, in K; 0 ends that.
    pub(crate) fn overheat(&mut self, above: f64) {
        if let Some(heat) = &mut self.heat {
            heat.overheat(above);
        }
    }

    /// Largest distance from the middle between the stops since this was last asked, in m: at least the distance now.
    pub(crate) fn take_lately(&mut self) -> f64 {
        std::mem::replace(&mut self.extremes.lately, self.state[POSITION].abs())
    }

    /// Whether the amplifier was limited since this was last asked.
    pub(crate) fn take_limited(&mut self) -> bool {
        std::mem::take(&mut self.limited)
    }

    /// Whether the equations were made anew or the coil became too warm or is no more, since this was last asked.
    #[inline]
    pub(crate) fn take_news(&mut self) -> bool {
        std::mem::take(&mut self.news)
    }

    /// True from when the coil was warmer than it may be until it has cooled down.
    pub(crate) fn is_too_warm(&self) -> bool {
        self.heat.as_ref().is_some_and(CoilHeat::is_too_warm)
    }

    /// How the last step went.
    pub(crate) fn passage(&self) -> &Passage {
        &self.passage
    }

    /// Goes to the next sample, driven by the source's output.
    #[inline]
    pub(crate) fn step(&mut self, source: &Wave) {
        let mut wave = *source;
        wave[4] += self.amplifier.offset / self.amplifier.gain;
        let straight = self.imposed(self.exact.apply(&self.state, &wave));
        let (next, ahead) = if self.bent { self.bend(straight) } else { (straight, [0.0; 3]) };
        self.passage.before = self.state;
        self.passage.wave = wave;
        let within = next[POSITION].abs() < self.shaker.stop && !self.near_a_limit(&wave);
        self.passage.in_parts = !within;
        if within {
            self.state = next;
            if self.bent {
                self.note_pushes(ahead);
            }
            self.acceleration = self.free_acceleration();
        } else {
            self.step_in_parts(&wave, next[AIM]);
        }
        let extremes = &mut self.extremes;
        extremes.note_displacement(self.state[POSITION]);
        extremes.current = extremes.current.max(self.state[CURRENT].abs());
        if let Some(heat) = &mut self.heat {
            self.terms.warm(self.warming);
            if heat.note(self.state[CURRENT], self.period) {
                self.warm_up();
            }
        }
    }

    /// A current that the amplifier imposes is what it aims at.
    #[inline]
    fn imposed(&self, mut state: State) -> State {
        if self.coil == Coil::Driven && self.amplifier.mode == AmplifierMode::Current {
            state[CURRENT] = state[AIM];
        }
        state
    }

    /// The next state with the pushes beyond the linear equations, and the pushes there as they were foreseen.
    #[inline]
    fn bend(&self, straight: State) -> (State, Pushes) {
        let [force, electric, _] = self.pushes;
        let pushed = |end: &Pushes| {
            let mut state = straight;
            for (value, weights) in state.iter_mut().zip(&self.push) {
                *value += dot(weights, &[force, electric, end[0], end[1]]);
            }
            self.imposed(state)
        };
        let foreseen = std::array::from_fn(|n| self.pushes[n] + self.rise[n]);
        let ahead = self.terms.in_state(&pushed(&foreseen));
        (pushed(&ahead), ahead)
    }

    /// The pushes of the state now, `ahead` being what was foreseen for it.
    #[inline]
    fn note_pushes(&mut self, ahead: Pushes) {
        let [force, electric, gravity] = self.pushes;
        self.passage.bent = true;
        self.passage.push = [force, electric, gravity, ahead[0], ahead[1], ahead[2]];
        let now = self.terms.in_state(&self.state);
        self.rise = std::array::from_fn(|n| now[n] - self.pushes[n]);
        self.pushes = now;
    }

    /// The coil's temperature was worked out anew.
    fn warm_up(&mut self) {
        let Some(heat) = &self.heat else { return };
        let extra = self.terms.extra_resistance();
        let refit = extra.abs() > RESISTANCE_OFF * self.shaker.resistance;
        self.warming = heat.rise_from(self.shaker.resistance + extra);
        if refit {
            self.shaker.resistance += extra;
            self.terms = terms(&self.shaker);
            self.parts = parts::PartSteps::new(&self.shaker, &self.amplifier, self.period);
            self.fit();
        }
        let too_warm = self.is_too_warm();
        self.news |= refit || too_warm != self.was_too_warm;
        self.was_too_warm = too_warm;
    }

    #[inline]
    fn free_acceleration(&self) -> f64 {
        let linear =
            self.shaker.acceleration(self.state[CURRENT], self.state[POSITION], self.state[VELOCITY]);
        if self.bent { linear + self.pushes[0] } else { linear }
    }

    /// True if the exact step may leave the limits of the amplifier, or the armature lies against a stop.
    #[inline]
    fn near_a_limit(&self, wave: &Wave) -> bool {
        if self.on_stop {
            return true;
        }
        if self.coil != Coil::Driven {
            return false;
        }
        let amplifier = &self.amplifier;
        let [current, position, velocity, aim] = self.state;
        let (r, l, bl) = (
            self.shaker.resistance + self.terms.extra_resistance(),
            self.shaker.inductance,
            self.shaker.force_factor - self.terms.lacking(position),
        );
        let size = |sin: f64, cos: f64| (sin * sin + cos * cos).sqrt();
        let drive = amplifier.gain * (size(wave[0], wave[1]) + size(wave[2], wave[3]) + wave[4].abs());
        match amplifier.mode {
            AmplifierMode::Voltage => {
                let slope = (aim - r * current - bl * velocity) / l;
                drive.max(aim.abs()) > amplifier.voltage_limit
                    || self.exceeds(current, slope, amplifier.current_limit)
            }
            AmplifierMode::Current => {
                let slope = amplifier.corner * (amplifier.gain * (wave[0] + wave[4]) - aim);
                let bend = amplifier.corner * (amplifier.gain * self.omega * wave[1] - slope);
                let voltage = r * aim + l * slope + bl * velocity;
                let voltage_slope = r * slope + l * bend + bl * self.acceleration;
                self.astray
                    || drive.max(aim.abs()) > amplifier.current_limit
                    || self.exceeds(voltage, voltage_slope, amplifier.voltage_limit)
            }
        }
    }

    /// Whether a sine with this value and slope has an amplitude beyond `limit`.
    #[inline]
    fn exceeds(&self, value: f64, slope: f64, limit: f64) -> bool {
        let quadrature = if self.omega > 0.0 { slope / self.omega } else { 0.0 };
        value * value + quadrature * quadrature > limit * limit
    }
}

/// The departures of a shaker whose resistance is that of its linear equations.
fn terms(shaker: &ShakerTruth) -> BendTerms {
    shaker.bend.of(shaker.mass, shaker.stiffness, shaker.force_factor, shaker.inductance)
}
