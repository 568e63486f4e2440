//! The electrical output of a sensor: from what its element feels to the voltage on its line. Pure.
//!
//! Owns: scale with temperature, supply and mounting, output at rest and its drift, bias, limits, one line or two.
//! Noise is not here: `channel` adds that of sensor and channel together, which costs one draw instead of two; so noise
//! rides on a clipped output.

use crate::sensor::STATED_AT;
use plan_schema::registers::{ConditionerGain, Sensor};
use plan_schema::rig::Channel;
use plan_schema::units::AmperesDc;

/// Samples over which the drift at rest goes linearly, counted from the start of the world.
const DRIFT_GRID: u64 = 64;

/// Samples, and the temperature where the sensors stand.
#[derive(Debug, Clone, Copy)]
pub(crate) struct When {
    /// Samples since the start of the world.
    pub(crate) sample: u64,
    /// Temperature in °C at the start of the world, and its rise per sample.
    pub(crate) temperature: (f64, f64),
    /// Sample period in s.
    pub(crate) period: f64,
}

/// What a line carries while it is cut or shorted: what the fault leaves at the channel.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(crate) struct Line {
    /// Volts while the cable is open.
    pub(crate) open: f64,
    /// Volts while the cable is shorted.
    pub(crate) short: f64,
    /// Volts at rest, drift apart.
    pub(crate) rest: f64,
}

/// A sensor's output stage.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Output {
    /// V/(m/s²) at 23 °C.
    gain: f64,
    temperature_coefficient: f64,
    at_rest: f64,
    /// Volts at the start of the world and the rate in 1/s at which they die away.
    drift: (f64, f64),
    limits: (f64, f64),
    /// Share of the output that the channel sees, and what it sees beside it.
    seen: (f64, f64),
    line: Line,
}

impl Output {
    /// The output of `sensor` with a true sensitivity of `gain`, seen by `channel`; `supply` is what its supply is off by,
    /// relative, `error` what its mounting does.
    pub(crate) fn new(sensor: &Sensor, channel: &Channel, gain: f64, supply: f64, error: f64) -> Self {
        let factor = 1.0 + supply;
        let bias = sensor.bias.map_or(0.0, |b| b.si());
        let (_, share) = sensor.seen_by(channel);
        let one_line = share < 1.0;
        // Nothing pulls an open line but the current source of built-in electronics.
        let open = sensor.bias.map_or(0.0, |_| sensor.compliance.si());
        let at_rest = sensor.rest_in(channel).si() * factor + bias;
        let beside = if one_line { sensor.common_mode.si() } else { 0.0 };
        Self {
            gain: gain * factor * (1.0 + error),
            temperature_coefficient: sensor.temperature_coefficient.si(),
            at_rest,
            drift: (sensor.zero_drift.si(), 1.0 / sensor.zero_drift_time.si()),
            limits: limits(sensor, channel),
            seen: (share, beside),
            line: Line { open, short: 0.0, rest: at_rest * share + beside },
        }
    }

    /// What the channel sees while the cable is cut or shorted.
    pub(crate) fn line(&self) -> Line {
        self.line
    }

    /// What the channel sees of one m/s², in V.
    pub(crate) fn gain(&self) -> f64 {
        self.gain * self.seen.0
    }

    /// Makes volts at the channel of a stretch of what the element feels in m/s².
    pub(crate) fn finish(&self, signal: &mut [f64], when: &When) {
        let (start, rise) = when.temperature;
        let factor = |n: f64| 1.0 + self.temperature_coefficient * (start - STATED_AT + rise * n);
        #[expect(clippy::cast_precision_loss, reason = "exact below 2^53 samples")]
        let mut n = when.sample as f64;
        for sample in signal.iter_mut() {
            *sample = *sample * (self.gain * factor(n)) + self.at_rest;
            n += 1.0;
        }
        if self.drift.0 != 0.0 {
            self.add_drift(signal, when);
        }
        let (low, high) = self.limits;
        if low > f64::NEG_INFINITY || high < f64::INFINITY {
            for sample in signal.iter_mut() {
                *sample = sample.max(low).min(high);
            }
        }
        let (share, beside) = self.seen;
        if share < 1.0 {
            for sample in signal.iter_mut() {
                *sample = *sample * share + beside;
            }
        }
    }

    /// Adds the drift after switching on, which is when the world starts.
    #[expect(clippy::cast_precision_loss, reason = "exact below 2^53 samples")]
    fn add_drift(&self, signal: &mut [f64], when: &When) {
        let (volts, rate) = self.drift;
        let at = |sample: u64| volts * (-(sample as f64) * when.period * rate).exp();
        let mut grid = when.sample - when.sample % DRIFT_GRID;
        let (mut from, mut to) = (at(grid), at(grid + DRIFT_GRID));
        for (n, value) in signal.iter_mut().enumerate() {
            let sample = when.sample + n as u64;
            if sample == grid + DRIFT_GRID {
                grid = sample;
                (from, to) = (to, at(grid + DRIFT_GRID));
            }
            *value += from + (to - from) * ((sample - grid) as f64 / DRIFT_GRID as f64);
        }
    }
}

/// Lowest and highest output in volts; of a current those of its shunt.
fn limits(sensor: &Sensor, channel: &Channel) -> (f64, f64) {
    let volts = (
        sensor.output_low.map_or(f64::NEG_INFINITY, |v| v.si()),
        sensor.output_high.map_or(f64::INFINITY, |v| v.si()),
    );
    let Some(ConditionerGain::Current(shunt)) = channel.conditioner_gain else {
        return volts;
    };
    let of_shunt = |current: Option<AmperesDc>, none: f64| current.map_or(none, |a| a.si() * shunt.si());
    (
        volts.0.max(of_shunt(sensor.current_low, f64::NEG_INFINITY)),
        volts.1.min(of_shunt(sensor.current_high, f64::INFINITY)),
    )
}

#[cfg(test)]
mod tests;
