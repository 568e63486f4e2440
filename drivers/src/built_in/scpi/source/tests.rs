//! The source against a generator on a real socket that keeps a log of what it was told.

use super::*;
use crate::built_in::link::tests_support::Peer;
use crate::built_in::settings::tests::instrument;
use crate::permit::PermitIssuer;
use std::sync::{Mutex, MutexGuard};
use tokio::time::timeout;

/// A generator: what it was told, and how it misbehaves.
#[derive(Default)]
struct Generator {
    log: Vec<String>,
    volts: f64,
    on: bool,
    errors: Vec<String>,
    stuck: bool,
    silent: bool,
    /// Questions for the error queue that it does not answer.
    overheard: usize,
}

type Shared = Arc<Mutex<Generator>>;

fn lock(generator: &Shared) -> MutexGuard<'_, Generator> {
    generator.lock().unwrap()
}

impl Generator {
    fn take(&mut self, line: &str) -> Option<String> {
        self.log.push(line.to_owned());
        if self.silent {
            return None;
        }
        let volts = line.strip_prefix("VOLT ").map(|v| v.parse::<f64>().unwrap());
        match line {
            "*IDN?" => Some("Invented,G1,0042,1.0".to_owned()),
            "SYST:ERR?" if self.overheard > 0 => {
                self.overheard -= 1;
                None
            }
            "SYST:ERR?" => Some(self.errors.pop().unwrap_or_else(|| "0,\"No error\"".to_owned())),
            "VOLT?" => Some(format!("{:+.6E}", self.volts)),
            "OUTP?" => Some(if self.on { "1" } else { "0" }.to_owned()),
            "OUTP ON" => self.switch(true),
            "OUTP OFF" => self.switch(false),
            _ => {
                match volts {
                    Some(volts) if volts > 2.0 => {
                        self.errors.push("-222,\"Data out of range\"".to_owned());
                    }
                    Some(volts) => self.volts = volts,
                    None => {}
                }
                None
            }
        }
    }

    fn switch(&mut self, on: bool) -> Option<String> {
        if !self.stuck {
            self.on = on;
        }
        None
    }

    fn told(&self, prefix: &str) -> Vec<String> {
        self.log.iter().filter(|l| l.starts_with(prefix)).cloned().collect()
    }
}

async fn bench() -> (Peer, Shared) {
    let generator = Shared::default();
    let inside = generator.clone();
    (Peer::lines(move |line| lock(&inside).take(line)).await, generator)
}

/// Longer than any answer takes, whatever else the machine does.
const PATIENT_MS: u32 = 30_000;

fn written(peer: &Peer, more: &str) -> Instrument {
    written_within(peer, PATIENT_MS, more)
}

fn written_within(peer: &Peer, timeout_ms: u32, more: &str) -> Instrument {
    let address = &peer.address;
    instrument(
        "scpi-source",
        &format!(
            r#"
            link = {{ tcp = "{address}", timeout = "{timeout_ms} ms", retries = 0 }}
            prepare = ["FUNC SIN"]
            frequency = "FREQ {{hz:.3}}"
            amplitude = "VOLT {{v_peak:.3}}"
            amplitude_query = "VOLT?"
            output_on = "OUTP ON"
            output_off = "OUTP OFF"
            output_query = "OUTP?"
            frequency_min = "0.1 Hz"
            frequency_max = "1 kHz"
            amplitude_max = "5 V pk"
            {more}
            "#
        ),
    )
}

fn want(hz: f64, volts: f64, over: f64) -> Transition {
    Transition {
        tone: Tone { frequency: Hertz::new(hz), amplitude: Volts::new(volts) },
        over: Seconds::new(over),
    }
}

fn permit() -> DrivePermit {
    PermitIssuer::new().0.grant(Volts::new(10.0))
}

async fn open(peer: &Peer, more: &str) -> (Box<dyn SignalSource>, Arc<dyn SafeHandle>) {
    let opened = Factory.open(&written(peer, more)).await.unwrap();
    assert_eq!(opened.identity.serial, "0042");
    (opened.source.unwrap(), opened.safe)
}

#[tokio::test]
async fn opening_only_asks() {
    let (peer, generator) = bench().await;
    let _ = open(&peer, "").await;
    assert!(lock(&generator).log.iter().all(|line| line.ends_with('?')), "{:?}", lock(&generator).log);
    assert!(Factory.open(&written(&peer, "identity = { serial = \"0043\" }")).await.is_err());
}

#[tokio::test]
async fn a_tone_is_set_in_order_and_what_was_applied_comes_back() {
    let (peer, generator) = bench().await;
    let (mut source, safe) = open(&peer, "").await;
    let refused = source.set_tone(&permit(), want(16.0, 0.5, 0.0)).await.unwrap_err();
    assert_eq!(refused.kind, ErrorKind::Disconnected, "{refused}");
    assert!(safe.make_safe(StopReason::Start).await.unwrap().is_safe());
    lock(&generator).log.clear();
    let applied = source.set_tone(&permit(), want(16.000_04, 0.299_9, 0.0)).await.unwrap();
    assert_eq!(applied, want(16.0, 0.299, 0.0));
    let told: Vec<String> = lock(&generator).log.iter().filter(|l| !l.ends_with('?')).cloned().collect();
    assert_eq!(told, ["FUNC SIN", "FREQ 16.000", "VOLT 0.000", "OUTP ON", "VOLT 0.299"]);
    source.set_tone(&permit(), want(16.0, 0.4, 0.0)).await.unwrap();
    assert_eq!(lock(&generator).told("FREQ").len(), 1);
    assert!(safe.make_safe(StopReason::RunEnded).await.unwrap().is_safe());
    assert!(!lock(&generator).on);
}

#[tokio::test]
async fn what_the_instrument_refuses_or_can_not_do_is_an_error() {
    let (peer, generator) = bench().await;
    let (mut source, safe) = open(&peer, "").await;
    safe.make_safe(StopReason::Start).await.unwrap();
    let refused = source.set_tone(&permit(), want(16.0, 3.0, 0.0)).await.unwrap_err();
    assert_eq!(refused.kind, ErrorKind::OutOfRange);
    assert!(refused.detail.contains("-222"), "{refused}");
    for bad in [want(0.05, 1.0, 0.0), want(2000.0, 1.0, 0.0), want(16.0, 5.1, 0.0), want(16.0, f64::NAN, 0.0)]
    {
        assert_eq!(source.set_tone(&permit(), bad).await.unwrap_err().kind, ErrorKind::OutOfRange);
    }
    let low = PermitIssuer::new().0.grant(Volts::new(0.1));
    assert!(source.set_tone(&low, want(16.0, 0.2, 0.0)).await.is_err());
    assert!(lock(&generator).volts < 0.1);
}

async fn arrives(generator: &Shared, volts: f64) {
    let there = async {
        while (lock(generator).volts - volts).abs() > 1e-9 {
            tokio::time::sleep(Duration::from_millis(2)).await;
        }
    };
    timeout(Duration::from_secs(5), there).await.unwrap();
}

#[tokio::test]
async fn without_a_ramp_of_its_own_it_goes_in_small_steps() {
    let (peer, generator) = bench().await;
    let (mut source, safe) = open(&peer, "ramp_step = \"5 ms\"").await;
    safe.make_safe(StopReason::Start).await.unwrap();
    let applied = source.set_tone(&permit(), want(16.0, 1.0, 0.102)).await.unwrap();
    assert!((applied.over.si() - 0.105).abs() < 1e-12, "{applied:?}");
    arrives(&generator, 1.0).await;
    let volts = |log: Vec<String>| -> Vec<f64> { log.iter().map(|l| l[5..].parse().unwrap()).collect() };
    let up = volts(lock(&generator).told("VOLT "));
    assert!(up.windows(2).all(|w| w[1] >= w[0]) && up.iter().all(|v| *v <= 1.0), "{up:?}");
    assert!(up.len() > 5, "{up:?}");
    lock(&generator).log.clear();
    assert!((source.output_off(Seconds::new(0.1)).await.unwrap().si() - 0.1).abs() < 1e-9);
    arrives(&generator, 0.0).await;
    let down = volts(lock(&generator).told("VOLT "));
    assert!(down.windows(2).all(|w| w[1] <= w[0]) && down.len() > 5, "{down:?}");
}

#[tokio::test]
async fn making_safe_ends_a_way() {
    let (peer, generator) = bench().await;
    let (mut source, safe) = open(&peer, "").await;
    safe.make_safe(StopReason::Start).await.unwrap();
    source.set_tone(&permit(), want(16.0, 1.0, 10.0)).await.unwrap();
    tokio::time::sleep(Duration::from_millis(50)).await;
    assert!(safe.make_safe(StopReason::Trip).await.unwrap().is_safe());
    lock(&generator).log.clear();
    tokio::time::sleep(Duration::from_millis(60)).await;
    assert!(lock(&generator).log.is_empty(), "{:?}", lock(&generator).log);
    assert!(safe.make_safe(StopReason::Trip).await.unwrap().is_safe());
}

/// A step of a ramp holds the line; a tone and making safe wait behind it, and making safe goes first.
#[tokio::test]
async fn a_tone_that_waited_is_not_set_after_the_proof() {
    let (peer, generator) = bench().await;
    let (_, shared) = reach(&written(&peer, "")).await.unwrap();
    let (mut source, safe) = (Source(shared.clone()), Arc::new(Safe(shared.clone())));
    safe.make_safe(StopReason::Start).await.unwrap();
    let step = shared.lane.calm().await;
    let permit = permit();
    let mut tone = source.set_tone(&permit, want(16.0, 1.0, 0.0));
    assert!(timeout(Duration::ZERO, &mut tone).await.is_err(), "it waits for the line");
    let proof = tokio::spawn(async move { safe.make_safe(StopReason::Trip).await });
    while !shared.lane.is_wanted() {
        tokio::task::yield_now().await;
    }
    drop(step);
    assert_eq!((&mut tone).await.unwrap_err().kind, ErrorKind::Busy);
    drop(tone);
    assert!(proof.await.unwrap().unwrap().is_safe());
    assert!(!lock(&generator).on && lock(&generator).told("OUTP ON").is_empty());
    source.set_tone(&permit, want(16.0, 1.0, 0.0)).await.unwrap();
    assert!(lock(&generator).on);
}

/// What prepares it may bring a frequency of its own, so the frequency is told again.
#[tokio::test]
async fn after_preparing_the_frequency_is_told_again() {
    let (peer, generator) = bench().await;
    let (mut source, safe) = open(&peer, "").await;
    for _ in 0..2 {
        safe.make_safe(StopReason::Start).await.unwrap();
        source.set_tone(&permit(), want(80.0, 1.0, 0.0)).await.unwrap();
        let log = &lock(&generator).log;
        let last = |what: &str| log.iter().rposition(|line| line == what);
        assert!(last("FUNC SIN") < last("FREQ 80.000"), "{log:?}");
    }
}

/// The output goes on once, at the smallest amplitude, and ends at what was answered.
#[tokio::test]
async fn an_output_with_a_smallest_amplitude_comes_to_what_was_wished() {
    let (peer, generator) = bench().await;
    let smallest = "amplitude_min = \"1 mV pk\"\nramp_step = \"5 ms\"";
    let mut instrument = written(&peer, smallest);
    instrument.settings.0.insert("amplitude".to_owned(), "VOLT {v_peak:.4}".into());
    let opened = Factory.open(&instrument).await.unwrap();
    let mut source = opened.source.unwrap();
    opened.safe.make_safe(StopReason::Start).await.unwrap();
    lock(&generator).log.clear();
    let applied = source.set_tone(&permit(), want(16.0, 0.0018, 0.02)).await.unwrap();
    assert_eq!(applied, want(16.0, 0.0018, 0.02));
    arrives(&generator, 0.0018).await;
    assert_eq!(lock(&generator).told("OUTP"), ["OUTP ON"]);
    source.output_off(Seconds::ZERO).await.unwrap();
    assert!(!lock(&generator).on);
    source.set_tone(&permit(), want(16.0, 0.0018, 0.0)).await.unwrap();
    assert!(lock(&generator).on && (lock(&generator).volts - 0.0018).abs() < 1e-12);
}

/// The proof that comes after a link was lost within making safe holds for the new link.
#[tokio::test]
async fn a_link_that_is_lost_while_it_is_made_safe_is_proved_with_it() {
    let (peer, generator) = bench().await;
    let opened = Factory.open(&written_within(&peer, 500, "")).await.unwrap();
    lock(&generator).overheard = 1;
    assert!(opened.safe.make_safe(StopReason::Start).await.unwrap().is_safe());
    opened.source.unwrap().set_tone(&permit(), want(16.0, 1.0, 0.0)).await.unwrap();
}

/// A ramp of the instrument's own is made short before it is brought to 0 V.
#[tokio::test]
async fn making_safe_does_not_wait_for_a_long_ramp() {
    let (peer, generator) = bench().await;
    let (mut source, safe) = open(&peer, "ramp = \"RAMP {s:.3}\"\nramp_min = \"20 ms\"").await;
    safe.make_safe(StopReason::Start).await.unwrap();
    let applied = source.set_tone(&permit(), want(16.0, 1.0, 9.0)).await.unwrap();
    assert_eq!(applied, want(16.0, 1.0, 9.0));
    lock(&generator).log.clear();
    assert!(safe.make_safe(StopReason::Trip).await.unwrap().is_safe());
    let told: Vec<String> = lock(&generator).log.iter().filter(|l| !l.ends_with('?')).cloned().collect();
    assert_eq!(told, ["RAMP 0.020", "VOLT 0.000", "OUTP OFF"]);
}

#[tokio::test]
async fn an_output_that_stays_on_is_said_loudly() {
    let (peer, generator) = bench().await;
    let (mut source, safe) = open(&peer, "").await;
    safe.make_safe(StopReason::Start).await.unwrap();
    source.set_tone(&permit(), want(16.0, 1.0, 0.0)).await.unwrap();
    lock(&generator).stuck = true;
    // Its amplitude went to zero all the same.
    assert!(safe.make_safe(StopReason::Trip).await.unwrap().is_safe());
    let (peer, generator) = bench().await;
    let mut deaf = written(&peer, "");
    deaf.settings.0.remove("amplitude_query");
    let safe = Factory.open(&deaf).await.unwrap().safe;
    lock(&generator).stuck = true;
    lock(&generator).on = true;
    assert!(safe.make_safe(StopReason::Trip).await.is_err());
}

#[tokio::test]
async fn a_silent_instrument_ends_in_time_and_is_safe_again_after() {
    let (peer, generator) = bench().await;
    // Its silence is waited out, so this one is short; long enough for its answers on a busy machine.
    let opened = Factory.open(&written_within(&peer, 500, "")).await.unwrap();
    let (mut source, safe, within) = (opened.source.unwrap(), opened.safe, opened.safe_within);
    safe.make_safe(StopReason::Start).await.unwrap();
    lock(&generator).silent = true;
    let error = source.set_tone(&permit(), want(16.0, 1.0, 0.0)).await.unwrap_err();
    assert_eq!(error.kind, ErrorKind::Timeout, "{error}");
    let within = Duration::from_secs_f64(within.si());
    assert!(timeout(within, safe.make_safe(StopReason::Trip)).await.unwrap().is_err());
    lock(&generator).silent = false;
    let error = source.set_tone(&permit(), want(16.0, 1.0, 0.0)).await.unwrap_err();
    assert_eq!(error.kind, ErrorKind::Disconnected, "{error}");
    assert!(safe.make_safe(StopReason::Trip).await.unwrap().is_safe());
    source.set_tone(&permit(), want(16.0, 1.0, 0.0)).await.unwrap();
}

#[test]
fn settings_are_checked_with_a_remedy() {
    let problems = |settings: &str| Factory.check(&instrument("scpi-source", settings)).join("\n");
    insta::assert_snapshot!(problems(
        "link = { tpc = \"a:1\" }\nfrequency = \"FREQ {khz}\"\namplitude = \"VOLT {v_peak\"\nfrequency_min = 1"
    ));
    insta::assert_snapshot!(
        "meaning",
        problems(
            "link = { tcp = \"a\" }\nfrequency = \"FREQ\"\namplitude = \"VOLT {hz} {volts}\"\nramp = \"R {x}\"\n\
             output_on = \"ON\"\nfrequency_min = \"2 Hz\"\nfrequency_max = \"1 Hz\"\namplitude_max = \"0 V pk\""
        )
    );
}
