//! A bench for the tests: an open rig, and a fit of a sine to what comes out of it.

use crate::facts::{Facts, RATE, no_faults};
use drivers::{
    Acquisition, AcquisitionRequest, Block, ChannelRequest, DrivePermit, Opened, PermitIssuer,
    PowerAmplifier, SignalSource, Tone, Transition,
};
use plan_schema::faults::Faults;
use plan_schema::units::{Hertz, Seconds, Volts};
use sim::{SimError, SimulatedRig};
use std::f64::consts::TAU;
use std::future::Future;

/// Calls of the simulator never wait, so a bare runtime will do.
pub(crate) fn wait<T>(call: impl Future<Output = T>) -> T {
    tokio::runtime::Builder::new_current_thread().build().unwrap().block_on(call)
}

/// An open rig with its acquisition running.
pub(crate) struct Bench {
    pub(crate) rig: SimulatedRig,
    pub(crate) source: Box<dyn SignalSource>,
    pub(crate) amplifier: Box<dyn PowerAmplifier>,
    pub(crate) acquisition: Box<dyn Acquisition>,
    pub(crate) generator: Opened,
    pub(crate) power: Opened,
    pub(crate) permit: DrivePermit,
    pub(crate) frames: u32,
}

impl Bench {
    pub(crate) fn new(facts: &Facts) -> Self {
        Self::with(facts, 1, &no_faults(), 200)
    }

    pub(crate) fn with(facts: &Facts, seed: u64, faults: &Faults, frames: u32) -> Self {
        Self::try_with(facts, seed, faults, frames).unwrap()
    }

    pub(crate) fn try_with(facts: &Facts, seed: u64, faults: &Faults, frames: u32) -> Result<Self, SimError> {
        let job = facts.job();
        let rig = SimulatedRig::new(&job, seed, faults)?;
        let factory = rig.factory("simulated");
        let mut generator = wait(factory.open(&job.rig.instruments[0])).unwrap();
        let mut power = wait(factory.open(&job.rig.instruments[1])).unwrap();
        let mut acquisition = generator.acquisition.take().unwrap();
        let want = AcquisitionRequest {
            rate: job.rig.acquisition.rate,
            frames,
            channels: job.columns.iter().map(|c| ChannelRequest { input: c.input, range: c.range }).collect(),
        };
        assert_eq!(wait(acquisition.configure(&want)).unwrap(), want);
        wait(acquisition.start()).unwrap();
        let (mut issuer, _) = PermitIssuer::new();
        Ok(Self {
            rig,
            source: generator.source.take().unwrap(),
            amplifier: power.amplifier.take().unwrap(),
            acquisition,
            generator,
            power,
            permit: issuer.grant(Volts::new(5.0)),
            frames,
        })
    }

    /// Goes to a tone as fast as the source can; returns what was applied.
    pub(crate) fn tone(&mut self, frequency: f64, amplitude: f64) -> Tone {
        self.tone_over(frequency, amplitude, 0.0).tone
    }

    pub(crate) fn tone_over(&mut self, frequency: f64, amplitude: f64, over: f64) -> Transition {
        let tone = Tone { frequency: Hertz::new(frequency), amplitude: Volts::new(amplitude) };
        wait(self.source.set_tone(&self.permit, Transition { tone, over: Seconds::new(over) })).unwrap()
    }

    pub(crate) fn unmute(&mut self) {
        assert!(!wait(self.amplifier.unmute(&self.permit)).unwrap().muted);
    }

    pub(crate) fn mute(&mut self) {
        assert!(wait(self.amplifier.mute()).unwrap().muted);
    }

    /// The next block, waited for as long as it lasts.
    pub(crate) fn block(&mut self) -> Option<Block> {
        let length = f64::from(self.frames) / RATE;
        wait(self.acquisition.next_block(Seconds::new(length))).unwrap()
    }

    /// Samples of each channel over `seconds`.
    pub(crate) fn run(&mut self, seconds: f64) -> Vec<Vec<f64>> {
        let mut channels: Vec<Vec<f64>> = Vec::new();
        let blocks = seconds * RATE / f64::from(self.frames);
        let mut n = 0.0;
        while n < blocks {
            let block = self.block().unwrap();
            channels.resize(block.channels(), Vec::new());
            for (c, samples) in channels.iter_mut().enumerate() {
                samples.extend(block.channel(c).iter().map(|v| f64::from(*v)));
            }
            n += 1.0;
        }
        channels
    }
}

/// Amplitude and phase (rad, of a sine that begins at sample `first`) of a sine of known frequency, offset apart, by
/// least squares over all samples: the three-parameter fit of IEEE Std 1057.
pub(crate) fn fit(samples: &[f64], frequency: f64, first: usize) -> (f64, f64) {
    let mut normal = nalgebra::Matrix3::zeros();
    let mut right = nalgebra::Vector3::zeros();
    for (n, sample) in samples.iter().enumerate() {
        let turn = (n as f64 - first as f64) / RATE * frequency;
        let (sin, cos) = (TAU * turn.fract()).sin_cos();
        let row = nalgebra::Vector3::new(sin, cos, 1.0);
        normal += row * row.transpose();
        right += row * *sample;
    }
    let x = normal.try_inverse().unwrap() * right;
    (x[0].hypot(x[1]), x[1].atan2(x[0]))
}

/// A difference of phases in degrees, within −180 to 180.
pub(crate) fn degrees(phase: f64) -> f64 {
    (phase.to_degrees() + 540.0).rem_euclid(360.0) - 180.0
}
