//! The gated acquisition against an instrument on a real socket.

use super::*;
use crate::built_in::link::tests_support::Peer;
use crate::built_in::settings::tests::instrument;
use crate::roles::ChannelRequest;
use plan_schema::units::{SamplesPerSecond, Volts};
use std::sync::Mutex;
use std::sync::atomic::AtomicU64;

fn want() -> AcquisitionRequest {
    let channel = |input| ChannelRequest { input, range: Volts::new(10.0) };
    AcquisitionRequest {
        rate: SamplesPerSecond::new(1000.0),
        frames: 2,
        channels: vec![channel(0), channel(3)],
    }
}

async fn open(peer: &Peer) -> Box<dyn Acquisition> {
    let settings = format!(
        r#"
        link = {{ tcp = "{}", timeout = "200 ms" }}
        rate = "RATE {{rate:.0}}"
        frames = "POIN {{frames:.0}}"
        channel = "CHAN {{input:.0}},{{v_peak}}"
        trigger = "INIT"
        ready = {{ ask = "RDY?" }}
        fetch = "FETC?"
        index_query = "IND?"
        stop = "ABOR"
        samples = {{ kind = "i16", byte_order = "big", layout = "interleaved", shift = 1, overload_bit = 0, full_scale = 16384 }}
        "#,
        peer.address
    );
    Factory.open(&instrument("scpi-acquisition", &settings)).await.unwrap().acquisition.unwrap()
}

#[tokio::test]
async fn blocks_are_triggered_awaited_fetched_and_scaled() {
    let (log, gate, asked) = (Arc::new(Mutex::new(Vec::new())), AtomicU64::new(0), AtomicU64::new(0));
    let inside = log.clone();
    let peer = Peer::bytes(move |line| {
        match line {
            "*IDN?" => return b"Invented,D1,5,1\n".to_vec(),
            "SYST:ERR?" => return b"0,\"No error\"\n".to_vec(),
            // Ready when asked for the second time.
            "RDY?" => {
                return if asked.fetch_add(1, Ordering::SeqCst) % 2 == 0 { b"0\n" } else { b"1\n" }.to_vec();
            }
            "IND?" => return format!("{}\n", 10 * gate.load(Ordering::SeqCst) - 10).into_bytes(),
            // 5 V and -10 V with an overload, then 0 V and 10/16384 V.
            "FETC?" => return b"#18\x40\x00\x80\x01\x00\x00\x00\x02\n".to_vec(),
            "INIT" => _ = gate.fetch_add(1, Ordering::SeqCst),
            other => inside.lock().unwrap().push(other.to_owned()),
        }
        Vec::new()
    })
    .await;
    let mut daq = open(&peer).await;
    assert_eq!(daq.continuity(), Continuity::Gated);
    assert!(daq.start().await.is_err());
    daq.configure(&want()).await.unwrap();
    assert_eq!(*log.lock().unwrap(), ["RATE 1000", "POIN 2", "CHAN 0,10", "CHAN 3,10"]);
    daq.start().await.unwrap();
    for (first, gap) in [(0, 0), (10, 8), (20, 8)] {
        let block = daq.next_block(Seconds::new(1.0)).await.unwrap().unwrap();
        assert_eq!((block.first_sample.0, block.gap_before.0), (first, gap));
        assert_eq!(block.channel(0), [5.0, 0.0]);
        assert!((block.channel(1)[0] + 10.0).abs() < 1e-6);
        assert_eq!(block.overload(), [false, true]);
    }
    assert_eq!(daq.configure(&want()).await.unwrap_err().kind, ErrorKind::Busy);
    daq.stop().await.unwrap();
    assert_eq!(log.lock().unwrap().last().unwrap(), "ABOR");
    daq.configure(&want()).await.unwrap();
}

/// An instrument that takes 5 V for 3 V in silence: by its own word the samples would be off by as much.
#[tokio::test]
async fn a_range_that_was_not_taken_is_found_out() {
    let ranges = Arc::new(Mutex::new([0.0_f64; 2]));
    let peer = Peer::lines(move |line| {
        let mut ranges = ranges.lock().unwrap();
        let words: Vec<&str> = line.split([' ', ',']).collect();
        match words.as_slice() {
            ["*IDN?"] => Some("Invented,D1,5,1".to_owned()),
            ["SYST:ERR?"] => Some("0,\"No error\"".to_owned()),
            ["CHAN", input, wish] => {
                let wish: f64 = wish.parse().unwrap();
                // It has ranges of 1 V, 5 V and 10 V.
                ranges[usize::from(*input == "3")] =
                    [1.0, 5.0, 10.0].into_iter().find(|range| *range >= wish).unwrap();
                None
            }
            ["RANG?", input] => Some(format!("{:+.5E}", ranges[usize::from(*input == "3")])),
            _ => None,
        }
    })
    .await;
    let settings = format!(
        r#"
        link = {{ tcp = "{}", timeout = "30 s" }}
        rate = "RATE {{rate:.0}}"
        frames = "POIN {{frames:.0}}"
        channel = "CHAN {{input:.0}},{{v_peak}}"
        range_query = "RANG? {{input:.0}}"
        fetch = "FETC?"
        samples = {{ kind = "i16", byte_order = "big", layout = "by_channel", full_scale = 32768 }}
        "#,
        peer.address
    );
    let instrument = instrument("scpi-acquisition", &settings);
    assert_eq!(Factory.check(&instrument), Vec::<String>::new());
    let mut daq = Factory.open(&instrument).await.unwrap().acquisition.unwrap();
    daq.configure(&want()).await.unwrap();
    let mut wrong = want();
    wrong.channels[1].range = Volts::new(3.0);
    let refused = daq.configure(&wrong).await.unwrap_err();
    assert!(refused.kind == ErrorKind::OutOfRange, "{refused}");
    assert!(refused.detail.contains("input 3 has a range of 5 V pk, not of 3 V pk"), "{refused}");
    // What is not configured can't be started.
    assert_eq!(daq.start().await.unwrap_err().kind, ErrorKind::Protocol);
}

#[tokio::test]
async fn a_block_of_another_length_ends_sampling() {
    let peer = Peer::bytes(|line| match line {
        "*IDN?" => b"Invented,D1,5,1\n".to_vec(),
        "SYST:ERR?" => b"0,\"No error\"\n".to_vec(),
        "RDY?" => b"1\n".to_vec(),
        "IND?" => b"0\n".to_vec(),
        "FETC?" => b"#14\x40\x00\x80\x01\n".to_vec(),
        _ => Vec::new(),
    })
    .await;
    let mut daq = open(&peer).await;
    daq.configure(&want()).await.unwrap();
    daq.start().await.unwrap();
    assert_eq!(daq.next_block(Seconds::new(1.0)).await.unwrap_err().kind, ErrorKind::BadData);
    daq.stop().await.unwrap();
}
