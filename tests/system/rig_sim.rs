//! The simulated rig behind its panels, driven by the true drivers over sockets and pseudo-terminals.

use drivers::{AcquisitionRequest, ChannelRequest, PermitIssuer, StopReason, Tone, Transition};
use plan_schema::units::{Hertz, SamplesPerSecond, Seconds, Volts};
use std::f64::consts::TAU;
use tests::rig_sim::RigSim;

const RATE: f64 = 20_000.0;

fn want() -> AcquisitionRequest {
    let channel = |input, range| ChannelRequest { input, range: Volts::new(range) };
    AcquisitionRequest {
        rate: SamplesPerSecond::new(RATE),
        frames: 100,
        channels: vec![channel(0, 10.0), channel(1, 5.0)],
    }
}

/// Amplitude of a sine of `hertz` in samples that hold whole turns of it.
fn amplitude(samples: &[f32], hertz: f64) -> f64 {
    let (mut re, mut im) = (0.0, 0.0);
    for (n, sample) in samples.iter().enumerate() {
        let angle = TAU * hertz * n as f64 / RATE;
        re += f64::from(*sample) * angle.cos();
        im += f64::from(*sample) * angle.sin();
    }
    2.0 * re.hypot(im) / samples.len() as f64
}

#[tokio::test]
async fn the_drivers_move_the_simulated_rig_and_make_it_safe() {
    let rig = RigSim::start(1).unwrap();
    let mut opened = rig.open().await.unwrap();
    let mut take = |name: &str| opened.remove(name).unwrap();
    let (generator, power, daq) = (take("generator"), take("power-amplifier"), take("daq"));
    let (mut climate, mut panel) = (take("climate").ambient.unwrap(), take("panel").contacts.unwrap());

    let ambient = climate.read().await.unwrap();
    assert!((ambient.temperature.si() - 23.0).abs() < 1.0 && ambient.humidity.is_some());
    let contacts = panel.read().await.unwrap();
    assert!(contacts.emergency_stop_closed && contacts.inputs == [true, true]);

    let (mut source, mut amplifier) = (generator.source.unwrap(), power.amplifier.unwrap());
    let permit = PermitIssuer::new().0.grant(Volts::new(1.0));
    let tone = Tone { frequency: Hertz::new(16.0), amplitude: Volts::new(0.5) };
    let way = Transition { tone, over: Seconds::new(0.1) };
    assert!(source.set_tone(&permit, way).await.is_err(), "not before it was made safe");
    assert!(generator.safe.make_safe(StopReason::Start).await.unwrap().is_safe());
    assert!(power.safe.make_safe(StopReason::Start).await.unwrap().is_safe());
    let relay = take("mute-relay");
    assert!(relay.safe.make_safe(StopReason::Start).await.unwrap().is_safe());
    assert!(!relay.amplifier.unwrap().unmute(&permit).await.unwrap().muted);
    assert!(!amplifier.unmute(&permit).await.unwrap().muted);

    let mut daq = daq.acquisition.unwrap();
    daq.configure(&want()).await.unwrap();
    daq.start().await.unwrap();
    assert_eq!(source.set_tone(&permit, way).await.unwrap().tone, tone);

    let mut samples = [Vec::new(), Vec::new()];
    let mut next = 0;
    while next < 24_000 {
        let block = daq.next_block(Seconds::new(2.0)).await.unwrap().unwrap();
        assert_eq!((block.first_sample.0, block.gap_before.0, block.frames()), (next, 0, 100));
        next = block.end().0;
        samples.iter_mut().enumerate().for_each(|(n, s)| s.extend(block.channel(n)));
    }
    // The last second holds sixteen turns.
    let moving = amplitude(&samples[0][samples[0].len() - 20_000..], 16.0);
    assert!(moving > 0.1, "{moving} V at the reference");

    assert!(generator.safe.make_safe(StopReason::Trip).await.unwrap().is_safe());
    assert!(power.safe.make_safe(StopReason::Trip).await.unwrap().is_safe());
    let mut rest = Vec::new();
    while rest.len() < 30_000 {
        rest.extend_from_slice(daq.next_block(Seconds::new(2.0)).await.unwrap().unwrap().channel(0));
    }
    let resting = amplitude(&rest[rest.len() - 20_000..], 16.0);
    assert!(resting < moving / 1000.0, "{resting} V after {moving} V");
    daq.stop().await.unwrap();
    drop(amplifier);
    assert_eq!(rig.end().unwrap(), Some(0));
}

/// From streamed samples to blocks by lines of the rig file alone.
#[tokio::test]
async fn another_acquisition_is_other_lines_of_the_rig_file() {
    let swap = |rig: String| tests::conform::with_instrument(&rig, "daq", tests::conform::GATED);
    let rig = RigSim::start_with(1, swap).unwrap();
    let mut opened = rig.open().await.unwrap();
    let mut take = |name: &str| opened.remove(name).unwrap();
    let (generator, power, daq) = (take("generator"), take("power-amplifier"), take("daq"));
    let (mut source, mut amplifier) = (generator.source.unwrap(), power.amplifier.unwrap());
    let permit = PermitIssuer::new().0.grant(Volts::new(1.0));
    assert!(generator.safe.make_safe(StopReason::Start).await.unwrap().is_safe());
    assert!(power.safe.make_safe(StopReason::Start).await.unwrap().is_safe());
    let relay = take("mute-relay");
    assert!(relay.safe.make_safe(StopReason::Start).await.unwrap().is_safe());
    assert!(!relay.amplifier.unwrap().unmute(&permit).await.unwrap().muted);
    amplifier.unmute(&permit).await.unwrap();
    let tone = Tone { frequency: Hertz::new(16.0), amplitude: Volts::new(0.5) };
    source.set_tone(&permit, Transition { tone, over: Seconds::new(0.1) }).await.unwrap();

    let mut daq = daq.acquisition.unwrap();
    // A second, which holds sixteen turns.
    daq.configure(&AcquisitionRequest { frames: 20_000, ..want() }).await.unwrap();
    daq.start().await.unwrap();
    let first = daq.next_block(Seconds::new(5.0)).await.unwrap().unwrap();
    let second = daq.next_block(Seconds::new(5.0)).await.unwrap().unwrap();
    assert!(second.first_sample.0 >= first.end().0);
    assert_eq!(second.gap_before.0, second.first_sample.0 - first.end().0);
    let moving = amplitude(second.channel(0), 16.0);
    assert!(moving > 0.1, "{moving} V at the reference");
    daq.stop().await.unwrap();
    assert!(generator.safe.make_safe(StopReason::RunEnded).await.unwrap().is_safe());
    assert!(power.safe.make_safe(StopReason::RunEnded).await.unwrap().is_safe());
}

/// A generator that needs a second for what it is told says so when asked (`*OPC?`), over a socket and over a line: what is
/// sampled after the reply shows the tone from its first sample on.
#[tokio::test]
async fn the_reply_to_a_tone_waits_until_it_is_there() {
    let slow = |rig: String| {
        rig.replacen("[simulation.source]", "[simulation.source]\nlatency = \"1 s\"", 1)
            .replacen("completion = { within = \"100 ms\" }", "completion = { within = \"9 s\" }", 1)
            .replace("timeout = \"50 ms\"", "timeout = \"1 s\"")
    };
    let on_a_line = |rig: String| {
        let line = "serial = \"/dev/serial/by-id/generator-invented\", baud = 115200";
        slow(rig).replacen("tcp = \"127.0.0.1:5025\"", line, 1)
    };
    for way in [&slow as &dyn Fn(String) -> String, &on_a_line] {
        let rig = RigSim::start_with(1, way).unwrap();
        let mut opened = rig.open().await.unwrap();
        let mut take = |name: &str| opened.remove(name).unwrap();
        let (generator, power, daq) = (take("generator"), take("power-amplifier"), take("daq"));
        let (mut source, mut amplifier) = (generator.source.unwrap(), power.amplifier.unwrap());
        let mut daq = daq.acquisition.unwrap();
        let permit = PermitIssuer::new().0.grant(Volts::new(1.0));
        assert!(generator.safe.make_safe(StopReason::Start).await.unwrap().is_safe());
        assert!(power.safe.make_safe(StopReason::Start).await.unwrap().is_safe());
        let relay = take("mute-relay");
        assert!(relay.safe.make_safe(StopReason::Start).await.unwrap().is_safe());
        assert!(!relay.amplifier.unwrap().unmute(&permit).await.unwrap().muted);
        amplifier.unmute(&permit).await.unwrap();
        // A quarter of a second, which holds four turns.
        daq.configure(&AcquisitionRequest { frames: 5_000, ..want() }).await.unwrap();
        let tone = Tone { frequency: Hertz::new(16.0), amplitude: Volts::new(0.5) };
        source.set_tone(&permit, Transition { tone, over: Seconds::ZERO }).await.unwrap();
        daq.start().await.unwrap();
        let first = daq.next_block(Seconds::new(5.0)).await.unwrap().unwrap();
        let moving = amplitude(first.channel(0), 16.0);
        assert!(moving > 0.1, "{moving} V at the reference");
        daq.stop().await.unwrap();
        assert!(generator.safe.make_safe(StopReason::RunEnded).await.unwrap().is_safe());
        assert_eq!(rig.end().unwrap(), Some(0));
    }
}
