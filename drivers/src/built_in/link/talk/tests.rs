//! A conversation with peers that answer late, wrongly, or not at all.

use super::*;
use crate::built_in::link::tests_support::{Peer, line_link, tcp_link};
use proptest::prelude::*;
use tokio::io::AsyncBufReadExt;
use tokio::io::BufReader;

#[tokio::test]
async fn questions_are_answered_and_identity_is_kept() {
    let peer = Peer::lines(|line| match line {
        "*IDN?" => Some("A,B,1,2".to_owned()),
        "N?" => Some("+1.5E+00".to_owned()),
        _ => None,
    })
    .await;
    let mut talk = Talk::new("unit", &tcp_link(&peer.address, 100));
    assert_eq!(talk.identify("*IDN?").await.unwrap(), "A,B,1,2");
    assert_eq!(talk.ask("read", "N?").await.unwrap(), "+1.5E+00");
    talk.tell("set", "SET 1").await.unwrap();
    assert!(!talk.take_reopened());
}

/// The peer answers the first question after the second was asked.
#[tokio::test]
async fn a_late_answer_is_not_taken_for_the_next() {
    let listener = tokio::net::TcpListener::bind("127.0.0.1:0").await.unwrap();
    let address = listener.local_addr().unwrap().to_string();
    tokio::spawn(async move {
        let (mut first, _) = listener.accept().await.unwrap();
        let (mut second, _) = listener.accept().await.unwrap();
        let _ = first.write_all(b"LATE\n").await;
        let mut lines = BufReader::new(&mut second);
        let mut line = String::new();
        while lines.read_line(&mut line).await.unwrap_or(0) > 0 {
            let answer = format!("ANSWER TO {}\n", line.trim());
            lines.get_mut().write_all(answer.as_bytes()).await.unwrap();
            line.clear();
        }
    });
    let mut link = tcp_link(&address, 50);
    link.retries = 0;
    let mut talk = Talk::new("unit", &link);
    assert_eq!(talk.ask("read", "ONE?").await.unwrap_err().kind, ErrorKind::Timeout);
    assert_eq!(talk.ask("read", "TWO?").await.unwrap(), "ANSWER TO TWO?");
    assert!(talk.take_reopened() && !talk.take_reopened());
}

/// On a line there is no connection to end: the late answer comes into the line that was opened anew.
#[tokio::test]
async fn a_late_answer_on_a_line_is_thrown_away() {
    let (link, far, _keeper) = line_link(50);
    let mut talk = Talk::new("unit", &link);
    let peer = tokio::spawn(async move {
        let mut lines = BufReader::new(far);
        let mut questions = Vec::new();
        loop {
            let mut line = String::new();
            if lines.read_line(&mut line).await.unwrap_or(0) == 0 {
                return (questions, lines);
            }
            let question = line.trim().to_owned();
            questions.push(question.clone());
            match question.as_str() {
                "ONE?" => {}
                // Late, and before the identity.
                "*IDN?" if questions.contains(&"ONE?".to_owned()) => {
                    lines.get_mut().write_all(b"ONE\nA,B,1,2\n").await.unwrap();
                }
                "*IDN?" => lines.get_mut().write_all(b"A,B,1,2\n").await.unwrap(),
                _ => {
                    lines.get_mut().write_all(b"TWO\n").await.unwrap();
                    return (questions, lines);
                }
            }
        }
    });
    talk.identify("*IDN?").await.unwrap();
    talk.link.retries = 0;
    assert_eq!(talk.ask("read", "ONE?").await.unwrap_err().kind, ErrorKind::Timeout);
    assert_eq!(talk.ask("read", "TWO?").await.unwrap(), "TWO");
    assert_eq!(peer.await.unwrap().0, ["*IDN?", "ONE?", "*IDN?", "TWO?"]);
}

/// A caller that gives up leaves an answer behind; nobody takes it.
#[tokio::test]
async fn a_call_that_was_given_up_closes_the_link() {
    let peer = Peer::lines(|line| (line != "SLOW?").then(|| format!("ANSWER TO {line}"))).await;
    let mut talk = Talk::new("unit", &tcp_link(&peer.address, 5000));
    assert_eq!(talk.ask("read", "ONE?").await.unwrap(), "ANSWER TO ONE?");
    assert!(timeout(Duration::from_millis(20), talk.ask("read", "SLOW?")).await.is_err());
    assert_eq!(talk.ask("read", "TWO?").await.unwrap(), "ANSWER TO TWO?");
    assert!(talk.take_reopened());
}

/// Only what makes safe goes on while it waits, and it asks once.
#[tokio::test]
async fn what_is_asked_gives_way_to_making_safe() {
    use crate::built_in::link::lane::Lane;
    let asked = std::sync::Arc::new(std::sync::Mutex::new(Vec::new()));
    let inside = asked.clone();
    let peer = Peer::lines(move |line| {
        inside.lock().unwrap().push(line.to_owned());
        (line != "NONE?").then(|| "1".to_owned())
    })
    .await;
    let talk = Talk::new("unit", &tcp_link(&peer.address, 200));
    assert!(talk.link.retries > 0);
    let lane = std::sync::Arc::new(Lane::new(talk.wanted(), talk));
    let mut talk = lane.calm().await;
    assert_eq!(talk.ask("read", "ONE?").await.unwrap(), "1");
    let urgent = lane.clone();
    let urgent = tokio::spawn(async move { urgent.urgent().await.ask(MAKE_SAFE, "NONE?").await });
    while !lane.is_wanted() {
        tokio::task::yield_now().await;
    }
    assert_eq!(talk.ask("read", "TWO?").await.unwrap_err().kind, ErrorKind::Busy);
    assert_eq!(talk.tell("set", "SET 1").await.unwrap_err().kind, ErrorKind::Busy);
    drop(talk);
    assert_eq!(urgent.await.unwrap().unwrap_err().kind, ErrorKind::Timeout);
    assert_eq!(*asked.lock().unwrap(), ["ONE?", "NONE?"]);
    assert_eq!(lane.calm().await.ask("read", "TWO?").await.unwrap(), "1");
}

#[tokio::test]
async fn another_instrument_behind_the_same_address_is_refused() {
    let count = std::sync::atomic::AtomicUsize::new(0);
    let peer = Peer::lines(move |line| {
        let n = count.fetch_add(1, std::sync::atomic::Ordering::SeqCst);
        (line == "*IDN?").then(|| format!("A,B,{n},2"))
    })
    .await;
    let mut talk = Talk::new("unit", &tcp_link(&peer.address, 50));
    talk.identify("*IDN?").await.unwrap();
    talk.link.retries = 0;
    assert_eq!(talk.ask("read", "NONE?").await.unwrap_err().kind, ErrorKind::Timeout);
    assert_eq!(talk.ask("read", "NONE?").await.unwrap_err().kind, ErrorKind::BadData);
}

/// The kernel's device takes and gives whole messages; a pseudo-terminal stands in for it, which shows the bytes only.
#[tokio::test]
async fn a_character_device_is_spoken_to_in_whole_lines() {
    let (line, far, _keeper) = line_link(1000);
    let link = Link { serial: None, usbtmc: line.serial.clone(), ..line };
    let peer = tokio::spawn(async move {
        let mut lines = BufReader::new(far);
        let mut line = String::new();
        lines.read_line(&mut line).await.unwrap();
        lines.get_mut().write_all(b"#13abc\n").await.unwrap();
        // The end of a message ends an answer, whether a line feed came before it or not.
        for message in [&b"#13def"[..], b"+1.5"] {
            let mut asked = String::new();
            lines.read_line(&mut asked).await.unwrap();
            lines.get_mut().write_all(message).await.unwrap();
        }
        (line, lines)
    });
    let mut talk = Talk::new("unit", &link);
    assert_eq!(talk.ask_block("fetch", "FETC?", 10).await.unwrap(), b"abc");
    assert_eq!(talk.ask_block("fetch", "FETC?", 10).await.unwrap(), b"def");
    assert_eq!(talk.ask("read", "VOLT?").await.unwrap(), "+1.5");
    assert_eq!(peer.await.unwrap().0, "FETC?\n");
}

/// What the kernel's device does: a read gives the rest of one message, and as much of it as was asked for.
#[derive(Debug, Default)]
struct Messages(std::collections::VecDeque<Vec<u8>>);

impl tokio::io::AsyncRead for Messages {
    fn poll_read(
        mut self: std::pin::Pin<&mut Self>,
        _: &mut std::task::Context<'_>,
        into: &mut tokio::io::ReadBuf<'_>,
    ) -> std::task::Poll<io::Result<()>> {
        // Nothing comes by itself: a read too many is one that never ends.
        let Some(message) = self.0.front_mut() else { return std::task::Poll::Pending };
        let count = message.len().min(into.remaining());
        into.put_slice(&message[..count]);
        message.drain(..count);
        // A message that fills what was asked for to the last byte does not show its end.
        if message.is_empty() {
            self.0.pop_front();
        }
        std::task::Poll::Ready(Ok(()))
    }
}

impl tokio::io::AsyncWrite for Messages {
    fn poll_write(
        self: std::pin::Pin<&mut Self>,
        _: &mut std::task::Context<'_>,
        bytes: &[u8],
    ) -> std::task::Poll<io::Result<usize>> {
        std::task::Poll::Ready(Ok(bytes.len()))
    }

    fn poll_flush(
        self: std::pin::Pin<&mut Self>,
        _: &mut std::task::Context<'_>,
    ) -> std::task::Poll<io::Result<()>> {
        std::task::Poll::Ready(Ok(()))
    }

    fn poll_shutdown(
        self: std::pin::Pin<&mut Self>,
        _: &mut std::task::Context<'_>,
    ) -> std::task::Poll<io::Result<()>> {
        std::task::Poll::Ready(Ok(()))
    }
}

/// Blocks and lines of every length that could be met by what is asked for, without a line feed behind them.
#[tokio::test]
async fn a_message_ends_its_answer_however_long_it_is() {
    let lengths = [3, 4090, 4096, 9000, 65_530, 65_536, 70_000, (1 << 20) - 9, 1 << 20, 3 << 20];
    let block = |length: usize| [format!("#7{length:07}").as_bytes(), &vec![b'z'; length]].concat();
    let mut messages = Messages::default();
    messages.0.extend(lengths.map(block));
    messages.0.extend([4096, 8192, 65_536].map(|length| vec![b'7'; length]));
    let link = Link { tcp: None, usbtmc: Some("/dev/null".to_owned()), ..tcp_link("", 2000) };
    let mut talk = Talk { wire: Some(Box::new(messages)), ..Talk::new("unit", &link) };
    for length in lengths {
        assert_eq!(talk.ask_block("fetch", "FETC?", 4 << 20).await.unwrap().len(), length);
    }
    for length in [4096, 8192, 65_536] {
        assert_eq!(talk.ask("read", "READ?").await.unwrap().len(), length);
    }
}

#[tokio::test]
async fn empty_and_foreign_answers_are_no_data() {
    let peer = Peer::bytes(|line| match line {
        "EMPTY?" => b"\r\n".to_vec(),
        "BYTES?" => b"\xff\xfe\n".to_vec(),
        _ => b"\n".to_vec(),
    })
    .await;
    let mut talk = Talk::new("unit", &tcp_link(&peer.address, 50));
    for question in ["EMPTY?", "BYTES?"] {
        assert_eq!(talk.ask("read", question).await.unwrap_err().kind, ErrorKind::BadData, "{question}");
    }
}

async fn block_of(answer: &[u8]) -> Result<Vec<u8>, DriverError> {
    let answer = answer.to_vec();
    let peer = Peer::bytes(move |_| answer.clone()).await;
    Talk::new("unit", &tcp_link(&peer.address, 50)).ask_block("fetch", "FETC?", 1000).await
}

#[tokio::test]
async fn blocks_have_the_length_that_they_say() {
    assert_eq!(block_of(b"#15ab\ncd\n").await.unwrap(), b"ab\ncd");
    assert_eq!(block_of(b"#3003abc\r\n").await.unwrap(), b"abc");
    assert_eq!(block_of(b"#10\n").await.unwrap(), b"");
    for bad in [&b"#0abc\n"[..], b"15abcde\n", b"#1xabc\n", b"#41001", b"#15abcdefg\n", b"ERROR\n"] {
        assert_eq!(block_of(bad).await.unwrap_err().kind, ErrorKind::Protocol, "{bad:?}");
    }
    assert_eq!(block_of(b"#15abc").await.unwrap_err().kind, ErrorKind::Timeout);
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]
    /// Whatever a peer sends: an answer that is text, a block of the length it says, or an error.
    #[test]
    fn bytes_drawn_at_random_are_an_answer_or_an_error(bytes in proptest::collection::vec(any::<u8>(), 0..200)) {
        let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap();
        runtime.block_on(async {
            let sent = bytes.clone();
            let peer = Peer::bytes(move |_| sent.clone()).await;
            let mut link = tcp_link(&peer.address, 10);
            link.retries = 0;
            let mut talk = Talk::new("unit", &link);
            if let Ok(text) = talk.ask("read", "X?").await {
                prop_assert!(!text.is_empty() && bytes.contains(&b'\n'));
            }
            if let Ok(block) = talk.ask_block("fetch", "X?", 1000).await {
                let digits = usize::from(bytes[1] - b'0');
                prop_assert!(bytes[0] == b'#' && bytes[2 + digits..].starts_with(&block));
            }
            Ok(())
        })?;
    }
}
