//! Amplifier and shaker in motion, from sample to sample. Pure.
//!
//! Owns: the state, and the choice between two ways of stepping it.
//! - *Within the limits* of voltage, current and stroke everything is linear, and a step is exact (`discretise`).
//! - *At a limit* the sample is cut into [`PARTS`] parts with the coil's voltage held over each, so that the current
//!   limit, the clipped voltage and the stop act within the sample. Held parts are off by (w h)²/24 relative, h the
//!   length of a part: 7e-5 at 1 kHz and 10 kS/s. A limit comes and goes at the end of a part only: some 1e-4 of the
//!   peak at 200 Hz. Whether a limit is near is judged by the amplitude that value and slope mean for the frequency of
//!   the drive, so that no peak between two samples is missed.
//!
//! The amplifier limits the current by lowering its voltage to what reaches the limit at the end of a part. A stop takes
//! all of the velocity (inelastic); a contact counts once, however long it lasts.

use crate::amplifier::AmplifierTruth;
use crate::discretise::{Matrix, RampStep, ToneStep, Wave};
use crate::shaker::{AIM, CURRENT, Coil, POSITION, ShakerTruth, State, VELOCITY};
use plan_schema::rig::AmplifierMode;

/// Parts of a sample at a limit.
pub(crate) const PARTS: usize = 16;

/// Acceleration at start and end of each part of a sample.
pub(crate) type Parts = [[f64; 2]; PARTS];

/// Amplifier and shaker.
pub(crate) struct Plant {
    shaker: ShakerTruth,
    amplifier: AmplifierTruth,
    period: f64,
    coil: Coil,
    omega: f64,
    exact: ToneStep<4>,
    closed: RampStep<3>,
    open: RampStep<3>,
    aim: RampStep<1>,
    /// Sine and cosine of the drive's turn within a part.
    part_turn: (f64, f64),
    state: State,
    acceleration: f64,
    parts: Parts,
    limited: bool,
    /// True while the current is not the one that a current amplifier aims at.
    astray: bool,
    on_stop: bool,
    /// Largest distance from the mechanical centre so far, in m.
    pub(crate) displacement_max: f64,
    /// Contacts with a stop so far.
    pub(crate) stop_hits: u32,
}

impl Plant {
    /// At rest in the centre.
    pub(crate) fn new(shaker: ShakerTruth, amplifier: AmplifierTruth, coil: Coil, period: f64) -> Self {
        #[expect(clippy::cast_precision_loss, reason = "a small constant")]
        let part = period / PARTS as f64;
        let (closed, input) = shaker.bare_equations(false);
        let (open, no_input) = shaker.bare_equations(true);
        let (a, b) = shaker.equations(coil, &amplifier);
        Self {
            exact: ToneStep::new(&a, &b, 0.0, period),
            closed: RampStep::new(&closed, &input, part),
            open: RampStep::new(&open, &no_input, part),
            aim: RampStep::new(&[[-amplifier.corner]], &[amplifier.corner * amplifier.gain], part),
            shaker,
            amplifier,
            period,
            coil,
            omega: 0.0,
            part_turn: (0.0, 1.0),
            state: [0.0; 4],
            acceleration: 0.0,
            parts: [[0.0; 2]; PARTS],
            limited: false,
            astray: false,
            on_stop: false,
            displacement_max: 0.0,
            stop_hits: 0,
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
        let (a, b) = self.equations();
        self.exact = ToneStep::new(&a, &b, omega, self.period);
        #[expect(clippy::cast_precision_loss, reason = "a small constant")]
        let turn = omega * self.period / PARTS as f64;
        self.part_turn = turn.sin_cos();
        if !self.on_stop {
            self.acceleration = self.free_acceleration();
        }
    }

    /// State equations as the coil is connected now.
    pub(crate) fn equations(&self) -> (Matrix<4>, State) {
        self.shaker.equations(self.coil, &self.amplifier)
    }

    /// Acceleration as weights of the state, as the coil is connected now.
    pub(crate) fn acceleration_row(&self) -> State {
        self.shaker.acceleration_row(self.coil, self.amplifier.mode)
    }

    /// Current, displacement, velocity and the amplifier's aim at this sample.
    pub(crate) fn state(&self) -> &State {
        &self.state
    }

    /// Acceleration at this sample in m/s²; where a stop was hit since the sample before, the mean since then.
    pub(crate) fn acceleration(&self) -> f64 {
        self.acceleration
    }

    /// Whether the amplifier was limited since this was last asked.
    pub(crate) fn take_limited(&mut self) -> bool {
        std::mem::take(&mut self.limited)
    }

    /// Goes to the next sample. `None` if the step was within the limits, else the acceleration of its parts.
    #[inline]
    pub(crate) fn step(&mut self, wave: &Wave) -> Option<&Parts> {
        let mut next = self.exact.apply(&self.state, wave);
        if self.coil == Coil::Driven && self.amplifier.mode == AmplifierMode::Current {
            next[CURRENT] = next[AIM];
        }
        let within = next[POSITION].abs() < self.shaker.stop && !self.near_a_limit(wave);
        if within {
            self.state = next;
            self.acceleration = self.free_acceleration();
        } else {
            self.step_in_parts(wave, next[AIM]);
        }
        self.displacement_max = self.displacement_max.max(self.state[POSITION].abs());
        if within { None } else { Some(&self.parts) }
    }

    fn free_acceleration(&self) -> f64 {
        self.shaker.acceleration(self.state[CURRENT], self.state[POSITION], self.state[VELOCITY])
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
        let [current, _, velocity, aim] = self.state;
        let size = |sin: f64, cos: f64| (sin * sin + cos * cos).sqrt();
        let drive = amplifier.gain * (size(wave[0], wave[1]) + size(wave[2], wave[3]) + wave[4].abs());
        match amplifier.mode {
            AmplifierMode::Voltage => {
                let slope = self.shaker.current_slope(aim, current, velocity);
                drive.max(aim.abs()) > amplifier.voltage_limit
                    || self.exceeds(current, slope, amplifier.current_limit)
            }
            AmplifierMode::Current => {
                let slope = amplifier.corner * (amplifier.gain * (wave[0] + wave[4]) - aim);
                let bend = amplifier.corner * (amplifier.gain * self.omega * wave[1] - slope);
                let (r, l, bl) = (self.shaker.resistance, self.shaker.inductance, self.shaker.force_factor);
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

    /// A sample in parts: limits and stops act at the end of each. `aim_after` is exact, for the aim has no limits.
    fn step_in_parts(&mut self, wave: &Wave, aim_after: f64) {
        let before = self.state;
        let [mut current, mut position, mut velocity, mut aim] = self.state;
        let (turn_sin, turn_cos) = self.part_turn;
        let [mut sin, mut cos, mut rise_sin, mut rise_cos, constant] = *wave;
        let mut e = sin + constant;
        let mut hit = false;
        for n in 0..PARTS {
            (sin, cos) = (sin * turn_cos + cos * turn_sin, cos * turn_cos - sin * turn_sin);
            (rise_sin, rise_cos) =
                (rise_sin * turn_cos + rise_cos * turn_sin, rise_cos * turn_cos - rise_sin * turn_sin);
            #[expect(clippy::cast_precision_loss, reason = "a small number")]
            let e_after = sin + rise_sin * (n + 1) as f64 / PARTS as f64 + constant;
            let [aim_next] = self.aim.apply(&[aim], e, e_after);
            let from = [current, position, velocity];
            let voltage = self.voltage(&from, aim, aim_next);
            let step = if self.coil == Coil::Open { &self.open } else { &self.closed };
            [current, position, velocity] = step.apply(&from, voltage, voltage);
            let start = self.shaker.acceleration(from[CURRENT], from[POSITION], from[VELOCITY]);
            self.parts[n] = [start, self.shaker.acceleration(current, position, velocity)];
            let touches = position.abs() >= self.shaker.stop;
            if touches {
                hit |= !self.on_stop;
                self.stop_hits += u32::from(!self.on_stop);
                position = self.shaker.stop.copysign(position);
                velocity = 0.0;
                self.parts[n] = [(velocity - from[VELOCITY]) * self.parts_per_second(); 2];
            }
            self.on_stop = touches;
            (aim, e) = (aim_next, e_after);
        }
        self.state = [current, position, velocity, aim_after];
        self.acceleration = match (hit, self.on_stop) {
            (true, _) => (velocity - before[VELOCITY]) / self.period,
            (false, true) => 0.0,
            (false, false) => self.free_acceleration(),
        };
    }

    #[expect(clippy::cast_precision_loss, reason = "a small constant")]
    fn parts_per_second(&self) -> f64 {
        PARTS as f64 / self.period
    }

    /// The voltage at the coil over one part, limits kept.
    fn voltage(&mut self, from: &[f64; 3], aim: f64, aim_next: f64) -> f64 {
        if self.coil != Coil::Driven {
            return 0.0;
        }
        let (volts, amperes) = (self.amplifier.voltage_limit, self.amplifier.current_limit);
        let [left_alone, ..] = self.closed.apply(from, 0.0, 0.0);
        let per_volt = self.closed.start[CURRENT] + self.closed.end[CURRENT];
        let wanted = match self.amplifier.mode {
            AmplifierMode::Voltage => 0.5 * (aim + aim_next),
            AmplifierMode::Current => (aim_next.clamp(-amperes, amperes) - left_alone) / per_volt,
        };
        let mut voltage = wanted.clamp(-volts, volts);
        let current = left_alone + per_volt * voltage;
        if current.abs() > amperes && self.amplifier.mode == AmplifierMode::Voltage {
            voltage = ((amperes.copysign(current) - left_alone) / per_volt).clamp(-volts, volts);
        }
        let aim_lost = self.amplifier.mode == AmplifierMode::Current && aim_next.abs() > amperes;
        let short = (voltage - wanted).abs() > 0.0;
        self.limited |= aim_lost || short;
        self.astray = self.amplifier.mode == AmplifierMode::Current && (aim_lost || short);
        voltage
    }
}
