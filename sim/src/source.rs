//! The signal source: a sine without steps in phase and without jumps. Pure.
//!
//! Owns: resolution and limits of a setting, phase and amplitude from sample to sample. A change of frequency keeps the
//! phase, and a tone that starts from 0 V starts at phase zero, rising; a change of amplitude takes the ramp, shaped as a
//! raised cosine that is linear within a sample.
//!
//! # Streams
//! A source that streams holds each value until the next, `T` later. Of a sine of frequency f this makes a sine that is
//! smaller by `sin(πfT)/(πfT)` and late by `T/2`, which is what is put out here, and images of `f T` of its size and less
//! about the update rate and its multiples, which are left out: amplifier and mass keep them from the table. A change of
//! frequency then steps by the hold's change of phase, less than a held value's own steps.

use crate::discretise::Wave;
use crate::error::SimError;
use plan_schema::simulation::SimulatedSource;
use plan_schema::units::{SampleCount, SamplesPerSecond, Seconds};
use std::f64::consts::{PI, TAU};

/// Samples after which the turning sine is computed afresh, so that rounding does not add up.
const FRESH: u64 = 64;

/// Longest way from one setting to the next, s.
const LONGEST: f64 = 1000.0;

/// A setting: frequency in Hz, amplitude in V.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(crate) struct Setting {
    pub(crate) frequency: f64,
    pub(crate) amplitude: f64,
    /// Time that the way to it shall take, s; the ramp of the rig file if that is longer.
    pub(crate) over: f64,
}

/// The signal source.
#[derive(Debug, Clone)]
pub(crate) struct Source {
    facts: SimulatedSource,
    rate: f64,
    ramp: u64,
    /// What the hold of a stream does to the tone: cosine and sine of its lag, times its gain.
    hold: (f64, f64),
    /// The value in V at which the output has stopped.
    stopped_at: Option<f64>,
    /// The setting as it was last commanded; this is what the source reads back.
    commanded: Setting,
    frequency: f64,
    sample: u64,
    /// Sample and turns at which the frequency was set.
    since: (u64, f64),
    /// Sine, cosine now, and of the turn from one sample to the next.
    sine: (f64, f64),
    turn: (f64, f64),
    from: f64,
    to: f64,
    ramp_start: u64,
    amplitude: f64,
    amplitude_next: f64,
}

impl Source {
    /// A source at 0 V.
    ///
    /// # Errors
    /// A step, limit, latency or ramp that can't be.
    pub(crate) fn new(facts: &SimulatedSource, rate: SamplesPerSecond) -> Result<Self, SimError> {
        let key = |name: &str| format!("simulation.source.{name}");
        SimError::not_negative(
            facts.frequency_step.si(),
            "the step of the frequency in Hz",
            &key("frequency_step"),
        )?;
        SimError::not_negative(
            facts.amplitude_step.si(),
            "the step of the amplitude in V",
            &key("amplitude_step"),
        )?;
        SimError::positive(facts.output_limit.si(), "the largest output in V", &key("output_limit"))?;
        SimError::not_negative(facts.latency.si(), "the latency in s", &key("latency"))?;
        SimError::not_negative(facts.ramp.si(), "the ramp in s", &key("ramp"))?;
        SimError::positive(facts.update_rate.si(), "the update rate in S/s", &key("update_rate"))?;
        SimError::positive(
            1.0 + facts.clock_error.si(),
            "the rate of the clock against a true one",
            &key("clock_error"),
        )?;
        Ok(Self {
            facts: facts.clone(),
            rate: rate.si(),
            ramp: 1,
            hold: (1.0, 0.0),
            stopped_at: None,
            commanded: Setting::default(),
            frequency: 0.0,
            sample: 0,
            since: (0, 0.0),
            sine: (0.0, 1.0),
            turn: (0.0, 1.0),
            from: 0.0,
            to: 0.0,
            ramp_start: 0,
            amplitude: 0.0,
            amplitude_next: 0.0,
        })
    }

    /// Lowest and highest frequency in Hz: beyond half the sample rate nothing could show what the source does.
    pub(crate) fn frequencies(&self) -> (f64, f64) {
        (self.facts.frequency_step.si(), self.rate / 2.0)
    }

    /// Largest amplitude in V.
    pub(crate) fn amplitude_max(&self) -> f64 {
        self.facts.output_limit.si()
    }

    /// What a wish becomes: frequency to the nearest step, amplitude to the next step down; or why it can't be.
    pub(crate) fn resolve(&self, want: Setting) -> Result<Setting, String> {
        let (lowest, highest) = self.frequencies();
        let frequency = on_grid(want.frequency, self.facts.frequency_step.si(), f64::round);
        // Written so that what is no number is refused.
        if !(frequency > 0.0 && frequency >= lowest && frequency <= highest) {
            return Err(format!("{} Hz lies outside {lowest} Hz to {highest} Hz", want.frequency));
        }
        if !(want.amplitude >= 0.0 && want.amplitude <= self.amplitude_max()) {
            return Err(format!("{} V pk lies outside 0 V to {} V pk", want.amplitude, self.amplitude_max()));
        }
        // A hair above a step counts as the step: 0.3 V is three steps of 0.1 V. Never more than the wish.
        let down = |steps: f64| (steps * (1.0 + 1e-12)).floor();
        let amplitude = on_grid(want.amplitude, self.facts.amplitude_step.si(), down).min(want.amplitude);
        let over = self.way(want.over)?;
        Ok(Setting { frequency, amplitude, over })
    }

    /// The shortest way, in s.
    pub(crate) fn shortest_way(&self) -> f64 {
        self.facts.ramp.si()
    }

    /// How long a way will take: at least the ramp of the rig file, in s.
    pub(crate) fn way(&self, over: f64) -> Result<f64, String> {
        if (0.0..=LONGEST).contains(&over) {
            Ok(over.max(self.facts.ramp.si()))
        } else {
            Err(format!("a way of {over} s lies outside 0 s to {LONGEST} s"))
        }
    }

    /// Notes a command, already resolved; it acts when [`Self::follow`] is called.
    pub(crate) fn command(&mut self, setting: Setting) {
        self.commanded = setting;
    }

    /// What the source reads back.
    pub(crate) fn commanded(&self) -> Setting {
        self.commanded
    }

    /// A command acts from this sample on.
    pub(crate) fn follow(&mut self, setting: Setting) {
        if setting.frequency > 0.0 {
            if self.is_at_rest() {
                self.since = (self.sample, 0.0);
                self.sine = (0.0, 1.0);
            } else {
                self.since = (self.sample, self.turns());
            }
            self.frequency = setting.frequency * (1.0 + self.facts.clock_error.si());
            self.hold = if self.facts.streams {
                held(self.frequency / self.facts.update_rate.si())
            } else {
                (1.0, 0.0)
            };
            self.turn = (self.omega() / self.rate).sin_cos();
        }
        self.from = self.amplitude;
        self.to = setting.amplitude;
        self.ramp_start = self.sample;
        self.ramp =
            SampleCount::at_least(Seconds::new(setting.over), SamplesPerSecond::new(self.rate)).0.max(1);
        self.amplitude_next = self.amplitude_at(self.sample + 1);
    }

    /// True at 0 V with the way there over: whatever starts now has no phase to keep, and starts at phase zero, rising.
    fn is_at_rest(&self) -> bool {
        self.to <= 0.0 && self.sample - self.ramp_start >= self.ramp
    }

    /// The output stops at the value that it has, or goes on where it would be had it not stopped.
    pub(crate) fn hold(&mut self, stopped: bool) {
        match (stopped, self.stopped_at) {
            (true, None) => self.stopped_at = Some(self.wave(1.0)[0] + self.facts.offset.si()),
            (false, Some(_)) => self.stopped_at = None,
            _ => {}
        }
    }

    /// True frequency in Hz at this sample; 0 before the first tone.
    pub(crate) fn frequency(&self) -> f64 {
        self.frequency
    }

    /// Angular frequency at this sample.
    pub(crate) fn omega(&self) -> f64 {
        TAU * self.frequency
    }

    /// Amplitude in V at this sample; of an output that stopped, what it holds.
    pub(crate) fn amplitude(&self) -> f64 {
        self.stopped_at.map_or(self.amplitude, f64::abs)
    }

    /// The output from this sample to the next, times `gain`.
    #[inline]
    pub(crate) fn wave(&self, gain: f64) -> Wave {
        if let Some(volts) = self.stopped_at {
            return [0.0, 0.0, 0.0, 0.0, volts * gain];
        }
        let ((sin, cos), (real, imaginary)) = (self.sine, self.hold);
        let (sin, cos) = (sin * real - cos * imaginary, cos * real + sin * imaginary);
        let amplitude = self.amplitude * gain;
        let rise = (self.amplitude_next - self.amplitude) * gain;
        [amplitude * sin, amplitude * cos, rise * sin, rise * cos, self.facts.offset.si() * gain]
    }

    /// Goes to the next sample.
    #[inline]
    pub(crate) fn advance(&mut self) {
        self.sample += 1;
        if (self.sample - self.since.0).is_multiple_of(FRESH) {
            self.sine = (TAU * self.turns()).sin_cos();
        } else {
            let ((sin, cos), (turn_sin, turn_cos)) = (self.sine, self.turn);
            self.sine = (sin * turn_cos + cos * turn_sin, cos * turn_cos - sin * turn_sin);
        }
        self.amplitude = self.amplitude_next;
        self.amplitude_next = self.amplitude_at(self.sample + 1);
    }

    /// Turns of the sine at this sample, from 0 to 1.
    #[expect(clippy::cast_precision_loss, reason = "exact below 2^53 samples")]
    fn turns(&self) -> f64 {
        let (sample, turns) = self.since;
        (turns + self.frequency * ((self.sample - sample) as f64 / self.rate)).fract()
    }

    #[inline]
    #[expect(clippy::cast_precision_loss, reason = "ramps are short")]
    fn amplitude_at(&self, sample: u64) -> f64 {
        let passed = sample - self.ramp_start;
        if passed >= self.ramp {
            return self.to;
        }
        let share = 0.5 - 0.5 * (PI * (passed as f64 / self.ramp as f64)).cos();
        self.from + (self.to - self.from) * share
    }
}

/// Cosine and sine of the lag of a zero-order hold, times its gain, for a tone of `turns` per update.
fn held(turns: f64) -> (f64, f64) {
    let half = PI * turns;
    let gain = if half > 0.0 { half.sin() / half } else { 1.0 };
    (gain * half.cos(), gain * half.sin())
}

/// The value on a grid of `step`, as `choose` decides for the number of steps; a step of 0 is no grid.
fn on_grid(value: f64, step: f64, choose: impl Fn(f64) -> f64) -> f64 {
    if step <= 0.0 {
        return value;
    }
    let steps = choose(value / step);
    // With a whole number of steps to one unit, dividing is exact where multiplying is not: 16 Hz stays 16 Hz.
    let per_unit = (1.0 / step).round();
    if (per_unit * step - 1.0).abs() < 1e-12 { steps / per_unit } else { steps * step }
}

#[cfg(test)]
mod tests {
    use super::*;
    use plan_schema::units::{Hertz, Volts};

    fn source() -> Source {
        let facts = SimulatedSource {
            frequency_step: Hertz::new(1e-3),
            amplitude_step: Volts::new(0.1),
            ramp: Seconds::new(0.01),
            ..SimulatedSource::default()
        };
        Source::new(&facts, SamplesPerSecond::new(10_000.0)).unwrap()
    }

    fn ask(frequency: f64, amplitude: f64) -> Result<(f64, f64), String> {
        source().resolve(Setting { frequency, amplitude, over: 0.0 }).map(|s| (s.frequency, s.amplitude))
    }

    #[test]
    fn a_wish_becomes_what_the_source_can_make() {
        assert_eq!(ask(16.0, 0.3), Ok((16.0, 0.3)));
        assert_eq!(ask(16.000_4, 0.399), Ok((16.0, 0.3)));
        assert_eq!(ask(0.500_6, 0.05), Ok((0.501, 0.0)));
        for (frequency, amplitude) in
            [(0.0, 1.0), (5001.0, 1.0), (f64::NAN, 1.0), (1.0, -0.1), (1.0, 5.1), (1.0, f64::NAN)]
        {
            assert!(ask(frequency, amplitude).is_err(), "{frequency} {amplitude}");
        }
    }

    /// Neither output nor its slope may jump when frequency and amplitude change.
    #[test]
    fn changes_are_smooth() {
        let mut source = source();
        source.follow(Setting { frequency: 50.0, amplitude: 1.0, over: 0.01 });
        let mut output = Vec::new();
        for n in 0..3000 {
            match n {
                1003 => source.follow(Setting { frequency: 80.0, amplitude: 2.0, over: 0.01 }),
                1050 => source.follow(Setting { frequency: 20.0, amplitude: 0.5, over: 0.01 }),
                2000 => source.follow(Setting { frequency: 0.0, amplitude: 0.0, over: 0.01 }),
                _ => {}
            }
            output.push(source.wave(1.0)[0]);
            source.advance();
        }
        // Largest slope: 2π 80 Hz 2 V and the ramp's 2 V π/2 / 10 ms, over 0.1 ms.
        let steepest = output.windows(2).map(|w| (w[1] - w[0]).abs()).fold(0.0, f64::max);
        assert!(steepest < 0.14, "{steepest}");
        let largest = output[..1000].iter().copied().fold(0.0, f64::max);
        assert!((largest - 1.0).abs() < 1e-12, "{largest}");
        assert!(output[2100..].iter().all(|v| v.abs() <= 0.0));
    }

    /// From 0 V a tone starts at phase zero, rising; before the ramp to 0 V is over it keeps its phase.
    #[test]
    fn a_start_from_rest_is_at_phase_zero() {
        for (pause, at_zero) in [(100, true), (137, true), (99, false), (60, false)] {
            let mut source = source();
            // 33 Hz for 0.0777 s and the ramp: no whole number of turns, nor of blocks of fresh sines.
            source.follow(Setting { frequency: 33.0, amplitude: 1.0, over: 0.01 });
            (0..777).for_each(|_| source.advance());
            source.follow(Setting { frequency: 33.0, amplitude: 0.0, over: 0.01 });
            (0..pause).for_each(|_| source.advance());
            source.follow(Setting { frequency: 80.0, amplitude: 1.0, over: 0.01 });
            for n in 0..1000_u32 {
                if n >= 100 {
                    let turns = if at_zero { 0.0 } else { 33.0 * f64::from(777 + pause) / 10_000.0 };
                    let wanted = (TAU * (turns + 80.0 * f64::from(n) / 10_000.0)).sin();
                    assert!((source.wave(1.0)[0] - wanted).abs() < 1e-9, "{pause} {n}");
                }
                source.advance();
            }
        }
    }

    #[test]
    fn the_phase_is_kept_over_long_times() {
        let mut source = source();
        source.follow(Setting { frequency: 123.456, amplitude: 1.0, over: 0.01 });
        for _ in 0..1_000_000 {
            source.advance();
        }
        // 100 s: 12345.6 turns
        assert!((source.wave(1.0)[0] - (TAU * 0.6).sin()).abs() < 1e-8);
    }
}
