//! Sensors and reference as they truly are: how their outputs follow the armature. Pure.
//!
//! Owns: true sensitivity and frequency response of each, and what it shows of other motion. What its electronics make of
//! that is `output`'s. A sensor's filter is stepped together with the shaker's equations (`follow`), so that its output is
//! that of the continuous filter at every frequency.
//! Must not: sample; cut cables and converters are `channel`'s.
//!
//! # What is truth
//! The truth about a sensor is its own: sensitivity with polarity, frequency response, temperature coefficient, at its
//! nominal supply. What the laboratory adds is error: mounting, an off supply, transverse motion, base strain, drift and
//! noise, limits, the channel with its coupling.

use crate::channel::Source;
use crate::coupling::Coupling;
use crate::discretise::{Matrix, dot};
use crate::error::SimError;
use crate::follow::Follower;
use crate::output::{Output, When};
use crate::plant::{Passage, Plant};
use crate::spread::Unknowns;
use nalgebra::Complex;
use plan_schema::chain::Chain;
use plan_schema::job::MountedRole;
use plan_schema::registers::{Polarity, Sensor};
use plan_schema::resolve::MountedSensor;
use plan_schema::rig::Channel;
use plan_schema::units::{Hertz, SamplesPerSecond};
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
#[derive(Clone)]
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

/// A sensor under test or a check standard.
#[derive(Clone)]
pub(crate) struct SensorTruth {
    pub(crate) serial: String,
    /// True sensitivity in mid-band at 23 °C and with the nominal supply, in V/(m/s²); negative for a reversed sensor.
    sensitivity: f64,
    temperature_coefficient: f64,
    disturbed: Disturbed,
    output: Output,
    response: Response,
    equations: Equations,
    filter: Follower<3>,
    /// Whether there is anything to be filtered.
    filters: bool,
    /// White noise at the channel in V rms per sample, and the corner of 1/f noise in Hz.
    noise: (f64, f64),
    /// What it stands on, and which way its arrow points.
    chain: Chain,
    /// Error of the fixture's measured motion, in its expanded uncertainties.
    fixture_error: f64,
    /// Motion where it stands, along its arrow, over that of the table, at the frequency of the drive; `None` where it is the
    /// table's own.
    moved: Option<f64>,
    /// The response's output over the stretch that is being simulated, then the sensor's output in V.
    pub(crate) signal: Vec<f64>,
}

impl SensorTruth {
    /// A sensor of the register on `channel`, off by what the seed draws; a check standard is what its register expects.
    /// `rate` is the true one.
    ///
    /// # Errors
    /// Frequencies or damping that make no filter.
    pub(crate) fn draw(
        mounted: &MountedSensor,
        channel: &Channel,
        unknowns: &Unknowns,
        rate: SamplesPerSecond,
        plant: &Plant,
    ) -> Result<Self, SimError> {
        let sensor = &mounted.sensor;
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
        let high_pass = match sensor.corner() {
            Some(f) => {
                Some(TAU * SimError::positive(f.si(), "the lower corner in Hz", &key("lower_corner"))?)
            }
            None => None,
        };
        let density = sensor.noise_density.si();
        SimError::not_negative(density, "the noise density", &key("noise_density"))?;
        SimError::positive(
            sensor.zero_drift_time.si(),
            "the time of the drift at rest in s",
            &key("zero_drift_time"),
        )?;
        let corner = sensor.noise_corner.map_or(0.0, |f| f.si());
        SimError::not_negative(corner, "the corner of 1/f noise in Hz", &key("noise_corner"))?;
        let sign = match sensor.polarity {
            Polarity::Normal => 1.0,
            Polarity::Reversed => -1.0,
        };
        let response = Response { low_pass, high_pass };
        let expected = sensor.expected.get(sensor.expected.len() / 2);
        let in_mid_band = match expected.filter(|_| mounted.mounted.role == MountedRole::CheckStandard) {
            Some(known) => {
                known.sensitivity.in_volts(mounted.volts).si()
                    / response.at(TAU * known.frequency.si()).norm()
            }
            None => mounted.nominal.si() * (1.0 + unknowns.sensitivity(serial)),
        };
        let sensitivity = sign * SimError::positive(in_mid_band, "the sensitivity", &key("sensitivity"))?;
        let supply = unknowns.supply_at_output(sensor);
        let output = Output::new(sensor, channel, sensitivity, supply, unknowns.mounting(serial));
        let rms = rms_per_sample(density * output.gain().abs(), rate);
        let equations = response.equations();
        Ok(Self {
            serial: serial.clone(),
            sensitivity,
            temperature_coefficient: sensor.temperature_coefficient.si(),
            disturbed: Disturbed::new(sensor, unknowns, rate),
            output,
            response,
            filter: Follower::new(equations.a, equations.b, plant),
            filters: response.low_pass.is_some() || response.high_pass.is_some(),
            equations,
            noise: (rms, corner),
            chain: mounted.chain.clone(),
            fixture_error: unknowns.fixture(&mounted.mounted),
            moved: mounted.chain.is_apart().then_some(motion_at_rest(&mounted.chain)),
            signal: Vec::new(),
        })
    }

    /// True sensitivity at a frequency in Hz and a temperature in °C, as a complex number in V/(m/s²).
    pub(crate) fn response_at(&self, frequency: f64, temperature: f64) -> Complex<f64> {
        self.response.at(TAU * frequency)
            * (self.sensitivity * thermal(self.temperature_coefficient, temperature))
    }

    /// Takes up how the plant is connected and driven now, at `frequency` in Hz; 0 leaves the fixture's motion as it is.
    pub(crate) fn retune(&mut self, plant: &Plant, frequency: f64) {
        if self.filters {
            self.filter.retune(plant);
        }
        if frequency > 0.0 && self.chain.is_apart() {
            let at = Hertz::new(frequency);
            let off = self.chain.fixture_u(at).map_or(0.0, |u| u.si()) * self.fixture_error;
            self.moved = Some(motion_at_rest(&self.chain) * self.chain.motion(at).0 * (1.0 + off));
        }
    }

    /// The response's output now, in m/s², of what is felt on the table.
    #[inline]
    pub(crate) fn output(&self, felt: f64) -> f64 {
        dot(&self.equations.c, self.filter.state()) + self.equations.d * felt
    }

    /// Goes to the next sample along with the shaker.
    #[inline]
    pub(crate) fn step(&mut self, passage: &Passage) {
        if self.filters {
            self.filter.step(passage);
        }
    }

    /// What the sensor's channel gets beside the signal.
    pub(crate) fn source(&self) -> Source {
        Source {
            noise: self.noise,
            line: self.output.line(),
            sensitivity: self.output.gain(),
            ..Source::default()
        }
    }

    /// Makes volts of the response's output over a stretch.
    pub(crate) fn finish(&mut self, samples: usize, when: &When, table: &Table<'_>) {
        let Some(signal) = self.signal.get_mut(..samples) else {
            return;
        };
        if let Some(moved) = self.moved {
            for value in signal.iter_mut() {
                *value *= moved;
            }
        }
        self.disturbed.add_to(signal, table);
        self.output.finish(signal, when);
    }
}

/// Motion along the arrow before anything swings.
fn motion_at_rest(chain: &Chain) -> f64 {
    if chain.is_against_motion() { -1.0 } else { 1.0 }
}

/// What the table does beside moving along the axis, over a stretch.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Table<'a> {
    /// Displacement from the mechanical centre, in m.
    pub(crate) position: &'a [f64],
    /// Acceleration across the axis, in m/s².
    pub(crate) transverse: &'a [f64],
}

/// What a sensor shows although it does not move along its axis: errors, no part of its truth.
#[derive(Clone)]
struct Disturbed {
    /// Share of the transverse acceleration.
    cross_axis: f64,
    /// (m/s²)/m: base strain goes with displacement.
    strain: f64,
    coupling: Option<Coupling>,
    work: Vec<f64>,
}

impl Disturbed {
    fn new(sensor: &Sensor, unknowns: &Unknowns, rate: SamplesPerSecond) -> Self {
        let omega = TAU * sensor.base_strain_frequency.si();
        Self {
            cross_axis: unknowns.cross_axis(&sensor.serial, sensor.transverse_sensitivity.si()),
            // Of a sine, the acceleration is −w² times the displacement.
            strain: -sensor.base_strain.si() * omega * omega,
            coupling: sensor.corner().map(|corner| Coupling::new(corner.si(), rate.si())),
            work: Vec::new(),
        }
    }

    fn add_to(&mut self, signal: &mut [f64], table: &Table<'_>) {
        if self.cross_axis == 0.0 && self.strain == 0.0 {
            return;
        }
        self.work.resize(signal.len(), 0.0);
        for ((to, across), position) in self.work.iter_mut().zip(table.transverse).zip(table.position) {
            *to = self.cross_axis * across + self.strain * position;
        }
        if let Some(coupling) = &mut self.coupling {
            coupling.pass(&mut self.work);
        }
        for (to, from) in signal.iter_mut().zip(&self.work) {
            *to += from;
        }
    }
}
