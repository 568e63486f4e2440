//! One task a role: it owns the driver's side of it, takes calls one after the other, and answers.
//!
//! Invariant: leave is checked right before the driver is called, and again when the call ended; a drive that outlasted
//! its leave is followed by making safe.

use super::output::Output;
use super::safe::Shared;
use crate::block::Block;
use crate::error::{DriverError, ErrorKind};
use crate::protocol::{
    self, AmbientState, AmplifierState, BLOCK, BlockParams, Call, ChannelParams, Configure, ContactState,
    Done, FAILED, Fault, Mute, NO_METHOD, Off, Output as Switched, OutputOff, PermitParams, ReadAmbient,
    ReadContacts, ReadStatus, SetOutput, SetTone, Start, Stop, ToneState, Unmute, failure, not_finite,
    notification, reply,
};
use crate::roles::{
    Acquisition, AcquisitionRequest, Ambient, AmplifierStatus, ChannelRequest, Contacts, PowerAmplifier,
    SignalSource, Tone, Transition,
};
use crate::room;
use crate::safe::StopReason;
use plan_schema::units::{Hertz, SampleCount, SamplesPerSecond, Seconds, Volts};
use std::future::Future;
use std::sync::Arc;
use std::time::Duration;
use tokio::sync::mpsc::Receiver;

/// A call that waits for its role.
pub(super) struct Asked {
    pub(super) id: u64,
    pub(super) method: String,
    pub(super) line: Vec<u8>,
}

/// What every role needs to answer.
#[derive(Clone)]
pub(super) struct Desk {
    pub(super) shared: Arc<Shared>,
    pub(super) output: Output,
    pub(super) reply_limit: Duration,
}

type Answer = Result<Vec<u8>, Fault>;

impl Desk {
    fn answer(&self, id: u64, answer: Answer) {
        self.output.reply(answer.unwrap_or_else(|fault| failure(Some(id), &fault)));
    }

    /// A call of the driver that has to end in time.
    async fn bounded<T>(&self, call: impl Future<Output = Result<T, DriverError>>) -> Result<T, Fault> {
        match tokio::time::timeout(self.reply_limit, call).await {
            Ok(result) => result.map_err(|error| Fault::from(&error)),
            Err(_) => {
                let detail = format!("the instrument did not answer within {:?}", self.reply_limit);
                Err(Fault::of(ErrorKind::Timeout, detail))
            }
        }
    }

    fn permit(&self, permit: PermitParams, drive: Option<f64>) -> Result<crate::DrivePermit, Fault> {
        self.shared.leave().check(permit, drive).map_err(|detail| Fault::of(ErrorKind::OutOfRange, detail))
    }

    /// After a call that may drive: if leave was withdrawn meanwhile, what it did is undone.
    async fn still<T>(&self, generation: u64, result: Result<T, Fault>) -> Result<T, Fault> {
        if self.shared.leave().stands(generation) {
            return result;
        }
        let proof = self.shared.make_safe(StopReason::LinkLost).await.map_err(|e| Fault::from(&e))?;
        let detail = format!("leave {generation} was withdrawn during the call; made safe again: {proof:?}");
        Err(Fault::of(ErrorKind::OutOfRange, detail))
    }
}

fn params<C: Call>(asked: &Asked) -> Result<C, Fault> {
    protocol::params(&asked.line)
}

fn no_method(asked: &Asked) -> Answer {
    Err(Fault::plain(NO_METHOD, format!("there is no method '{}'", asked.method)))
}

/// The source.
pub(super) async fn source(desk: Desk, mut device: Box<dyn SignalSource>, mut calls: Receiver<Asked>) {
    while let Some(asked) = calls.recv().await {
        let answer = match asked.method.as_str() {
            SetTone::METHOD => set_tone(&desk, device.as_mut(), &asked).await,
            OutputOff::METHOD => output_off(&desk, device.as_mut(), &asked).await,
            _ => no_method(&asked),
        };
        desk.answer(asked.id, answer);
    }
}

async fn set_tone(desk: &Desk, device: &mut dyn SignalSource, asked: &Asked) -> Answer {
    let want: SetTone = params(asked)?;
    let tone =
        Tone { frequency: Hertz::new(want.frequency_hz), amplitude: Volts::new(want.amplitude_v_peak) };
    let way = Transition { tone, over: Seconds::new(want.over_s) };
    let permit = desk.permit(want.permit, Some(want.amplitude_v_peak))?;
    let result = desk.bounded(device.set_tone(&permit, way)).await;
    let Transition { tone, over } = desk.still(permit.generation(), result).await?;
    let (frequency, amplitude, over) = (tone.frequency.si(), tone.amplitude.si(), over.si());
    let state = ToneState {
        frequency_hz: Some(frequency),
        amplitude_v_peak: Some(amplitude),
        over_s: Some(over),
        not_finite: not_finite([
            ("frequency_hz", frequency),
            ("amplitude_v_peak", amplitude),
            ("over_s", over),
        ]),
    };
    reply(asked.id, &state)
}

async fn output_off(desk: &Desk, device: &mut dyn SignalSource, asked: &Asked) -> Answer {
    let want: OutputOff = params(asked)?;
    let over = desk.bounded(device.output_off(Seconds::new(want.over_s))).await?.si();
    reply(asked.id, &Off { over_s: Some(over), not_finite: not_finite([("over_s", over)]) })
}

/// The amplifier.
pub(super) async fn amplifier(desk: Desk, mut device: Box<dyn PowerAmplifier>, mut calls: Receiver<Asked>) {
    while let Some(asked) = calls.recv().await {
        let status = match asked.method.as_str() {
            Unmute::METHOD => unmute(&desk, device.as_mut(), &asked).await,
            Mute::METHOD => desk.bounded(device.mute()).await,
            ReadStatus::METHOD => desk.bounded(device.status()).await,
            _ => {
                desk.answer(asked.id, no_method(&asked));
                continue;
            }
        };
        let answer = status.and_then(|AmplifierStatus { muted, fault, clipping }| {
            reply(asked.id, &AmplifierState { muted, fault, clipping })
        });
        desk.answer(asked.id, answer);
    }
}

async fn unmute(
    desk: &Desk,
    device: &mut dyn PowerAmplifier,
    asked: &Asked,
) -> Result<AmplifierStatus, Fault> {
    let permit = desk.permit(params::<Unmute>(asked)?.permit, None)?;
    let result = desk.bounded(device.unmute(&permit)).await;
    desk.still(permit.generation(), result).await
}

/// How long a block is waited for at a time; a command interrupts it.
const PATIENCE: Seconds = Seconds::new(0.2);

/// The acquisition: between commands it hands blocks on as they come.
pub(super) async fn acquisition(desk: Desk, mut device: Box<dyn Acquisition>, mut calls: Receiver<Asked>) {
    let mut sampling = Sampling::default();
    loop {
        let asked = tokio::select! {
            biased;
            asked = calls.recv() => asked,
            block = device.next_block(PATIENCE), if sampling.on => {
                sampling.hand_on(&desk, block);
                // A driver that never waits must not keep others from running.
                tokio::task::yield_now().await;
                continue;
            }
        };
        let Some(asked) = asked else {
            return;
        };
        let answer = match asked.method.as_str() {
            Configure::METHOD => configure(&desk, device.as_mut(), &asked).await,
            Start::METHOD => {
                let started = desk.bounded(device.start()).await;
                sampling = Sampling { on: started.is_ok(), lost: SampleCount(0) };
                started.and_then(|()| reply(asked.id, &Done {}))
            }
            Stop::METHOD => {
                let stopped = desk.bounded(device.stop()).await;
                sampling.on = false;
                desk.output.forget_blocks();
                stopped.and_then(|()| reply(asked.id, &Done {}))
            }
            _ => no_method(&asked),
        };
        desk.answer(asked.id, answer);
    }
}

#[derive(Default)]
struct Sampling {
    on: bool,
    /// Samples dropped since the last block that found room.
    lost: SampleCount,
}

impl Sampling {
    fn hand_on(&mut self, desk: &Desk, block: Result<Option<Block>, DriverError>) {
        let block = match block {
            Ok(Some(block)) => block,
            Ok(None) => return,
            Err(error) => {
                self.on = false;
                if let Ok(line) = notification(FAILED, &Fault::from(&error)) {
                    desk.output.reply(line);
                }
                return;
            }
        };
        let most = room::frames_on_a_line(block.channels());
        for mut piece in block.split(most) {
            piece.gap_before = SampleCount(piece.gap_before.0.saturating_add(self.lost.0));
            if desk.output.block(|| notification(BLOCK, &BlockParams::of(&piece)).ok()) {
                self.lost = SampleCount(0);
            } else {
                self.lost = SampleCount(piece.gap_before.0.saturating_add(piece.frames() as u64));
                tracing::warn!(
                    samples = self.lost.0,
                    "nobody takes the blocks: samples are dropped and counted"
                );
            }
        }
    }
}

async fn configure(desk: &Desk, device: &mut dyn Acquisition, asked: &Asked) -> Answer {
    let want: Configure = params(asked)?;
    let channel = |c: &ChannelParams| ChannelRequest { input: c.input, range: Volts::new(c.range_v_peak) };
    let want = AcquisitionRequest {
        rate: SamplesPerSecond::new(want.rate_hz),
        frames: want.block_samples,
        channels: want.channels.iter().map(channel).collect(),
    };
    let applied = desk.bounded(device.configure(&want)).await?;
    desk.output.keep(room::blocks(&applied));
    let channel = |c: &ChannelRequest| ChannelParams { input: c.input, range_v_peak: c.range.si() };
    let applied = Configure {
        rate_hz: applied.rate.si(),
        block_samples: applied.frames,
        channels: applied.channels.iter().map(channel).collect(),
    };
    reply(asked.id, &applied)
}

/// The ambient sensor.
pub(super) async fn ambient(desk: Desk, mut device: Box<dyn Ambient>, mut calls: Receiver<Asked>) {
    while let Some(asked) = calls.recv().await {
        let answer = match asked.method.as_str() {
            ReadAmbient::METHOD => desk.bounded(device.read()).await.and_then(|reading| {
                let temperature = reading.temperature.si();
                let humidity = reading.humidity.map(plan_schema::units::Fraction::percent);
                let state = AmbientState {
                    temperature_degc: Some(temperature),
                    humidity_percent: humidity,
                    not_finite: not_finite([
                        ("temperature_degc", temperature),
                        ("humidity_percent", humidity.unwrap_or(0.0)),
                    ]),
                };
                reply(asked.id, &state)
            }),
            _ => no_method(&asked),
        };
        desk.answer(asked.id, answer);
    }
}

/// The contacts.
pub(super) async fn contacts(desk: Desk, mut device: Box<dyn Contacts>, mut calls: Receiver<Asked>) {
    while let Some(asked) = calls.recv().await {
        let answer = match asked.method.as_str() {
            ReadContacts::METHOD => desk.bounded(device.read()).await.and_then(|reading| {
                let state = ContactState {
                    emergency_stop_closed: reading.emergency_stop_closed,
                    inputs: reading.inputs,
                };
                reply(asked.id, &state)
            }),
            SetOutput::METHOD => set_output(&desk, device.as_mut(), &asked).await,
            _ => no_method(&asked),
        };
        desk.answer(asked.id, answer);
    }
}

async fn set_output(desk: &Desk, device: &mut dyn Contacts, asked: &Asked) -> Answer {
    let want: SetOutput = params(asked)?;
    let on = desk.bounded(device.set_output(want.output, want.on)).await?;
    reply(asked.id, &Switched { on })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::protocol::read_block;
    use plan_schema::units::SampleIndex;
    use std::io::{self, BufRead, BufReader, PipeWriter};

    fn desk(into: PipeWriter) -> Desk {
        Desk {
            shared: Arc::new(Shared::new("unit".to_owned())),
            output: Output::new(into),
            reply_limit: Duration::from_secs(1),
        }
    }

    /// Blocks longer than a line holds come in pieces, with nothing lost; the values are the largest text that there is.
    #[test]
    fn a_block_longer_than_a_line_is_split() {
        for (channels, frames) in [(4, 250_000), (64, 13_000), (1, 786_432)] {
            let (from, into) = io::pipe().unwrap();
            let samples = vec![f32::MIN; channels * frames];
            let first = SampleIndex(u64::MAX - 1_000_000);
            let block = Block::new(first, SampleCount(7), samples, vec![false; channels]).unwrap();
            let end = block.end();
            let mut sampling = Sampling { on: true, lost: SampleCount(5) };
            sampling.hand_on(&desk(into), Ok(Some(block)));
            assert_eq!(sampling.lost, SampleCount(0));
            let (mut next, mut lines) = (first, BufReader::new(from).split(b'\n'));
            let mut gap = 12;
            while next != end {
                let piece = read_block(&lines.next().unwrap().unwrap()).unwrap();
                assert_eq!((piece.first_sample, piece.gap_before.0), (next, std::mem::take(&mut gap)));
                next = piece.end();
            }
        }
    }
}
