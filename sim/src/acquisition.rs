//! The acquisition: from volts at its inputs to blocks of samples. Pure.
//!
//! Owns: which input carries what, gain error and noise of each input, range, converter, overload flags, blocks and the
//! samples lost between them. Must not: decide when time moves; the world does.

use crate::error::SimError;
use crate::faults::Effects;
use crate::random::{self, Noise};
use plan_schema::resolve::ResolvedJob;
use plan_schema::units::SamplesPerSecond;
use std::f64::consts::{SQRT_2, TAU};

/// Largest stretch that is worked on at once; bounds the buffers.
pub(crate) const STRETCH: usize = 512;

/// Most samples of a channel in one block.
const FRAMES_MAX: u32 = 4_000_000;

/// What is connected to an input.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Wire {
    /// Nothing: the input shows its own noise.
    Nothing,
    /// The reference.
    Reference,
    /// The sensor of this number in the job.
    Sensor(usize),
}

/// An input of the acquisition: a channel of the rig file.
struct Input {
    number: u32,
    wire: Wire,
    /// True gain, near 1.
    gain: f64,
    noise: Noise,
}

/// An input that was asked for.
#[derive(Debug, Clone, Copy)]
struct Chosen {
    input: usize,
    range: f64,
}

/// A block before it gets the form of the driver contract.
#[derive(Debug)]
pub(crate) struct Taken {
    pub(crate) first: u64,
    pub(crate) gap: u64,
    pub(crate) samples: Vec<f32>,
    pub(crate) overload: Vec<bool>,
}

/// The acquisition.
pub(crate) struct Sampler {
    rate: f64,
    mains: f64,
    steps: f64,
    inputs: Vec<Input>,
    chosen: Vec<Chosen>,
    frames: usize,
    running: bool,
    /// Samples since the start, lost ones included.
    index: u64,
    /// Samples lost since the last block.
    lost: u64,
    samples: Vec<f32>,
    filled: usize,
    overload: Vec<bool>,
    work: Vec<f64>,
}

impl Sampler {
    /// All channels of the rig, none of them asked for yet.
    ///
    /// # Errors
    /// Two channels on one input, or a converter that can't be.
    pub(crate) fn new(job: &ResolvedJob, seed: u64, rate: SamplesPerSecond) -> Result<Self, SimError> {
        let facts = &job.rig.simulation.acquisition;
        let noise = SimError::not_negative(
            facts.noise.si(),
            "the noise of a channel in V",
            "simulation.acquisition.noise",
        )?;
        if !(2..=32).contains(&facts.bits) {
            return Err(SimError::new(
                format!("a converter of {} bits can't be simulated", facts.bits),
                "write 2 to 32 for simulation.acquisition.bits",
            ));
        }
        let ratio = job.rig.errors.channel_ratio.si();
        SimError::not_negative(ratio, "the error of the channels' ratio", "errors.channel_ratio")?;
        // Expanded (k = 2) for the ratio of two: each channel has 1/√2 of its standard uncertainty.
        let gain_error = ratio / 2.0 / SQRT_2;
        let mut inputs: Vec<Input> = Vec::new();
        for channel in &job.rig.channels {
            if inputs.iter().any(|other| other.number == channel.input) {
                return Err(SimError::new(
                    format!("channel '{}' shares input {} with another channel", channel.name, channel.input),
                    "give each channel an input of its own",
                ));
            }
            let column = job.columns.iter().position(|c| c.name == channel.name);
            let wire = match column {
                Some(column) if column == job.reference.column => Wire::Reference,
                Some(column) => {
                    job.sensors.iter().position(|s| s.column == column).map_or(Wire::Nothing, Wire::Sensor)
                }
                None => Wire::Nothing,
            };
            inputs.push(Input {
                number: channel.input,
                wire,
                gain: 1.0 + gain_error * random::normal(seed, &format!("gain of channel {}", channel.name)),
                noise: Noise::new(seed, &format!("noise of channel {}", channel.name), noise),
            });
        }
        Ok(Self {
            rate: rate.si(),
            mains: job.rig.mains_frequency.si(),
            steps: f64::from(facts.bits).exp2(),
            inputs,
            chosen: Vec::new(),
            frames: 0,
            running: false,
            index: 0,
            lost: 0,
            samples: Vec::new(),
            filled: 0,
            overload: Vec::new(),
            work: vec![0.0; STRETCH],
        })
    }

    /// True between start and stop.
    pub(crate) fn is_running(&self) -> bool {
        self.running
    }

    /// Sets block length and channels (number of the input, range in V); or says why it can't.
    pub(crate) fn configure(&mut self, frames: u32, channels: &[(u32, f64)]) -> Result<(), String> {
        if frames == 0 || frames > FRAMES_MAX {
            return Err(format!("a block of {frames} samples is not within 1 to {FRAMES_MAX}"));
        }
        if channels.is_empty() {
            return Err("no channel was asked for".to_owned());
        }
        let mut chosen: Vec<Chosen> = Vec::with_capacity(channels.len());
        for (number, range) in channels {
            let Some(input) = self.inputs.iter().position(|i| i.number == *number) else {
                return Err(format!("there is no input {number}"));
            };
            if chosen.iter().any(|c| c.input == input) {
                return Err(format!("input {number} was asked for twice"));
            }
            if !(range.is_finite() && *range > 0.0) {
                return Err(format!("input {number} has no range of {range} V"));
            }
            chosen.push(Chosen { input, range: *range });
        }
        self.frames = usize::try_from(frames).unwrap_or(usize::MAX);
        self.chosen = chosen;
        Ok(())
    }

    /// Starts at sample 0; false if nothing was configured.
    pub(crate) fn start(&mut self) -> bool {
        if self.chosen.is_empty() {
            return false;
        }
        self.running = true;
        self.index = 0;
        self.lost = 0;
        self.begin_block();
        true
    }

    /// Stops; a block that was begun is dropped.
    pub(crate) fn stop(&mut self) {
        self.running = false;
    }

    /// Samples that are still wanted for the block that was begun.
    pub(crate) fn wanted(&self) -> usize {
        self.frames - self.filled
    }

    /// Loses `samples`, and those of the block that was begun.
    pub(crate) fn lose(&mut self, samples: u64) {
        self.index += samples;
        self.lost += samples + self.filled as u64;
        self.filled = 0;
        self.overload.fill(false);
    }

    /// Samples a stretch of at most [`Self::wanted`] samples that begins `sample` samples after the world's start;
    /// `signal` gives the volts of a wire.
    pub(crate) fn take<'a>(
        &mut self,
        sample: u64,
        samples: usize,
        effects: &Effects,
        signal: impl Fn(Wire) -> Option<&'a [f64]>,
    ) -> Option<Taken> {
        let to = self.filled..self.filled + samples;
        for (n, chosen) in self.chosen.iter().enumerate() {
            let Some(input) = self.inputs.get_mut(chosen.input) else {
                continue;
            };
            let work = self.work.get_mut(..samples)?;
            let disturbed = effects.on(chosen.input);
            match signal(input.wire).and_then(|s| s.get(..samples)) {
                Some(volts) if !disturbed.open => {
                    for (to, from) in work.iter_mut().zip(volts) {
                        *to = from * input.gain;
                    }
                }
                _ => work.fill(0.0),
            }
            if disturbed.hum > 0.0 {
                add_hum(work, disturbed.hum, self.mains / self.rate, sample);
            }
            input.noise.add_to(work);
            if disturbed.overload {
                work.iter_mut().for_each(|v| *v += 3.0 * chosen.range);
            }
            let out = self.samples.get_mut(n * self.frames + to.start..n * self.frames + to.end)?;
            if convert(work, chosen.range, self.steps, out)
                && let Some(flag) = self.overload.get_mut(n)
            {
                *flag = true;
            }
        }
        self.filled = to.end;
        self.index += samples as u64;
        (self.filled == self.frames).then(|| self.finish_block())
    }

    fn begin_block(&mut self) {
        self.samples = vec![0.0; self.frames.saturating_mul(self.chosen.len())];
        self.overload = vec![false; self.chosen.len()];
        self.filled = 0;
    }

    fn finish_block(&mut self) -> Taken {
        let taken = Taken {
            first: self.index - self.filled as u64,
            gap: self.lost,
            samples: std::mem::take(&mut self.samples),
            overload: std::mem::take(&mut self.overload),
        };
        self.lost = 0;
        self.begin_block();
        taken
    }
}

/// Adds a sine of amplitude `volts` and `turns` per sample whose phase is 0 at the start of the world.
#[expect(clippy::cast_precision_loss, reason = "exact below 2^53 samples")]
fn add_hum(signal: &mut [f64], volts: f64, turns: f64, sample: u64) {
    for (n, value) in signal.iter_mut().enumerate() {
        let turned = ((sample + n as u64) as f64 * turns).fract();
        *value += volts * (TAU * turned).sin();
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
mod tests {
    use super::*;

    #[test]
    #[expect(clippy::float_cmp, reason = "codes are exact")]
    fn the_converter_rounds_and_saturates() {
        let mut out = [0.0; 6];
        // 3 bits over ±4 V: steps of 1 V from −4 V to 3 V
        assert!(!convert(&[0.4, 0.6, -0.6, -3.4, 2.5, 3.5], 4.0, 8.0, &mut out));
        assert_eq!(out, [0.0, 1.0, -1.0, -3.0, 2.0, 3.0]);
        assert!(convert(&[0.0, 4.0], 4.0, 8.0, &mut out));
        assert!(convert(&[-4.0], 4.0, 8.0, &mut out));
        assert_eq!(out[..2], [-4.0, 3.0]);
    }
}
