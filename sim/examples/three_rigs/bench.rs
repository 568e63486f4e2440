//! An open rig, driven through the driver contract.

use super::{Machine, RATE};
use drivers::{
    Acquisition, AcquisitionRequest, ChannelRequest, DrivePermit, Opened, PermitIssuer, PowerAmplifier,
    SignalSource, Tone, Transition,
};
use plan_schema::faults::Faults;
use plan_schema::read::Document;
use plan_schema::resolve::ResolvedJob;
use plan_schema::units::{Hertz, Seconds, Volts};
use sim::SimulatedRig;
use std::future::Future;

/// Calls of the simulator never wait, so a bare runtime will do.
pub(crate) fn wait<T>(call: impl Future<Output = T>) -> T {
    tokio::runtime::Builder::new_current_thread().build().unwrap().block_on(call)
}

/// Faults from the tables of a faults file.
pub(crate) fn faults(tables: &str) -> Faults {
    Document::read("faults", &format!("format = 1\n{tables}")).unwrap().value
}

/// An open rig with its acquisition running.
pub(crate) struct Bench {
    /// The rig.
    pub(crate) rig: SimulatedRig,
    /// Its source.
    pub(crate) source: Box<dyn SignalSource>,
    /// Its amplifier.
    pub(crate) amplifier: Box<dyn PowerAmplifier>,
    acquisition: Box<dyn Acquisition>,
    _opened: [Opened; 2],
    permit: DrivePermit,
    frames: u32,
}

impl Bench {
    /// One sensor without a filter, full scale `range` in m/s² of the reference, blocks of `frames` samples.
    pub(crate) fn new(machine: &Machine, range: f64, frames: u32) -> Self {
        Self::of(&machine.job(&[""], range * 2.0, "0 ug/sqrtHz"), frames, &faults("fault = []\n"))
    }

    /// The rig of a job.
    pub(crate) fn of(job: &ResolvedJob, frames: u32, faults: &Faults) -> Self {
        let rig = SimulatedRig::new(job, 1, faults).unwrap();
        let factory = rig.factory("simulated");
        let mut generator = wait(factory.open(&job.rig.instruments[0])).unwrap();
        let mut power = wait(factory.open(&job.rig.instruments[1])).unwrap();
        let mut acquisition = generator.acquisition.take().unwrap();
        let want = AcquisitionRequest {
            rate: job.rig.acquisition.rate,
            frames,
            channels: job.columns.iter().map(|c| ChannelRequest { input: c.input, range: c.range }).collect(),
        };
        wait(acquisition.configure(&want)).unwrap();
        wait(acquisition.start()).unwrap();
        let (mut issuer, _) = PermitIssuer::new();
        Self {
            rig,
            source: generator.source.take().unwrap(),
            amplifier: power.amplifier.take().unwrap(),
            acquisition,
            _opened: [generator, power],
            permit: issuer.grant(Volts::new(1000.0)),
            frames,
        }
    }

    /// Goes to a tone within `over` seconds, 20 ms at least.
    pub(crate) fn tone(&mut self, frequency: f64, amplitude: f64, over: f64) {
        let tone = Tone { frequency: Hertz::new(frequency), amplitude: Volts::new(amplitude) };
        let over = Seconds::new(over);
        wait(self.source.set_tone(&self.permit, Transition { tone, over })).unwrap();
    }

    /// Connects the coil to the amplifier.
    pub(crate) fn unmute(&mut self) {
        wait(self.amplifier.unmute(&self.permit)).unwrap();
    }

    /// Waits for a block and passes each channel's samples to `take`.
    pub(crate) fn block(&mut self, mut take: impl FnMut(usize, &[f32])) {
        let block =
            wait(self.acquisition.next_block(Seconds::new(60.0))).unwrap().expect("the rig never stalls");
        for channel in 0..block.channels() {
            take(channel, block.channel(channel));
        }
    }

    /// Samples of each channel over `seconds`, to the next whole block.
    pub(crate) fn run(&mut self, seconds: f64) -> Vec<Vec<f64>> {
        let mut channels: Vec<Vec<f64>> = Vec::new();
        let blocks = (seconds * RATE / f64::from(self.frames) - 1e-9).ceil();
        let mut n = 0.0;
        while n < blocks {
            self.block(|channel, samples| {
                if channels.len() <= channel {
                    channels.resize(channel + 1, Vec::new());
                }
                channels[channel].extend(samples.iter().map(|v| f64::from(*v)));
            });
            n += 1.0;
        }
        channels
    }
}
