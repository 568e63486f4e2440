//! Contacts against a unit on a real socket.

use super::super::tests_support::{lock, serve, unit};
use super::*;
use crate::built_in::settings::tests::instrument;

#[tokio::test]
async fn contacts_are_read_and_outputs_switched() {
    let unit = unit(&[(0, true), (1, true), (2, false), (8, false), (9, false), (10, false)], &[(0, 0)]);
    let settings = format!(
        "link = {{ tcp = \"{}\", timeout = \"100 ms\" }}\nemergency_stop = \"discrete 0\"\n\
         inputs = [\"discrete 1\", \"not discrete 2\"]\noutputs = [\"coil 9\", \"coil 8\", \"coil 10\"]\nheartbeat = \"holding 0\"",
        serve(&unit).await
    );
    let opened = Factory.open(&instrument("modbus-contacts", &settings)).await.unwrap();
    assert!(lock(&unit).written().is_empty());
    let mut panel = opened.contacts.unwrap();
    let reading = panel.read().await.unwrap();
    assert_eq!(reading, ContactReading { emergency_stop_closed: true, inputs: vec![true, true] });
    lock(&unit).bits.insert(0, false);
    assert!(!panel.read().await.unwrap().emergency_stop_closed);
    assert_eq!(lock(&unit).words[&0], 2);
    assert!(panel.set_output(0, true).await.unwrap() && lock(&unit).bits[&9]);
    assert_eq!(panel.set_output(3, true).await.unwrap_err().kind, ErrorKind::OutOfRange);
    opened.safe.make_safe(StopReason::LinkLost).await.unwrap();
    assert!(!lock(&unit).bits[&9]);
    assert!(panel.set_output(0, true).await.unwrap() && panel.set_output(2, true).await.unwrap());
    lock(&unit).stuck.push(9);
    let error = opened.safe.make_safe(StopReason::LinkLost).await.unwrap_err();
    assert!(error.kind == ErrorKind::BadData && error.detail.contains("coil 9"), "{error}");
    lock(&unit).refused.push(9);
    assert!(lock(&unit).bits[&9] && !lock(&unit).bits[&10], "the others go off all the same");
    assert!(panel.set_output(2, true).await.unwrap());
    assert_eq!(opened.safe.make_safe(StopReason::LinkLost).await.unwrap_err().kind, ErrorKind::OutOfRange);
    assert!(!lock(&unit).bits[&10]);
    lock(&unit).refused.clear();
    lock(&unit).bits.insert(9, false);
    assert_eq!(panel.set_output(0, true).await.unwrap_err().kind, ErrorKind::BadData);
    lock(&unit).silent = true;
    assert!(panel.read().await.is_err());
}

#[tokio::test]
async fn ambient_is_scaled_and_judged() {
    let unit = unit(&[], &[(0, 234), (1, 451)]);
    let settings = format!(
        "link = {{ tcp = \"{}\", timeout = \"100 ms\" }}\ntemperature = {{ register = \"input 0\", scale = 0.1 }}\n\
         humidity = {{ register = \"input 1\", scale = 0.1 }}",
        serve(&unit).await
    );
    let sensor = instrument("modbus-ambient", &settings);
    let mut ambient = super::super::ambient::Factory.open(&sensor).await.unwrap().ambient.unwrap();
    let reading = ambient.read().await.unwrap();
    assert!(
        (reading.temperature.si() - 23.4).abs() < 1e-9
            && (reading.humidity.unwrap().si() - 0.451).abs() < 1e-9
    );
    lock(&unit).words.insert(0, 0xffff);
    assert_eq!(ambient.read().await.unwrap_err().kind, ErrorKind::BadData);
}
