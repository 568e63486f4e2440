//! Instruments that take lines of text, on a real socket and on a pseudo-terminal.

use super::*;
use crate::built_in::link::tests_support::{Peer, line_link};
use crate::built_in::settings::tests::instrument;
use crate::permit::PermitIssuer;
use crate::registry::DriverFactory;
use crate::safe::StopReason;
use plan_schema::units::Volts;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use tokio::io::{AsyncBufReadExt, AsyncWriteExt, BufReader};

#[tokio::test]
async fn an_amplifier_is_muted_with_read_back() {
    let (muted, stuck, fault) = (
        Arc::new(AtomicBool::new(false)),
        Arc::new(AtomicBool::new(false)),
        Arc::new(AtomicBool::new(false)),
    );
    let (m, s, f) = (muted.clone(), stuck.clone(), fault.clone());
    let peer = Peer::lines(move |line| {
        match line {
            "MUTE 1" | "MUTE 0" if !s.load(Ordering::SeqCst) => m.store(line == "MUTE 1", Ordering::SeqCst),
            _ => {}
        }
        match line {
            "MUTE?" => Some(if m.load(Ordering::SeqCst) { "yes" } else { "no" }.to_owned()),
            "FLT?" => Some(u8::from(f.load(Ordering::SeqCst)).to_string()),
            _ => None,
        }
    })
    .await;
    let settings = format!(
        "link = {{ tcp = \"{}\", timeout = \"100 ms\" }}\nidentify = \"\"\nmute = \"MUTE 1\"\nunmute = \"MUTE 0\"\n\
         muted = {{ ask = \"MUTE?\", yes = [\"YES\"], no = [\"NO\"] }}\nfault = {{ ask = \"FLT?\" }}",
        peer.address
    );
    let opened = amplifier::Factory.open(&instrument("text-amplifier", &settings)).await.unwrap();
    let (mut amplifier, safe) = (opened.amplifier.unwrap(), opened.safe);
    assert!(!muted.load(Ordering::SeqCst), "opening changes nothing");
    let permit = PermitIssuer::new().0.grant(Volts::new(1.0));
    assert!(amplifier.unmute(&permit).await.is_err());
    assert!(safe.make_safe(StopReason::Start).await.unwrap().is_safe() && muted.load(Ordering::SeqCst));
    assert!(!amplifier.unmute(&permit).await.unwrap().muted);
    assert!(amplifier.mute().await.unwrap().muted);
    fault.store(true, Ordering::SeqCst);
    assert!(amplifier.status().await.unwrap().fault);
    assert!(amplifier.unmute(&permit).await.is_err());
    fault.store(false, Ordering::SeqCst);
    amplifier.unmute(&permit).await.unwrap();
    stuck.store(true, Ordering::SeqCst);
    assert!(safe.make_safe(StopReason::Trip).await.is_err());
}

/// A line that never gets quiet after a time-out: the command to mute goes out all the same, and what reads back is proof.
#[tokio::test]
async fn a_line_that_babbles_is_muted_all_the_same() {
    let (link, mut far, _keeper) = line_link(100);
    let path = link.serial.unwrap();
    let fallen = Arc::new(AtomicBool::new(false));
    let heard = fallen.clone();
    tokio::spawn(async move {
        let (mut line, mut muted) = (Vec::new(), false);
        loop {
            // Once fallen it sends a letter again and again, until it is muted.
            let noisy = fallen.load(Ordering::SeqCst) && !muted;
            let every = std::time::Duration::from_millis(if noisy { 10 } else { 60_000 });
            let Ok(byte) = tokio::time::timeout(every, tokio::io::AsyncReadExt::read_u8(&mut far)).await
            else {
                far.write_all(b"x").await.unwrap();
                continue;
            };
            match byte.unwrap() {
                b'\n' => {
                    muted |= line == b"MUTE 1";
                    if line == b"MUTE?" && (muted || !fallen.load(Ordering::SeqCst)) {
                        far.write_all(if muted { b"1\n" } else { b"0\n" }).await.unwrap();
                    }
                    line.clear();
                }
                byte => line.push(byte),
            }
        }
    });
    let settings = format!(
        "link = {{ serial = \"{path}\", timeout = \"100 ms\", retries = 0 }}\nidentify = \"\"\nmute = \"MUTE 1\"\n\
         unmute = \"MUTE 0\"\nmuted = {{ ask = \"MUTE?\" }}"
    );
    let opened = amplifier::Factory.open(&instrument("text-amplifier", &settings)).await.unwrap();
    heard.store(true, Ordering::SeqCst);
    let mut amplifier = opened.amplifier.unwrap();
    assert_eq!(amplifier.status().await.unwrap_err().kind, ErrorKind::Timeout);
    assert_eq!(amplifier.status().await.unwrap_err().kind, ErrorKind::Protocol);
    assert!(opened.safe.make_safe(StopReason::Trip).await.unwrap().is_safe());
}

/// Contacts with many inputs are being read when they are made safe.
#[tokio::test]
async fn reading_many_inputs_does_not_hold_up_making_safe() {
    let log = Arc::new(std::sync::Mutex::new(Vec::new()));
    let (inside, told) = (log.clone(), |log: &std::sync::Mutex<Vec<String>>| log.lock().unwrap().clone());
    let peer = Peer::lines(move |line| {
        inside.lock().unwrap().push(line.to_owned());
        match line {
            "OUT 0" => None,
            "OUT?" => Some("0".to_owned()),
            _ => Some("1".to_owned()),
        }
    })
    .await;
    let inputs: Vec<String> = (0..64).map(|n| format!("{{ ask = \"IN{n}?\" }}")).collect();
    let settings = format!(
        "link = {{ tcp = \"{}\", timeout = \"10 s\" }}\nidentify = \"\"\nemergency_stop = {{ ask = \"STOP?\" }}\n\
         input = [{}]\noutput = [{{ on = \"OUT 1\", off = \"OUT 0\", is_on = {{ ask = \"OUT?\" }} }}]",
        peer.address,
        inputs.join(", ")
    );
    let opened = contacts::Factory.open(&instrument("text-contacts", &settings)).await.unwrap();
    let (mut panel, safe) = (opened.contacts.unwrap(), opened.safe);
    let (reading, proof) = tokio::join!(panel.read(), async {
        while told(&log).len() < 4 {
            tokio::task::yield_now().await;
        }
        safe.make_safe(StopReason::Trip).await
    });
    assert!(proof.is_ok());
    // The one who reads sees a delay and no failure.
    assert_eq!(reading.unwrap().inputs, [true; 64]);
    let told = told(&log);
    assert!(told.iter().position(|line| line == "OUT 0").unwrap() < 32, "{told:?}");
    assert_eq!(told.iter().filter(|line| *line == "STOP?").count(), 3);
}

#[tokio::test]
async fn contacts_are_asked_and_nonsense_is_no_state() {
    let on = Arc::new(AtomicBool::new(false));
    let inside = on.clone();
    let peer = Peer::lines(move |line| match line {
        "*IDN?" => Some("Invented,P1,7,1".to_owned()),
        "STOP?" | "IN0?" => Some("1".to_owned()),
        "IN1?" => Some("0".to_owned()),
        "IN2?" => Some("maybe".to_owned()),
        "OUT 1" | "OUT 0" => {
            inside.store(line == "OUT 1", Ordering::SeqCst);
            None
        }
        "OUT?" => Some(u8::from(inside.load(Ordering::SeqCst)).to_string()),
        _ => None,
    })
    .await;
    let settings = |more: &str| {
        format!(
            "link = {{ tcp = \"{}\", timeout = \"100 ms\" }}\nemergency_stop = {{ ask = \"STOP?\" }}\n\
             input = [{{ ask = \"IN0?\" }}, {{ ask = \"IN1?\" }}{more}]\n\
             output = [{{ on = \"OUT 1\", off = \"OUT 0\", is_on = {{ ask = \"OUT?\" }} }}]",
            peer.address
        )
    };
    let opened = contacts::Factory.open(&instrument("text-contacts", &settings(""))).await.unwrap();
    let mut panel = opened.contacts.unwrap();
    let reading = panel.read().await.unwrap();
    assert!(reading.emergency_stop_closed && reading.inputs == [true, false]);
    assert!(panel.set_output(0, true).await.unwrap() && on.load(Ordering::SeqCst));
    opened.safe.make_safe(StopReason::LinkLost).await.unwrap();
    assert!(!on.load(Ordering::SeqCst) && panel.set_output(1, true).await.is_err());
    let outputs = "output = [{ on = \"STUCK 1\", off = \"STUCK 0\", is_on = { ask = \"STOP?\" } },";
    let two = instrument("text-contacts", &settings("").replace("output = [", outputs));
    let opened = contacts::Factory.open(&two).await.unwrap();
    assert!(opened.contacts.unwrap().set_output(1, true).await.unwrap() && on.load(Ordering::SeqCst));
    let error = opened.safe.make_safe(StopReason::LinkLost).await.unwrap_err();
    assert!(error.kind == ErrorKind::BadData && !on.load(Ordering::SeqCst), "the others go off all the same");
    let broken = instrument("text-contacts", &settings(", { ask = \"IN2?\" }"));
    let mut panel = contacts::Factory.open(&broken).await.unwrap().contacts.unwrap();
    assert_eq!(panel.read().await.unwrap_err().kind, ErrorKind::BadData);
}

#[tokio::test]
async fn ambient_is_read_from_a_serial_line() {
    let (link, far, _keeper) = line_link(1000);
    tokio::spawn(async move {
        let mut lines = BufReader::new(far);
        let mut line = String::new();
        while lines.read_line(&mut line).await.unwrap_or(0) > 0 {
            let answer = if line.trim() == "T" { "T=+22.50 C\r\n" } else { "45,1\r\n" };
            lines.get_mut().write_all(answer.as_bytes()).await.unwrap();
            line.clear();
        }
    });
    let settings = format!(
        "link = {{ serial = \"{}\", ending = \"lf\" }}\nidentify = \"\"\n\
         temperature = {{ ask = \"T\", before = \"T=\", after = \" C\" }}\n",
        link.serial.as_deref().unwrap()
    );
    let open = |more: &str| instrument("text-ambient", &format!("{settings}{more}"));
    let sensor = open("");
    let mut ambient = ambient::Factory.open(&sensor).await.unwrap().ambient.unwrap();
    assert!((ambient.read().await.unwrap().temperature.si() - 22.5).abs() < 1e-9);
    drop(ambient);
    // A decimal comma is no number.
    let refused = ambient::Factory.open(&open("humidity = { ask = \"H\" }")).await.err().unwrap();
    assert_eq!(refused.kind, ErrorKind::BadData);
}
