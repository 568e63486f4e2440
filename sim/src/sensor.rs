//! Sensors and reference as they truly are: how their outputs follow the armature. Pure.
//!
//! Owns: true sensitivity, frequency response, zero output and noise of each. A sensor's filter is stepped together with
//! the shaker's equations, so that its output is that of the continuous filter at every frequency.
//! Must not: know channels; open cables and converters are `acquisition`'s.

use crate::discretise::{Matrix, RampStep, ToneStep, Wave, dot};
use crate::error::SimError;
use crate::plant::{PARTS, Parts, Plant};
use crate::random::{self, Noise};
use crate::shaker::State;
use nalgebra::Complex;
use plan_schema::registers::Sensor;
use plan_schema::units::{Fraction, SamplesPerSecond};
use std::f64::consts::TAU;

/// Temperature at which sensitivities are stated, in °C.
pub(crate) const STATED_AT: f64 = 23.0;

/// Damping of a second-order response that states none.
const USUAL_DAMPING: f64 = 0.7;

/// Standard deviation of a sample of white noise with the density `density` in 1/√Hz.
pub(crate) fn rms_per_sample(density: f64, rate: SamplesPerSecond) -> f64 {
    density * (rate.si() / 2.0).sqrt()
}

/// How a sensitivity depends on temperature, as a factor.
pub(crate) fn thermal(coefficient: f64, temperature: f64) -> f64 {
    1.0 + coefficient * (temperature - STATED_AT)
}

/// Second-order low-pass and first-order high-pass of unit gain: corners in rad/s, each where there is one.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Response {
    /// Natural angular frequency and damping ratio.
    low_pass: Option<(f64, f64)>,
    high_pass: Option<f64>,
}

/// A response as state equations driven by the acceleration: `ds/dt = a s + b x`, output `c s + d x`.
struct Equations {
    a: Matrix<3>,
    b: [f64; 3],
    c: [f64; 3],
    d: f64,
}

impl Response {
    fn at(&self, omega: f64) -> Complex<f64> {
        let mut h = Complex::new(1.0, 0.0);
        if let Some((natural, damping)) = self.low_pass {
            let x = omega / natural;
            h /= Complex::new(1.0 - x * x, 2.0 * damping * x);
        }
        if let Some(corner) = self.high_pass {
            let x = Complex::new(0.0, omega / corner);
            h *= x / (x + 1.0);
        }
        h
    }

    /// States: low-pass output, its slope over the natural frequency, what the high-pass has subtracted.
    fn equations(&self) -> Equations {
        let mut e = Equations { a: [[0.0; 3]; 3], b: [0.0; 3], c: [0.0; 3], d: 1.0 };
        if let Some((natural, damping)) = self.low_pass {
            e.a[0] = [0.0, natural, 0.0];
            e.a[1] = [-natural, -2.0 * damping * natural, 0.0];
            e.b[1] = natural;
            e.c[0] = 1.0;
            e.d = 0.0;
        }
        if let Some(corner) = self.high_pass {
            e.a[2] = [corner * e.c[0], 0.0, -corner];
            e.b[2] = corner * e.d;
            e.c[2] = -1.0;
        }
        e
    }
}

/// The step of a filter within the limits of amplifier and stroke: from its own state, the shaker's, and the drive.
struct JointStep {
    own: Matrix<3>,
    shaker: [State; 3],
    wave: [Wave; 3],
}

/// A sensor under test.
pub(crate) struct SensorTruth {
    pub(crate) serial: String,
    /// True sensitivity in mid-band at 23 °C, in V/(m/s²).
    sensitivity: f64,
    temperature_coefficient: f64,
    zero_output: f64,
    response: Response,
    equations: Equations,
    state: [f64; 3],
    joint: Option<JointStep>,
    parts: RampStep<3>,
    period: f64,
    noise: Noise,
    /// The response's output over the stretch that is being simulated, then the sensor's output in V.
    pub(crate) signal: Vec<f64>,
}

impl SensorTruth {
    /// The sensor of the register, off by what the seed draws.
    ///
    /// # Errors
    /// Frequencies or damping that make no filter.
    pub(crate) fn draw(
        sensor: &Sensor,
        spread: Fraction,
        seed: u64,
        rate: SamplesPerSecond,
    ) -> Result<Self, SimError> {
        let serial = &sensor.serial;
        let key = |name: &str| format!("{name} of sensor '{serial}'");
        let low_pass = match sensor.natural_frequency {
            Some(f) => {
                let natural = TAU
                    * SimError::positive(f.si(), "the natural frequency in Hz", &key("natural_frequency"))?;
                let damping = sensor.damping_ratio.map_or(USUAL_DAMPING, |z| z.si());
                Some((natural, SimError::positive(damping, "the damping ratio", &key("damping_ratio"))?))
            }
            None => None,
        };
        let high_pass = match sensor.lower_corner {
            Some(f) => {
                Some(TAU * SimError::positive(f.si(), "the lower corner in Hz", &key("lower_corner"))?)
            }
            None => None,
        };
        let density = sensor.noise_density.si();
        SimError::not_negative(density, "the noise density", &key("noise_density"))?;
        SimError::not_negative(spread.si(), "the spread of sensitivities", "simulation.spread.sensitivity")?;
        let off = 1.0 + spread.si() * random::uniform(seed, &format!("sensitivity of {serial}"));
        let sensitivity = sensor.nominal_sensitivity.si() * off;
        let rms = rms_per_sample(density * sensitivity.abs(), rate);
        let response = Response { low_pass, high_pass };
        let equations = response.equations();
        let period = 1.0 / rate.si();
        #[expect(clippy::cast_precision_loss, reason = "a small constant")]
        let parts = RampStep::new(&equations.a, &equations.b, period / PARTS as f64);
        Ok(Self {
            serial: serial.clone(),
            sensitivity,
            temperature_coefficient: sensor.temperature_coefficient.si(),
            zero_output: sensor.zero_output.si(),
            response,
            equations,
            state: [0.0; 3],
            joint: None,
            parts,
            period,
            noise: Noise::new(seed, &format!("noise of {serial}"), rms),
            signal: Vec::new(),
        })
    }

    /// True sensitivity at a frequency in Hz and a temperature in °C, as a complex number in V/(m/s²).
    pub(crate) fn response_at(&self, frequency: f64, temperature: f64) -> Complex<f64> {
        self.response.at(TAU * frequency)
            * (self.sensitivity * thermal(self.temperature_coefficient, temperature))
    }

    /// Takes up how the plant is connected and driven now.
    pub(crate) fn retune(&mut self, plant: &Plant, omega: f64) {
        if self.response.low_pass.is_none() && self.response.high_pass.is_none() {
            return;
        }
        let (a, b) = plant.equations();
        let acceleration = plant.acceleration_row();
        let mut joint_a = [[0.0; 7]; 7];
        let mut joint_b = [0.0; 7];
        for r in 0..4 {
            joint_a[r][..4].copy_from_slice(&a[r]);
            joint_b[r] = b[r];
        }
        for r in 0..3 {
            for c in 0..4 {
                joint_a[4 + r][c] = self.equations.b[r] * acceleration[c];
            }
            joint_a[4 + r][4..].copy_from_slice(&self.equations.a[r]);
        }
        let step = ToneStep::new(&joint_a, &joint_b, omega, self.period);
        self.joint = Some(JointStep {
            own: std::array::from_fn(|r| std::array::from_fn(|c| step.own[4 + r][4 + c])),
            shaker: std::array::from_fn(|r| std::array::from_fn(|c| step.own[4 + r][c])),
            wave: std::array::from_fn(|r| step.wave[4 + r]),
        });
    }

    /// The response's output now, in m/s².
    #[inline]
    pub(crate) fn output(&self, acceleration: f64) -> f64 {
        dot(&self.equations.c, &self.state) + self.equations.d * acceleration
    }

    /// Goes to the next sample along with the shaker: `shaker` is its state before, `parts` what it had to be cut into.
    #[inline]
    pub(crate) fn step(&mut self, shaker: &State, wave: &Wave, parts: Option<&Parts>) {
        let Some(joint) = &self.joint else { return };
        match parts {
            None => {
                let state = self.state;
                self.state = std::array::from_fn(|r| {
                    dot(&joint.own[r], &state) + dot(&joint.shaker[r], shaker) + dot(&joint.wave[r], wave)
                });
            }
            Some(parts) => {
                for [start, end] in parts {
                    self.state = self.parts.apply(&self.state, *start, *end);
                }
            }
        }
    }

    /// Makes volts of the response's output over a stretch; `temperature` in °C at its start and its rise per sample.
    pub(crate) fn finish(&mut self, samples: usize, temperature: (f64, f64)) {
        let Some(signal) = self.signal.get_mut(..samples) else {
            return;
        };
        scale(signal, self.sensitivity, self.temperature_coefficient, temperature, self.zero_output);
        self.noise.add_to(signal);
    }
}

/// Multiplies by a sensitivity that follows the temperature, and adds the output at rest.
pub(crate) fn scale(
    signal: &mut [f64],
    sensitivity: f64,
    coefficient: f64,
    temperature: (f64, f64),
    zero: f64,
) {
    let (start, rise) = temperature;
    let first = sensitivity * thermal(coefficient, start);
    let slope = sensitivity * coefficient * rise;
    let mut n = 0.0;
    for sample in signal {
        *sample = *sample * (first + slope * n) + zero;
        n += 1.0;
    }
}
