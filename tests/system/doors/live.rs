//! What happens, as it happens: the stream of events, cut off and taken up again.

use super::identity::house;
use calwright::serve::words::Happening;
use std::io::{BufRead, BufReader, Write};
use std::net::TcpStream;
use std::time::Duration;
use tests::doors::House;

struct Stream(BufReader<TcpStream>);

impl Stream {
    fn open(house: &House, last: Option<u64>) -> Self {
        let address = house.url().unwrap().trim_start_matches("http://").to_owned();
        let mut stream = TcpStream::connect(&address).unwrap();
        stream.set_read_timeout(Some(Duration::from_secs(20))).unwrap();
        let last = last.map_or(String::new(), |id| format!("Last-Event-ID: {id}\r\n"));
        let token = house.token("viewer");
        write!(
            stream,
            "GET /api/v1/news HTTP/1.1\r\nHost: {address}\r\nAuthorization: Bearer {token}\r\n{last}\r\n"
        )
        .unwrap();
        let mut reader = BufReader::new(stream);
        let mut line = String::new();
        reader.read_line(&mut line).unwrap();
        assert!(line.starts_with("HTTP/1.1 200"), "{line}");
        let mut typed = false;
        while line.trim() != "" {
            line.clear();
            reader.read_line(&mut line).unwrap();
            typed |= line.trim() == "content-type: text/event-stream";
        }
        assert!(typed);
        Self(reader)
    }

    /// The next event: number, kind, data. None where the stream ended.
    fn next(&mut self) -> Option<(u64, String, serde_json::Value)> {
        let (mut id, mut kind) = (0, String::new());
        loop {
            let mut line = String::new();
            if self.0.read_line(&mut line).unwrap() == 0 {
                return None;
            }
            if let Some(text) = line.strip_prefix("id: ") {
                id = text.trim().parse().unwrap();
            } else if let Some(text) = line.strip_prefix("event: ") {
                kind = text.trim().to_owned();
            } else if let Some(text) = line.strip_prefix("data: ") {
                let data = serde_json::from_str(text).unwrap();
                // The order of fields within an event is free; ours sends data last.
                if id == 0 {
                    continue;
                }
                return Some((id, kind, data));
            } else if line.trim() == "0" {
                return None;
            }
        }
    }
}

#[test]
fn a_viewer_goes_on_where_it_was_cut_off() {
    let house = house();
    for _ in 0..3 {
        house.desk.tell(Happening::Queue);
    }
    let mut stream = Stream::open(&house, Some(0));
    let first: Vec<u64> = (0..2).map(|_| stream.next().unwrap().0).collect();
    assert_eq!(first, [1, 2]);
    drop(stream);
    house.desk.tell(Happening::Began("a-run".into()));
    let mut stream = Stream::open(&house, Some(2));
    assert_eq!(stream.next().unwrap().0, 3);
    let (id, kind, data) = stream.next().unwrap();
    assert_eq!((id, kind.as_str()), (4, "began"));
    assert_eq!(data, serde_json::json!({ "id": 4, "kind": "began", "body": "a-run" }));
    house.desk.tell(Happening::Queue);
    assert_eq!(stream.next().unwrap().0, 5, "and then what happens from now on");
}

#[test]
fn a_viewer_from_before_a_restart_is_told_all_that_is_new() {
    let house = house();
    let mut stream = Stream::open(&house, Some(5000));
    for id in 1..=2 {
        house.desk.tell(Happening::Queue);
        assert_eq!(stream.next().unwrap().0, id);
    }
}

#[test]
fn a_stream_says_first_how_soon_to_come_again() {
    let house = house();
    let mut first = String::new();
    // Behind the length of its piece.
    let mut lines = Stream::open(&house, None).0;
    while first.is_empty() || !first.contains(':') {
        first.clear();
        lines.read_line(&mut first).unwrap();
    }
    assert_eq!(first, "retry: 1000\n");
}

#[test]
fn a_slow_viewer_loses_moments_and_nothing_else() {
    let house = house();
    let mut stream = Stream::open(&house, Some(0));
    // More than any buffer on the way holds.
    for n in 0..60_000_u32 {
        if n % 100 == 0 {
            house.desk.tell(Happening::Queue);
        } else {
            house.desk.tell(Happening::Moment(calwright::serve::words::Moment::default()));
        }
    }
    house.desk.tell(Happening::Began("the last".into()));
    let (mut queue, mut before) = (0, 0);
    loop {
        let (id, kind, _) = stream.next().unwrap();
        assert!(id > before, "numbers rise");
        before = id;
        queue += u32::from(kind == "queue");
        if kind == "began" {
            break;
        }
    }
    assert_eq!(queue, 600);
}

#[test]
fn streams_end_when_the_doors_close_and_the_socket_goes() {
    let mut house = house();
    let mut stream = Stream::open(&house, None);
    let socket = house.folder().join("calwright.sock");
    assert!(socket.exists());
    house.close();
    assert!(stream.next().is_none());
    assert!(!socket.exists());
}

/// A viewer that was there before the daemon's last start comes with a number that is higher than any of now.
#[test]
fn a_viewer_from_before_a_restart_hears_what_happens_now() {
    let house = house();
    let mut stream = Stream::open(&house, Some(1_000_000));
    house.desk.tell(Happening::Began("a-run".into()));
    assert_eq!(stream.next().unwrap().1, "began");
}
