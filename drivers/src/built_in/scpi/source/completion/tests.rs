//! The reply to a tone comes after the instrument said that it is in effect: over a socket and over a line.

use super::super::Factory;
use crate::built_in::link::tests_support::line_link;
use crate::built_in::settings::tests::instrument;
use crate::error::ErrorKind;
use crate::permit::PermitIssuer;
use crate::registry::DriverFactory;
use crate::roles::{SignalSource, Tone, Transition};
use crate::safe::{SafeHandle, StopReason};
use plan_schema::units::{Hertz, Seconds, Volts};
use std::sync::{Arc, Mutex};
use std::time::Duration;
use tokio::io::{AsyncBufReadExt, AsyncRead, AsyncWrite, AsyncWriteExt, BufReader};
use tokio::net::TcpListener;
use tokio::sync::Semaphore;
use tokio::time::timeout;

/// A generator that says it is done when the test lets it.
#[derive(Clone)]
struct Generator {
    log: Arc<Mutex<Vec<String>>>,
    /// Answers to the question for completion that may be given.
    done: Arc<Semaphore>,
    /// What it answers then, the last first; "1" where nothing is left.
    says: Arc<Mutex<Vec<&'static str>>>,
    /// What fails while the setting takes effect.
    fails: bool,
}

impl Generator {
    fn new() -> Self {
        Self { log: Arc::default(), done: Arc::new(Semaphore::new(0)), says: Arc::default(), fails: false }
    }

    async fn converse(self, stream: impl AsyncRead + AsyncWrite + Unpin) {
        let mut stream = BufReader::new(stream);
        let mut line = String::new();
        let mut failed = false;
        while stream.read_line(&mut line).await.unwrap_or(0) > 0 {
            self.log.lock().unwrap().push(line.trim().to_owned());
            let answer = match line.trim() {
                "*IDN?" => "Invented,G2,0043,1.0",
                "SYST:ERR?" if std::mem::take(&mut failed) => "-200,\"Execution error\"",
                "SYST:ERR?" => "0,\"No error\"",
                "OUTP?" => "0",
                "*OPC?" | "STAT:SET?" => {
                    self.done.acquire().await.unwrap().forget();
                    failed = self.fails;
                    self.says.lock().unwrap().pop().unwrap_or("1")
                }
                _ => "",
            };
            line.clear();
            if !answer.is_empty() && stream.write_all(format!("{answer}\n").as_bytes()).await.is_err() {
                return;
            }
        }
    }

    /// Serves it on a socket; what the rig file says of the link.
    async fn on_socket(&self) -> String {
        let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
        let address = listener.local_addr().unwrap();
        let generator = self.clone();
        tokio::spawn(async move {
            while let Ok((stream, _)) = listener.accept().await {
                tokio::spawn(generator.clone().converse(stream));
            }
        });
        format!("tcp = \"{address}\"")
    }

    /// The same on a pseudo-terminal, with what keeps it.
    fn on_line(&self) -> (String, std::fs::File) {
        let (link, far, keeper) = line_link(1000);
        tokio::spawn(self.clone().converse(far));
        (format!("serial = \"{}\"", link.serial.unwrap()), keeper)
    }

    fn told(&self) -> Vec<String> {
        self.log.lock().unwrap().clone()
    }
}

/// Longer than any answer takes, whatever else the machine does.
const PATIENT: &str = "30 s";

async fn open(link: &str, completion: &str) -> (Box<dyn SignalSource>, Arc<dyn SafeHandle>) {
    open_within(link, PATIENT, completion).await
}

async fn open_within(
    link: &str,
    time: &str,
    completion: &str,
) -> (Box<dyn SignalSource>, Arc<dyn SafeHandle>) {
    let text = format!(
        "link = {{ {link}, timeout = \"{time}\", retries = 0 }}\ncompletion = {completion}\n\
         frequency = \"FREQ {{hz}}\"\namplitude = \"VOLT {{v_peak}}\"\noutput_on = \"OUTP ON\"\n\
         output_off = \"OUTP OFF\"\noutput_query = \"OUTP?\"\nfrequency_min = \"0.1 Hz\"\n\
         frequency_max = \"1 kHz\"\namplitude_max = \"5 V pk\"\n"
    );
    let instrument = instrument("scpi-source", &text);
    assert_eq!(Factory.check(&instrument), Vec::<String>::new());
    let opened = Factory.open(&instrument).await.unwrap();
    opened.safe.make_safe(StopReason::Start).await.unwrap();
    (opened.source.unwrap(), opened.safe)
}

fn want(volts: f64) -> Transition {
    let tone = Tone { frequency: Hertz::new(16.0), amplitude: Volts::new(volts) };
    Transition { tone, over: Seconds::ZERO }
}

/// No reply before the instrument is done, and one right after; nothing is asked while it is made safe.
async fn the_reply_follows_the_completion(link: &str, generator: &Generator) {
    let (mut source, _safe) = open(link, "{ within = \"9 s\" }").await;
    let permit = PermitIssuer::new().0.grant(Volts::new(10.0));
    assert!(!generator.told().contains(&"*OPC?".to_owned()), "opening and making safe do not wait for it");
    let set = source.set_tone(&permit, want(0.5));
    tokio::pin!(set);
    let asked = async {
        while generator.told().last().map(String::as_str) != Some("*OPC?") {
            tokio::time::sleep(Duration::from_millis(1)).await;
        }
    };
    tokio::select! {
        early = &mut set => panic!("a reply before it was done: {early:?}"),
        () = asked => {}
    }
    // The question has arrived, and its answer is held back: there can be no reply.
    assert!(timeout(Duration::from_millis(20), &mut set).await.is_err());
    generator.done.add_permits(1);
    assert_eq!(set.await.unwrap(), want(0.5));
    let told = generator.told();
    let volts = told.iter().rposition(|line| line == "VOLT 0.5").unwrap();
    assert_eq!(told.get(volts + 1..).unwrap(), ["SYST:ERR?", "*OPC?", "SYST:ERR?"]);
}

#[tokio::test]
async fn over_a_socket_the_reply_follows_the_completion() {
    let generator = Generator::new();
    let link = generator.on_socket().await;
    the_reply_follows_the_completion(&link, &generator).await;
}

#[tokio::test]
async fn over_a_line_the_reply_follows_the_completion() {
    let generator = Generator::new();
    let (link, _keeper) = generator.on_line();
    the_reply_follows_the_completion(&link, &generator).await;
}

#[tokio::test]
async fn what_is_never_done_ends_in_time_and_drives_no_further() {
    let generator = Generator::new();
    let link = generator.on_socket().await;
    // This silence is waited out, so it is short; long enough for other answers on a busy machine.
    let (mut source, safe) = open_within(&link, "500 ms", "{}").await;
    let permit = PermitIssuer::new().0.grant(Volts::new(10.0));
    let late = source.set_tone(&permit, want(0.5)).await.unwrap_err();
    assert_eq!(late.kind, ErrorKind::Timeout, "{late}");
    assert!(late.detail.contains("*OPC?"), "{late}");
    // Its late answer is nobody's, and the link drives again only after it was made safe.
    generator.done.add_permits(8);
    assert_eq!(source.set_tone(&permit, want(0.5)).await.unwrap_err().kind, ErrorKind::Disconnected);
    safe.make_safe(StopReason::Trip).await.unwrap();
    source.set_tone(&permit, want(0.5)).await.unwrap();
}

#[tokio::test]
async fn another_question_is_asked_again_until_it_says_so() {
    let mut generator = Generator::new();
    generator.says = Arc::new(Mutex::new(vec!["SET", "moving", "moving"]));
    generator.done.add_permits(100);
    let link = generator.on_socket().await;
    let completion = "{ query = \"STAT:SET?\", answers = [\"set\"], within = \"9 s\" }";
    let (mut source, _safe) = open(&link, completion).await;
    let permit = PermitIssuer::new().0.grant(Volts::new(10.0));
    source.set_tone(&permit, want(0.5)).await.unwrap();
    let asked = generator.told().iter().filter(|line| *line == "STAT:SET?").count();
    assert_eq!(asked, 3);
    generator.done.add_permits(10_000);
    let (mut source, _safe) = open(&link, &completion.replace("9 s", "40 ms")).await;
    let never = source.set_tone(&permit, want(0.5)).await.unwrap_err();
    assert_eq!(never.kind, ErrorKind::Timeout);
    assert!(never.detail.contains("it still says '1'"), "{never}");
}

#[tokio::test]
async fn what_fails_while_it_takes_effect_is_an_error() {
    let generator = Generator { fails: true, ..Generator::new() };
    generator.done.add_permits(100);
    let link = generator.on_socket().await;
    let (mut source, _safe) = open(&link, "{}").await;
    let permit = PermitIssuer::new().0.grant(Volts::new(10.0));
    let error = source.set_tone(&permit, want(0.5)).await.unwrap_err();
    assert!(error.kind == ErrorKind::OutOfRange && error.detail.contains("-200"), "{error}");
}

#[test]
fn a_question_that_can_not_be_asked_is_refused() {
    let problems = |completion: &str| {
        let text = format!(
            "link = {{ tcp = \"a:1\" }}\nfrequency = \"F {{hz}}\"\namplitude = \"V {{v_peak}}\"\noutput_on = \"1\"\n\
             output_off = \"0\"\noutput_query = \"?\"\nfrequency_min = \"1 Hz\"\nfrequency_max = \"2 Hz\"\n\
             amplitude_max = \"1 V pk\"\ncompletion = {completion}"
        );
        Factory.check(&instrument("scpi-source", &text))
    };
    assert_eq!(problems("{}"), Vec::<String>::new());
    for wrong in [
        "{ query = \"Q {s}?\" }",
        "{ answers = [] }",
        "{ within = \"0 s\" }",
        "{ within = \"1 min\" }",
        "{ within = 1 }",
        "{ qery = \"*OPC?\" }",
        "\"*OPC?\"",
    ] {
        assert_eq!(problems(wrong).len(), 1, "{wrong}: {:?}", problems(wrong));
    }
}
