//! One channel of the acquisition: from volts on a line to samples. Pure.
//!
//! Owns: what is connected to it, and what happens to a voltage in this order: what faults do to what is connected, cut or
//! shorted cable, response of conditioner and filter, delay of the anti-alias filter and the channel's own, AC coupling, gain
//! and its error, noise of sensor and channel together, hum, overload,
//! converter. Must not: know blocks or gates; `acquisition` does.

use crate::conditioner::{Conditioner, Response};
use crate::coupling::Coupling;
use crate::delay::Delay;
use crate::faults::{Disturbance, Rattle};
use crate::hum::Hum;
use crate::noise::Noise;
use crate::output::Line;

/// What is connected to an input.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Wire {
    /// Nothing: the input shows its own noise.
    Nothing,
    /// The reference (0) or the second one (1).
    Reference(usize),
    /// The sensor of this number: those under test in the order of the job, then the check standards.
    Sensor(usize),
    /// The supply of the sensor of this number.
    Supply(usize),
    /// The displacement transducer.
    Displacement,
    /// The monitor of the drive.
    Drive,
}

/// What comes along a wire beside its signal.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Source {
    /// Volts for one unit of the signal; 1 where the signal is in volts.
    pub(crate) scale: f64,
    /// White noise in V rms per sample, and the corner in Hz below which 1/f noise exceeds it (0 for none).
    pub(crate) noise: (f64, f64),
    pub(crate) line: Line,
    /// V/(m/s²) in mid-band; 0 for what is no sensor under test.
    pub(crate) sensitivity: f64,
}

impl Default for Source {
    fn default() -> Self {
        Self { scale: 1.0, noise: (0.0, 0.0), line: Line::default(), sensitivity: 0.0 }
    }
}

/// Facts of a channel, errors drawn.
pub(crate) struct Facts<'a> {
    pub(crate) name: &'a str,
    pub(crate) seed: u64,
    /// True samples per second.
    pub(crate) rate: f64,
    /// Relative error of the gain.
    pub(crate) gain_error: f64,
    /// Delay in samples, 0 for none.
    pub(crate) delay: f64,
    /// Lower corner of AC coupling in Hz.
    pub(crate) ac_corner: Option<f64>,
    /// True gain of conditioner and channel as the rig file states them; 1 where it does not.
    pub(crate) chain_gain: f64,
    /// The conditioner's part of it.
    pub(crate) conditioner_gain: f64,
    /// True response of conditioner and filter beside that gain.
    pub(crate) response: Option<Response>,
    /// The filter's part of it.
    pub(crate) own_response: Option<Response>,
    /// White noise of its own in V rms per sample.
    pub(crate) noise: f64,
    /// Sines with their amplitudes in V.
    pub(crate) hum: Vec<(f64, Hum)>,
    /// The sine that a fault may add.
    pub(crate) mains: Hum,
}

/// A channel.
#[derive(Clone)]
pub(crate) struct Channel {
    pub(crate) wire: Wire,
    line: Line,
    sensitivity: f64,
    rattle: Rattle,
    gain: f64,
    conditioner: Option<Conditioner>,
    /// The filter alone, and what makes of a volt at the channel's own input what the gain then makes a volt of.
    own: (Option<Conditioner>, f64),
    /// The source's output is at the channel's input in place of the transducer and its conditioner.
    routed: bool,
    delay: Option<Delay>,
    coupling: Option<Coupling>,
    own_noise: f64,
    noise: Noise,
    hum: Vec<(f64, Hum)>,
    mains: Hum,
    /// What the channel sees over the stretch at hand, in V.
    seen: Vec<f64>,
}

impl Channel {
    /// A channel with `source` at the other end of `wire`, for stretches of at most `stretch` samples.
    pub(crate) fn new(facts: Facts<'_>, wire: Wire, source: &Source, stretch: usize) -> Self {
        let (of_sensor, corner) = (source.noise.0 * facts.chain_gain, source.noise.1);
        // Sensor and channel make white noise each, which is one white noise with both powers. The 1/f noise of the sensor
        // exceeds it below a corner that is lower by the sensor's share of the power.
        let power = of_sensor.powi(2) + facts.noise.powi(2);
        let corner = if power > 0.0 { corner * of_sensor.powi(2) / power } else { 0.0 };
        let name = format!("noise of channel {}", facts.name);
        Self {
            wire,
            line: source.line,
            sensitivity: source.sensitivity,
            rattle: Rattle::new(facts.seed, facts.name, facts.rate, stretch),
            gain: source.scale * (1.0 + facts.gain_error) * facts.chain_gain,
            conditioner: facts.response.map(|response| Conditioner::new(response, facts.rate)),
            own: (
                facts.own_response.map(|response| Conditioner::new(response, facts.rate)),
                1.0 / (source.scale * facts.conditioner_gain),
            ),
            routed: false,
            delay: (facts.delay > 0.0).then(|| Delay::new(facts.delay, stretch)),
            coupling: facts.ac_corner.map(|corner| Coupling::new(corner, facts.rate)),
            own_noise: facts.noise,
            noise: Noise::new(facts.seed, &name, power.sqrt(), corner, facts.rate),
            hum: facts.hum,
            mains: facts.mains,
            seen: vec![0.0; stretch],
        }
    }

    /// Takes up the frequency of the drive in Hz; 0 leaves it as it is.
    pub(crate) fn retune(&mut self, frequency: f64) {
        for conditioner in self.conditioner.iter_mut().chain(&mut self.own.0) {
            conditioner.retune(frequency);
        }
    }

    /// Takes in a stretch of the wire's signal, sampled or not: delay and coupling go on all the time.
    pub(crate) fn feed(&mut self, signal: Option<&[f64]>, samples: usize, disturbed: &Disturbance) {
        self.routed = false;
        let Some(seen) = self.seen.get_mut(..samples) else {
            return;
        };
        match signal.and_then(|s| s.get(..samples)) {
            Some(volts) if !disturbed.open && !disturbed.shorted => {
                seen.copy_from_slice(volts);
                alter(seen, self.line.rest, self.sensitivity, &mut self.rattle, disturbed);
            }
            _ if disturbed.shorted => seen.fill(self.line.short),
            _ => seen.fill(self.line.open),
        }
        if let Some(conditioner) = &mut self.conditioner {
            conditioner.pass(seen);
        }
        self.late(samples);
    }

    /// Takes in a stretch of the source's output, which is at the channel's input in place of everything else.
    pub(crate) fn feed_routed(&mut self, volts: &[f64]) {
        self.routed = true;
        let Some(seen) = self.seen.get_mut(..volts.len()) else {
            return;
        };
        for (to, from) in seen.iter_mut().zip(volts) {
            *to = from * self.own.1;
        }
        if let Some(own) = &mut self.own.0 {
            own.pass(seen);
        }
        self.late(volts.len());
    }

    /// Delay and coupling.
    fn late(&mut self, samples: usize) {
        let Some(seen) = self.seen.get_mut(..samples) else {
            return;
        };
        if let Some(delay) = &mut self.delay {
            delay.pass(seen);
        }
        if let Some(coupling) = &mut self.coupling {
            coupling.pass(seen);
        }
    }

    /// Samples the stretch that was just taken in, which begins `sample` samples after the world's start; true if the range
    /// was left.
    pub(crate) fn sample(
        &mut self,
        sample: u64,
        disturbed: &Disturbance,
        range: f64,
        steps: f64,
        out: &mut [f32],
    ) -> bool {
        let Some(seen) = self.seen.get_mut(..out.len()) else {
            return false;
        };
        for value in seen.iter_mut() {
            *value *= self.gain;
        }
        if disturbed.open || disturbed.shorted || self.routed {
            self.noise.add_white_to(self.own_noise, seen);
        } else {
            self.noise.add_to(seen);
        }
        for (volts, hum) in &mut self.hum {
            hum.add_to(seen, *volts, sample);
        }
        if disturbed.hum > 0.0 {
            self.mains.add_to(seen, disturbed.hum, sample);
        }
        if disturbed.overload {
            seen.fill(3.0 * range);
        }
        convert(seen, range, steps, out)
    }
}

/// What faults do to what is at the other end of the wire: a loose mount, a drift, a clipped output, a reversed polarity.
fn alter(volts: &mut [f64], rest: f64, sensitivity: f64, rattle: &mut Rattle, disturbed: &Disturbance) {
    let (share, turn) = disturbed.rattle;
    if share > 0.0 {
        rattle.add_to(volts, sensitivity, share, turn);
    } else {
        rattle.rest();
    }
    let (mut change, rise) = disturbed.drift;
    if change != 0.0 || rise != 0.0 {
        for value in volts.iter_mut() {
            // A sensitivity may vanish, but does not turn round.
            *value = rest + (*value - rest) * (1.0 + change).max(0.0);
            change += rise;
        }
    }
    if let Some(most) = disturbed.clip {
        for value in volts.iter_mut() {
            *value = value.max(rest - most).min(rest + most);
        }
    }
    if disturbed.reversed {
        for value in volts.iter_mut() {
            *value = -*value;
        }
    }
}

/// Converts volts to the nearest of `steps` codes over ±`range`; true if the range was left.
fn convert(volts: &[f64], range: f64, steps: f64, out: &mut [f32]) -> bool {
    // Adding and taking away 1.5 × 2^52 rounds to the nearest whole number, half to even, for what a converter can hold.
    const ROUND: f64 = 6_755_399_441_055_744.0;
    let step = 2.0 * range / steps;
    let per_volt = 1.0 / step;
    let (lowest, highest) = (-steps / 2.0, steps / 2.0 - 1.0);
    let mut beyond = false;
    for (to, from) in out.iter_mut().zip(volts) {
        beyond |= from.abs() >= range;
        let code = ((from * per_volt).clamp(lowest, highest) + ROUND) - ROUND;
        #[expect(clippy::cast_possible_truncation, reason = "a sample is rounded to f32 here, once")]
        let sample = (code * step) as f32;
        *to = sample;
    }
    beyond
}

#[cfg(test)]
mod tests;
