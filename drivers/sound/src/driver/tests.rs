//! The roles on a wire in place of a card.

use super::*;
use crate::engine::tests::{Turn, Wire};
use drivers::{ChannelRequest, PermitIssuer};
use plan_schema::read::Document;
use plan_schema::units::{Hertz, SamplesPerSecond};
use std::sync::mpsc::{Receiver, Sender};

const SETTINGS: &str = r#"
device = "a wire"
software = "tests"
rate = "48 kS/s"
period_samples = 48
periods = 2
inputs = [
    { channel = 1, full_scale = "2 V pk", characterised_from = "5 Hz", characterised_to = "10 kHz" },
    { channel = 0, full_scale = "4 V pk", characterised_from = "5 Hz", characterised_to = "10 kHz" },
]
[output]
channel = 0
full_scale = "2 V pk"
response = [
    { frequency = "10 Hz", magnitude = "80 %", phase = "90 deg" },
    { frequency = "1 kHz", magnitude = "100 %" },
]
"#;

struct Bench {
    opened: Opened,
    turn: Sender<Turn>,
    played: Receiver<Vec<f64>>,
}

impl Bench {
    fn new() -> Self {
        let settings = Document::<SoundSettings>::read("settings", SETTINGS).unwrap().value;
        assert_eq!(settings.problems(), Vec::<String>::new());
        let layout = layout(&settings);
        let (card, turn, played) = Wire::new(layout, settings.periods as usize);
        let console = Shared::default();
        engine::start(Box::new(card), layout, console.clone(), "card".to_owned()).unwrap();
        let response = settings.characterised().unwrap();
        let desk = Desk { instrument: "card".to_owned(), console, settings: Arc::new(settings) };
        Self { opened: opened(desk, response, Identity::default()), turn, played }
    }

    /// Largest share that was played in each of so many periods.
    fn peaks(&self, count: usize) -> Vec<f64> {
        let peak = |played: Vec<f64>| played.iter().fold(0.0, |m: f64, v| m.max(v.abs()));
        (0..count)
            .map(|_| {
                self.turn.send(Turn::Exchange).unwrap();
                peak(self.played.recv().unwrap())
            })
            .collect()
    }

    async fn tone(&mut self, hz: f64, volts: f64, over: f64) -> Result<Transition, DriverError> {
        let permit = PermitIssuer::new().0.grant(Volts::new(10.0));
        let tone = Tone { frequency: Hertz::new(hz), amplitude: Volts::new(volts) };
        let way = Transition { tone, over: Seconds::new(over) };
        self.opened.source.as_mut().unwrap().set_tone(&permit, way).await
    }
}

#[tokio::test]
async fn volts_become_shares_by_the_response() {
    let mut bench = Bench::new();
    let limits = bench.opened.source.as_ref().unwrap().limits();
    assert!(
        (limits.frequency_min.si() - 10.0).abs() < 1e-9 && (limits.amplitude_max.si() - 1.6).abs() < 1e-9
    );
    let applied = bench.tone(10.0, 0.8, 0.0).await.unwrap();
    assert!((applied.over.si() - 0.01).abs() < 1e-12, "never shorter than the shortest");
    let peaks = bench.peaks(210);
    // 0.8 V of the 1.6 V that full scale makes at 10 Hz.
    let largest = peaks.iter().fold(0.0, |m: f64, v| m.max(*v));
    assert!((largest - 0.5).abs() < 1e-4, "{largest}");
}

/// The output turns a sine of 10 Hz by 90°, so that its share has to begin 90° before it.
#[tokio::test]
async fn a_tone_from_zero_starts_at_phase_zero_behind_the_output() {
    let mut bench = Bench::new();
    bench.tone(10.0, 0.8, 0.0).await.unwrap();
    bench.peaks(20);
    bench.turn.send(Turn::Exchange).unwrap();
    let played = bench.played.recv().unwrap();
    // Sample 960 lies at 72° of the tone.
    let wanted = 0.5 * (TAU * (960.0 / 4800.0 - 0.25)).sin();
    assert!((played[0] - wanted).abs() < 1e-9, "{} is not {wanted}", played[0]);
}

#[tokio::test]
async fn what_it_can_not_make_is_refused_with_a_remedy() {
    let mut bench = Bench::new();
    let mut said = Vec::new();
    for (hz, volts, over) in
        [(0.0, 0.1, 0.0), (5.0, 0.1, 0.0), (10.0, 1.7, 0.0), (10.0, f64::NAN, 0.0), (10.0, 0.1, -1.0)]
    {
        let error = bench.tone(hz, volts, over).await.unwrap_err();
        assert_eq!(error.kind, ErrorKind::OutOfRange);
        said.push(error.detail);
    }
    let want = |rate, input, range| AcquisitionRequest {
        rate: SamplesPerSecond::new(rate),
        frames: 10,
        channels: vec![ChannelRequest { input, range: Volts::new(range) }],
    };
    let acquisition = bench.opened.acquisition.as_mut().unwrap();
    for bad in [
        want(44_100.0, 0, 2.0),
        want(48_000.0, 2, 2.0),
        want(48_000.0, 0, 5.0),
        AcquisitionRequest { frames: 0, ..want(48_000.0, 0, 2.0) },
    ] {
        said.push(acquisition.configure(&bad).await.unwrap_err().detail);
    }
    said.push(acquisition.start().await.unwrap_err().detail);
    insta::assert_snapshot!(said.join("\n"));
    assert!(bench.peaks(3).iter().all(|v| v.abs() <= 0.0), "nothing of that reached the output");
}

/// Told to be safe in full swing: 0 V within 20 ms of what was still to be played, and the proof only once it was.
#[tokio::test]
async fn made_safe_it_is_silent_within_20_ms_and_says_so_then() {
    let mut bench = Bench::new();
    bench.tone(1000.0, 2.0, 0.0).await.unwrap();
    assert!(bench.peaks(20)[19] > 0.99);
    let safe = bench.opened.safe.clone();
    let made = tokio::spawn(async move { safe.make_safe(StopReason::Operator).await });
    tokio::task::yield_now().await;
    // A period is 1 ms, the card's buffer 2 ms.
    let peaks = bench.peaks(18);
    assert!(peaks[..10].windows(2).all(|p| p[1] <= p[0] + 1e-9), "a ramp: {peaks:?}");
    assert!(peaks[10..].iter().all(|v| v.abs() <= 0.0), "{peaks:?}");
    let proof = made.await.unwrap().unwrap();
    assert!(proof.is_safe() && proof.drive.is_some());
    // Again, where it is safe already.
    assert!(bench.opened.safe.make_safe(StopReason::Operator).await.unwrap().is_safe());
}

#[tokio::test]
async fn it_does_not_prove_what_it_can_not_see() {
    let mut bench = Bench::new();
    bench.tone(1000.0, 2.0, 0.0).await.unwrap();
    bench.peaks(20);
    bench.turn.send(Turn::Unplug).unwrap();
    let error = bench.opened.safe.make_safe(StopReason::Operator).await.unwrap_err();
    assert_eq!(error.kind, ErrorKind::Disconnected);
    assert_eq!(bench.tone(100.0, 0.1, 0.0).await.unwrap_err().kind, ErrorKind::Disconnected);
}

#[tokio::test]
async fn inputs_are_those_of_the_rig_in_volts() {
    let mut bench = Bench::new();
    let want = AcquisitionRequest {
        rate: SamplesPerSecond::new(48_000.0),
        frames: 96,
        channels: [(1, 4.0), (0, 2.0)]
            .map(|(input, range)| ChannelRequest { input, range: Volts::new(range) })
            .to_vec(),
    };
    bench.tone(1000.0, 1.0, 0.0).await.unwrap();
    bench.peaks(20);
    let acquisition = bench.opened.acquisition.as_mut().unwrap();
    assert_eq!(acquisition.configure(&want).await.unwrap(), want);
    acquisition.start().await.unwrap();
    assert_eq!(acquisition.configure(&want).await.unwrap_err().kind, ErrorKind::Busy);
    (0..2).for_each(|_| bench.turn.send(Turn::Exchange).unwrap());
    let block = acquisition.next_block(Seconds::new(5.0)).await.unwrap().unwrap();
    let peak = |channel| block.channel(channel).iter().fold(0.0_f32, |m, v| m.max(v.abs()));
    assert!((peak(0) - 2.0).abs() < 1e-3 && (peak(1) - 1.0).abs() < 1e-3, "{} {}", peak(0), peak(1));
    acquisition.stop().await.unwrap();
    assert!(acquisition.next_block(Seconds::new(0.01)).await.is_err());
}
