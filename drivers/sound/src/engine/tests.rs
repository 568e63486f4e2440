//! The engine on a card that is a wire from its outputs to its inputs, and stumbles when it is told to.

use super::*;
use crate::card::CardName;
use crate::console::{Sampling, Tap};
use drivers::built_in::feed::{Outlet, feed};
use drivers::{AcquisitionRequest, ChannelRequest};
use plan_schema::units::{SamplesPerSecond, Seconds, Volts};
use std::collections::VecDeque;
use std::sync::mpsc::{Receiver, Sender, channel};

/// What the card does next time.
pub(crate) enum Turn {
    /// One exchange.
    Exchange,
    /// It stops when it is recorded from, and loses so many samples.
    Xrun(u64),
    /// It is unplugged.
    Unplug,
}

/// A card whose time moves by turns.
pub(crate) struct Wire {
    turns: Receiver<Turn>,
    /// What is on its way from output to input.
    buffer: VecDeque<f64>,
    periods: usize,
    layout: Layout,
    lost: u64,
    /// Everything that was played, for who watches.
    played: Sender<Vec<f64>>,
}

impl Wire {
    pub(crate) fn new(layout: Layout, periods: usize) -> (Self, Sender<Turn>, Receiver<Vec<f64>>) {
        let ((turn, turns), (played, seen)) = (channel(), channel());
        (Self { turns, buffer: VecDeque::new(), periods, layout, lost: 0, played }, turn, seen)
    }
}

impl Card for Wire {
    fn name(&self) -> CardName {
        CardName { model: "wire".to_owned(), serial: "W-1".to_owned() }
    }

    fn begin(&mut self) -> Result<u64, CardError> {
        self.buffer = VecDeque::from(vec![0.0; self.periods * self.layout.period]);
        Ok(std::mem::take(&mut self.lost))
    }

    fn record(&mut self, shares: &mut [f32]) -> Result<(), CardError> {
        match self.turns.recv() {
            Ok(Turn::Exchange) => {}
            Ok(Turn::Xrun(lost)) => {
                self.lost = lost;
                return Err(CardError::Xrun);
            }
            Ok(Turn::Unplug) | Err(_) => return Err(CardError::Gone("it was unplugged".to_owned())),
        }
        for frame in shares.chunks_exact_mut(self.layout.inputs) {
            #[expect(clippy::cast_possible_truncation, reason = "a test's wire")]
            frame.fill(self.buffer.pop_front().unwrap_or(f64::NAN) as f32);
        }
        Ok(())
    }

    fn play(&mut self, shares: &[f64]) -> Result<(), CardError> {
        let output = self.layout.output;
        self.buffer.extend(shares.chunks_exact(self.layout.outputs).map(|frame| frame[output]));
        let _ = self.played.send(shares.to_vec());
        Ok(())
    }
}

const LAYOUT: Layout = Layout { period: 8, outputs: 2, output: 1, inputs: 2 };

struct Bench {
    console: Shared,
    turn: Sender<Turn>,
    played: Receiver<Vec<f64>>,
    outlet: Outlet,
}

impl Bench {
    fn new() -> Self {
        let (card, turn, played) = Wire::new(LAYOUT, 3);
        let console = Shared::default();
        let channel = ChannelRequest { input: 0, range: Volts::new(1.0) };
        let request =
            AcquisitionRequest { rate: SamplesPerSecond::new(48_000.0), frames: 8, channels: vec![channel] };
        let (inlet, outlet) = feed("unit", &request);
        let taps = vec![Tap { channel: 0, full_scale: 1.0 }];
        console.lock().sampling = Some(Sampling::new(inlet, taps, LAYOUT.period));
        start(Box::new(card), LAYOUT, console.clone(), "unit".to_owned()).unwrap();
        Self { console, turn, played, outlet }
    }

    /// The tone's channel over so many periods; the other one is silent.
    fn periods(&self, count: usize) -> Vec<f64> {
        let mut heard = Vec::new();
        for _ in 0..count {
            self.turn.send(Turn::Exchange).unwrap();
            let played = self.played.recv().unwrap();
            assert!(played.chunks_exact(2).all(|frame| frame[0].abs() <= 0.0));
            heard.extend(played.chunks_exact(2).map(|frame| frame[1]));
        }
        heard
    }
}

#[tokio::test]
async fn what_is_played_comes_back_a_buffer_later() {
    let mut bench = Bench::new();
    bench.console.lock().tone.go(0.05, 0.5, 0.0, 4);
    let played = bench.periods(6);
    let mut recorded = Vec::new();
    for n in 0..6 {
        let block = bench.outlet.next(Seconds::new(5.0)).await.unwrap().unwrap();
        assert_eq!((block.first_sample.0, block.gap_before.0), (n * 8, 0));
        recorded.extend(block.channel(0).to_vec());
    }
    assert!(recorded[..24].iter().all(|v| v.abs() <= 0.0));
    for (n, (played, recorded)) in played.iter().zip(&recorded[24..]).enumerate() {
        assert!((played - f64::from(*recorded)).abs() < 1e-7, "sample {n}");
    }
}

#[tokio::test]
async fn an_xrun_is_a_gap_and_silences_the_output() {
    let mut bench = Bench::new();
    bench.console.lock().tone.go(0.05, 0.5, 0.0, 4);
    assert!(bench.periods(2).iter().any(|v| v.abs() > 0.4));
    bench.turn.send(Turn::Xrun(100)).unwrap();
    assert!(bench.periods(3).iter().all(|v| v.abs() <= 0.0), "it must not go on by itself");
    let mut seen = Vec::new();
    for _ in 0..5 {
        let block = bench.outlet.next(Seconds::new(5.0)).await.unwrap().unwrap();
        seen.push((block.first_sample.0, block.gap_before.0));
    }
    assert_eq!(seen, [(0, 0), (8, 0), (116, 100), (124, 0), (132, 0)]);
    assert_eq!(bench.console.lock().xruns, 1);
    // Told anew, it speaks again, from zero on.
    bench.console.lock().tone.go(0.05, 0.5, 0.0, 4);
    let played = bench.periods(2);
    assert!(played[0].abs() <= 0.0 && played.iter().any(|v| v.abs() > 0.4));
}

#[tokio::test]
async fn a_card_that_is_gone_ends_sampling_with_the_reason() {
    let mut bench = Bench::new();
    bench.periods(1);
    bench.turn.send(Turn::Unplug).unwrap();
    assert!(bench.outlet.next(Seconds::new(5.0)).await.unwrap().is_some());
    let error = bench.outlet.next(Seconds::new(5.0)).await.unwrap_err();
    assert_eq!(error.kind, ErrorKind::Disconnected);
    assert!(error.detail.contains("unplugged"), "{error}");
    assert!(bench.console.lock().ended.is_some());
}

#[tokio::test]
async fn a_card_that_loses_everything_is_given_up() {
    let mut bench = Bench::new();
    for _ in 0..=XRUNS_IN_A_ROW {
        bench.turn.send(Turn::Xrun(8)).unwrap();
    }
    let error = bench.outlet.next(Seconds::new(5.0)).await.unwrap_err();
    assert!(error.detail.contains("period_samples"), "{error}");
}
