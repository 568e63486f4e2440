//! What the channels of the bench show: an ideal shaker on a source that starts at phase zero, each channel with faults and
//! noise of its own. Must not: know the run machine.

use crate::control::Plant;
use crate::sequence::Setup;
use plan_schema::units::Hertz;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};
use std::f64::consts::{PI, TAU};

/// What one channel is connected to.
#[derive(Debug, Clone)]
pub(crate) struct Wire {
    /// Volts per m/s² by the register.
    pub(crate) scale: f64,
    /// Truth over register.
    pub(crate) gain: f64,
    /// Third harmonic that the motion does not have, as a share.
    pub(crate) third: f64,
    /// Volts at rest.
    pub(crate) offset: f64,
    /// White noise, V rms.
    pub(crate) noise: f64,
    /// Hum at the frequency of the mains, V peak.
    pub(crate) hum: f64,
    /// The channel says that it is overloaded, whatever it shows.
    pub(crate) overload: bool,
    /// What the channel shows of a volt at its input.
    pub(crate) channel: f64,
    range: f64,
}

/// All channels of a job, as the files say.
pub(crate) fn of(setup: &Setup) -> Vec<Wire> {
    let job = &setup.job;
    let reference = setup.sensitivity_near(Hertz::new(10.0)).si();
    let of = |column: usize, range: f64| {
        let sensors = || job.sensors.iter().chain(&job.check_standards);
        let (scale, offset) = if let Some(s) = sensors().find(|s| s.column == column) {
            let (at_rest, share) = s.sensor.seen_by(&job.columns[column]);
            (s.sensor.nominal_sensitivity.si() * share, at_rest.si())
        } else if let Some(s) = sensors().find(|s| s.supply_column == Some(column)) {
            (0.0, s.sensor.supply.unwrap().si())
        } else if let Some(witness) = job.witnesses.iter().find(|w| w.column == column) {
            (witness.nominal.si(), 0.0)
        } else {
            (reference, 0.0)
        };
        let (gain, third, noise, hum, overload) = (1.0, 0.0, 20e-6, 0.0, false);
        Wire { scale, gain, third, offset, noise, hum, overload, channel: 1.0, range }
    };
    job.columns.iter().enumerate().map(|(n, c)| of(n, c.range.si())).collect()
}

/// The source's output: a sine whose amplitude goes from one value to another over a raised cosine.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Tone {
    frequency: f64,
    from: f64,
    to: f64,
    /// Sample at which the way begins, and how many it takes.
    begun: f64,
    over: f64,
    /// Sample at which the sine has phase zero.
    origin: f64,
}

impl Tone {
    pub(crate) const NONE: Self =
        Self { frequency: 10.0, from: 0.0, to: 0.0, begun: 0.0, over: 0.0, origin: 0.0 };

    /// Where it goes from here; from zero it begins at phase zero.
    pub(crate) fn go(self, frequency: f64, to: f64, begun: f64, over: f64) -> Self {
        let from = self.amplitude(begun);
        let origin = if from == 0.0 { begun } else { self.origin };
        Self { frequency, from, to, begun, over, origin }
    }

    /// Another amplitude at the same frequency.
    pub(crate) fn to(self, to: f64, begun: f64, over: f64) -> Self {
        self.go(self.frequency, to, begun, over)
    }

    /// Amplitude in the end.
    pub(crate) fn wanted(&self) -> f64 {
        self.to
    }

    fn amplitude(&self, sample: f64) -> f64 {
        let share = ((sample - self.begun) / self.over.max(1.0)).clamp(0.0, 1.0);
        self.from + (self.to - self.from) * (0.5 - 0.5 * (PI * share).cos())
    }
}

/// Samples of all channels and what each says of an overload.
pub(crate) fn block(
    wires: &[Wire],
    (plant, tone, response): (&Plant, &Tone, f64),
    (first, frames, rate): (u64, u64, f64),
    (routed, exchanged): (bool, &[usize]),
    seed: &mut ChaCha8Rng,
) -> (Vec<Vec<f32>>, Vec<bool>) {
    let answer = plant.acceleration_per_volt(Hertz::new(tone.frequency)) * response;
    let moved: Vec<[f64; 3]> = (first..first + frames)
        .map(|n| {
            let n = n as f64;
            let turned = TAU * tone.frequency * (n - tone.origin) / rate + answer.arg();
            let amplitude = if n < tone.origin { 0.0 } else { tone.amplitude(n) * answer.norm() };
            let volts = if n < tone.origin { 0.0 } else { tone.amplitude(n) };
            let source = volts * (TAU * tone.frequency * (n - tone.origin) / rate).sin();
            [amplitude * turned.sin(), amplitude * (3.0 * turned).sin(), source]
        })
        .collect();
    let samples: Vec<Vec<f32>> = wires
        .iter()
        .enumerate()
        .map(|(column, wire)| {
            let signal = if exchanged.contains(&column) { &wires[super::REFERENCE] } else { wire };
            let sample = |(n, [a, third, source]): (usize, &[f64; 3])| {
                let hum = wire.hum * (TAU * 50.0 * (first + n as u64) as f64 / rate + 0.7).sin();
                let noise: f64 = StandardNormal.sample(seed);
                let moved = signal.offset + signal.scale * signal.gain * (a + signal.third * third);
                let signal = if routed && wire.scale != 0.0 { *source } else { moved };
                (wire.channel * signal + hum + wire.noise * noise).clamp(-wire.range, wire.range) as f32
            };
            moved.iter().enumerate().map(sample).collect()
        })
        .collect();
    let beyond = |(wire, samples): (&Wire, &Vec<f32>)| {
        wire.overload || samples.iter().any(|v| f64::from(v.abs()) >= wire.range * 0.999_999)
    };
    let overload = wires.iter().zip(&samples).map(beyond).collect();
    (samples, overload)
}
