//! Notices wait on the disk until they are taken.

use super::*;
use crate::files::Disk;
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::TcpListener;

fn notice(message: &str) -> Notice {
    Notice {
        kind: "finished".to_owned(),
        rig: "invented".to_owned(),
        simulated: true,
        run: Some("one".to_owned()),
        at_utc: "2026-01-01T00:00:00Z".parse().unwrap(),
        message: message.to_owned(),
    }
}

fn open(address: &str, state: &Path) -> Outbox {
    let settings = OutboxSettings { receivers: vec![address.to_owned()], ..OutboxSettings::default() };
    Outbox::open(&settings, state, Arc::new(Disk)).unwrap().unwrap()
}

/// Answers one request with a status, and gives what it was.
async fn answer(listener: &TcpListener, status: &str) -> String {
    let (mut stream, _) = listener.accept().await.unwrap();
    let mut request = Vec::new();
    let mut buffer = [0; 4096];
    while !request.ends_with(b"}") {
        let n = stream.read(&mut buffer).await.unwrap();
        request.extend_from_slice(&buffer[..n]);
    }
    stream.write_all(format!("HTTP/1.1 {status}\r\ncontent-length: 0\r\n\r\n").as_bytes()).await.unwrap();
    String::from_utf8(request).unwrap()
}

#[tokio::test]
async fn a_notice_waits_until_it_is_taken_even_over_a_restart() {
    let folder = tempfile::tempdir().unwrap();
    let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let address = format!("http://{}/told?by=calwright", listener.local_addr().unwrap());
    let mut outbox = open(&address, folder.path());
    outbox.keep(vec![notice("first")]);
    let ((), request) = tokio::join!(outbox.send(), answer(&listener, "503 Service Unavailable"));
    assert!(request.starts_with("POST /told?by=calwright HTTP/1.1\r\n"), "{request}");
    assert!(outbox.spool.due(UtcTime::now()).is_empty(), "it is not tried again at once");
    drop(outbox);

    let mut again = open(&address, folder.path());
    let mut kept: Vec<_> = again.spool.due("2100-01-01T00:00:00Z".parse().unwrap());
    let one = kept.pop().unwrap();
    assert_eq!((one.tries, one.notice.message.as_str()), (1, "first"));
    again.spool.again(spool::Waiting { tries: 0, ..one }, "2026-01-01T00:00:00Z".parse().unwrap());
    let ((), request) = tokio::join!(again.send(), answer(&listener, "204 No Content"));
    assert!(request.contains("\"message\":\"first\""), "{request}");
    assert_eq!(std::fs::read_dir(folder.path().join("outbox")).unwrap().count(), 0);
}

#[test]
fn a_receiver_that_is_away_for_good_does_not_fill_the_disk() {
    let folder = tempfile::tempdir().unwrap();
    let mut outbox = open("http://127.0.0.1:9/", folder.path());
    for n in 0..spool::MOST + 3 {
        outbox.keep(vec![notice(&n.to_string())]);
    }
    let waiting = outbox.spool.due(UtcTime::now());
    assert_eq!(waiting.len(), spool::MOST);
    assert_eq!(waiting[0].notice.message, "3", "the oldest went");
}

/// A receiver that does not answer is asked once a round, whatever waits for it, and another is told all the same.
#[tokio::test]
async fn a_receiver_that_does_not_answer_holds_up_no_other() {
    let folder = tempfile::tempdir().unwrap();
    let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let good = format!("http://{}/", listener.local_addr().unwrap());
    // A port that was just given back: nobody listens there.
    let gone = TcpListener::bind("127.0.0.1:0").await.unwrap().local_addr().unwrap();
    let settings =
        OutboxSettings { receivers: vec![format!("http://{gone}/"), good], ..OutboxSettings::default() };
    let mut outbox = Outbox::open(&settings, folder.path(), Arc::new(Disk)).unwrap().unwrap();
    outbox.keep(vec![notice("first"), notice("second")]);
    let told =
        async { (answer(&listener, "204 No Content").await, answer(&listener, "204 No Content").await) };
    let ((), (first, second)) = tokio::join!(outbox.send(), told);
    assert!(first.contains("\"first\"") && second.contains("\"second\""), "{first}{second}");
    let left = outbox.spool.due("2100-01-01T00:00:00Z".parse().unwrap());
    let tries: Vec<u32> = left.iter().map(|waiting| waiting.tries).collect();
    assert_eq!(tries, [1, 0], "the second was not tried, and is not lost");
    assert!(outbox.spool.due(UtcTime::now()).is_empty());
}

#[test]
fn pauses_grow_to_an_hour() {
    let seconds: Vec<u64> = (0..12).map(|n| pause(n).as_secs()).collect();
    assert_eq!(seconds[..3], [10, 20, 40]);
    assert_eq!(seconds[9..], [3600, 3600, 3600]);
}

#[test]
fn addresses_that_can_not_be_told_are_refused_with_a_remedy() {
    for address in ["192.0.2.9", "ftp://192.0.2.9/", "https://lab.example/"] {
        let settings = OutboxSettings { receivers: vec![address.to_owned()], ..OutboxSettings::default() };
        let error = Receiver::all(&settings).err().unwrap();
        assert!(error.to_string().contains("write such as"), "{error}");
    }
}

/// A run that waits for a person holds up the queue as much as a job that does.
#[test]
fn what_a_run_asks_of_a_person_is_told() {
    let mut rig = RigState {
        rig: "invented".to_owned(),
        simulated: false,
        latch: LatchState::MayBeMoving,
        trip: None,
        message: None,
        leave_by: Some("A. Person".to_owned()),
        leave_until: None,
        leave_missing: None,
        queue_held: None,
        checklist: Vec::new(),
        warnings: Vec::new(),
        running: Some("one".to_owned()),
        asks: None,
        draining: false,
    };
    assert_eq!(waits(&rig, &[]), None);
    rig.asks = Some("connect the sensors".to_owned());
    assert_eq!(waits(&rig, &[]).as_deref(), Some("run one: connect the sensors"));
}
