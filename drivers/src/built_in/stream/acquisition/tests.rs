//! The streaming acquisition against a box on a real socket.

use super::*;
use crate::built_in::settings::tests::instrument;
use crate::roles::ChannelRequest;
use plan_schema::units::{SamplesPerSecond, Volts};
use tokio::io::{AsyncBufReadExt, BufReader};
use tokio::net::{TcpListener, TcpStream};

/// What a box sends after START: bytes as they are.
type Script = Arc<dyn Fn() -> Vec<u8> + Send + Sync>;

async fn serve(script: Script) -> String {
    let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let address = listener.local_addr().unwrap().to_string();
    tokio::spawn(async move {
        while let Ok((stream, _)) = listener.accept().await {
            tokio::spawn(talk(stream, script.clone()));
        }
    });
    address
}

async fn talk(stream: TcpStream, script: Script) {
    let mut lines = BufReader::new(stream);
    let mut line = String::new();
    while lines.read_line(&mut line).await.unwrap_or(0) > 0 {
        let answer = match line.trim().split_once(' ').unwrap_or((line.trim(), "")) {
            ("IDENTIFY", _) => "OK Invented,S1,9,1".to_owned(),
            ("CONFIGURE", what) if what.starts_with("rate=1000 ") => format!("OK {what}"),
            ("CONFIGURE", what) => format!("OK {}", what.replace("rate=2000", "rate=1000")),
            ("START" | "STOP", _) => "OK".to_owned(),
            _ => "ERROR no such command".to_owned(),
        };
        let mut bytes = Frame::Answer(answer).encode().unwrap();
        if line.trim() == "START" {
            bytes.extend(script());
        }
        if lines.get_mut().write_all(&bytes).await.is_err() {
            return;
        }
        line.clear();
    }
}

/// An answer that comes twice is not taken for the answer of the command that is refused.
#[tokio::test]
async fn an_answer_that_nobody_asked_for_answers_nothing() {
    let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let address = listener.local_addr().unwrap();
    tokio::spawn(async move {
        let (stream, _) = listener.accept().await.unwrap();
        let mut lines = BufReader::new(stream);
        let mut line = String::new();
        while lines.read_line(&mut line).await.unwrap_or(0) > 0 {
            let answers = match line.trim().split_once(' ').unwrap_or((line.trim(), "")) {
                ("IDENTIFY", _) => vec!["OK Invented,S1,9,1".to_owned()],
                ("CONFIGURE", what) => vec![format!("OK {what}"), "OK".to_owned()],
                _ => vec!["ERROR no".to_owned()],
            };
            let frames: Vec<Vec<u8>> =
                answers.into_iter().map(|a| Frame::Answer(a).encode().unwrap()).collect();
            lines.get_mut().write_all(&frames.concat()).await.unwrap();
            line.clear();
        }
    });
    let settings = format!("link = {{ tcp = \"{address}\", timeout = \"30 s\" }}");
    let opened = Factory.open(&instrument("stream-acquisition", &settings)).await.unwrap();
    let mut box_ = opened.acquisition.unwrap();
    box_.configure(&want(1000.0)).await.unwrap();
    // Both lie in one piece; the second is read right behind the first.
    for _ in 0..100 {
        tokio::task::yield_now().await;
    }
    let refused = box_.start().await.unwrap_err();
    assert!(refused.kind == ErrorKind::Protocol && refused.detail.contains("though nothing"), "{refused}");
}

fn block(first: u64) -> Vec<u8> {
    let frame = Frame::Block { first, samples: vec![1.0, 2.0, 3.0, 4.0], overload: vec![false, true] };
    frame.encode().unwrap()
}

async fn open(script: impl Fn() -> Vec<u8> + Send + Sync + 'static) -> Box<dyn Acquisition> {
    let address = serve(Arc::new(script)).await;
    let settings = format!("link = {{ tcp = \"{address}\", timeout = \"300 ms\" }}");
    Factory.open(&instrument("stream-acquisition", &settings)).await.unwrap().acquisition.unwrap()
}

fn want(rate: f64) -> AcquisitionRequest {
    let channel = |input| ChannelRequest { input, range: Volts::new(10.0) };
    AcquisitionRequest {
        rate: SamplesPerSecond::new(rate),
        frames: 2,
        channels: vec![channel(0), channel(3)],
    }
}

const SOON: Seconds = Seconds::new(0.5);

#[tokio::test]
async fn blocks_come_in_order_and_gaps_are_counted() {
    let mut box_ = open(|| [block(0), block(2), block(10)].concat()).await;
    assert_eq!(box_.start().await.unwrap_err().kind, ErrorKind::Protocol);
    let refused = box_.configure(&want(2000.0)).await.unwrap_err();
    assert_eq!(refused.kind, ErrorKind::OutOfRange, "{refused}");
    assert_eq!(box_.configure(&want(1000.0)).await.unwrap(), want(1000.0));
    box_.start().await.unwrap();
    for (first, gap) in [(0, 0), (2, 0), (10, 6)] {
        let block = box_.next_block(SOON).await.unwrap().unwrap();
        assert_eq!((block.first_sample.0, block.gap_before.0), (first, gap));
        assert_eq!((block.channel(1), block.overload()), (&[3.0, 4.0][..], &[false, true][..]));
    }
    assert!(box_.next_block(Seconds::new(0.02)).await.unwrap().is_none());
    assert_eq!(box_.configure(&want(1000.0)).await.unwrap_err().kind, ErrorKind::Busy);
    box_.stop().await.unwrap();
    assert!(box_.next_block(SOON).await.is_err());
    box_.start().await.unwrap();
    assert_eq!(box_.next_block(SOON).await.unwrap().unwrap().first_sample.0, 0);
}

#[tokio::test]
async fn what_is_broken_ends_sampling() {
    type Sent = fn() -> Vec<u8>;
    let broken: [(Sent, ErrorKind); 4] = [
        (|| [block(0), b"garbage that is no frame".to_vec()].concat(), ErrorKind::Protocol),
        (|| [block(0), block(0)].concat(), ErrorKind::Protocol),
        (|| [block(0), Frame::Ended("power".into()).encode().unwrap()].concat(), ErrorKind::Disconnected),
        (
            || {
                let mut bad = block(2);
                bad[45] ^= 1;
                [block(0), bad].concat()
            },
            ErrorKind::Protocol,
        ),
    ];
    for (script, kind) in broken {
        let mut box_ = open(script).await;
        box_.configure(&want(1000.0)).await.unwrap();
        box_.start().await.unwrap();
        assert!(box_.next_block(SOON).await.unwrap().is_some());
        assert_eq!(box_.next_block(SOON).await.unwrap_err().kind, kind);
    }
}
