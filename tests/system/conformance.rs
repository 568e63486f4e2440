//! `calwright drivers conform` on the simulated rig: good drivers, one that is broken, and what it asks leave for.

use std::io::{BufRead, BufReader, Write};
use std::net::TcpListener;
use std::ops::Range;
use std::sync::Arc;
use std::sync::atomic::{AtomicU32, Ordering};
use std::thread;
use std::time::Duration;
use tests::claims::conformance;
use tests::conform::{BROKEN, Laboratory, Table, patient, with_instrument};
use tests::program::{calwright, root};
use tests::rig_sim::{JOB, RIG};

#[test]
fn good_drivers_are_green() {
    let figure = conformance::good(false).unwrap();
    assert!(figure.met(), "{figure}");
}

#[test]
fn broken_drivers_are_red_by_their_row() {
    let figure = conformance::broken(false).unwrap();
    assert!(figure.met(), "{figure}");
    assert!(BROKEN.len() >= 12);
    // The small form tries some of them; the lines that any of them changes are there.
    for broken in BROKEN {
        broken.folder(&root().join("examples/plug-ins")).unwrap();
    }
}

/// What moves is moved under leave only; the measured times are lines of a rig file.
#[test]
fn times_are_measured_under_leave() {
    let folder = tempfile::tempdir().unwrap();
    let refused = calwright()
        .unwrap()
        .arg("--state-dir")
        .arg(folder.path())
        .args(["drivers", "conform", RIG, "--job", JOB])
        .current_dir(root())
        .output()
        .unwrap();
    assert_eq!(refused.status.code(), Some(3), "{}", String::from_utf8_lossy(&refused.stderr));
    let bench = &tests::conform::of_every_driver(jiff::Timestamp::UNIX_EPOCH)[0];
    let laboratory = Laboratory::open(bench, &root().join("examples/plug-ins")).unwrap();
    let rows = ["time to its safe path", "muted when nobody asks it"];
    let table = laboratory.conform(Some("power-amplifier"), &rows).unwrap();
    assert!(table.status == Some(0) && table.with("pass").len() == 2, "{table:?}");
    let measured = laboratory.measured().unwrap();
    for action in ["amplifier_mute", "amplifier_watchdog"] {
        assert!(measured.contains(&format!("action = \"{action}\"\ntime = \"")), "{measured}");
    }
    assert_eq!(laboratory.close().unwrap(), Some(0));
}

/// A sensor that is late for the first questions of a row, as on a machine that has much else to do, and then in time.
#[test]
fn an_instrument_that_is_late_for_a_while_does_not_make_a_driver_red() {
    let (address, asked) = late_sensor(2..6);
    let table = try_sensor(&address);
    assert_eq!(table.status, Some(0), "{table:?}");
    assert!(table.lines[0].message.contains("the instrument itself took"), "{table:?}");
    assert!(asked.load(Ordering::SeqCst) > 6, "{asked:?}");
    // One that is always late is no bench to try a driver on, and is said to be late.
    let (address, _) = late_sensor(2..1000);
    let table = try_sensor(&address);
    assert_eq!((table.status, table.lines[0].outcome.as_str()), (Some(4), "fail"), "{table:?}");
    assert!(table.lines[0].message.contains("each time that it was tried"), "{table:?}");
}

/// Time that a transfer to the sensor may take, in ms; it takes twice as long where it is late.
const TRANSFER_MS: u64 = 500;

/// An ambient sensor on a port; it is late for those questions for the temperature.
fn late_sensor(late: Range<u32>) -> (String, Arc<AtomicU32>) {
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let address = listener.local_addr().unwrap().to_string();
    let asked = Arc::new(AtomicU32::new(0));
    let count = asked.clone();
    thread::spawn(move || {
        for stream in listener.incoming() {
            let (count, late) = (count.clone(), late.clone());
            thread::spawn(move || {
                let mut lines = BufReader::new(stream.unwrap());
                let mut line = String::new();
                while lines.read_line(&mut line).is_ok_and(|n| n > 0) {
                    let answer = match line.trim() {
                        "TEMP?" => {
                            if late.contains(&(count.fetch_add(1, Ordering::SeqCst) + 1)) {
                                thread::sleep(Duration::from_millis(2 * TRANSFER_MS));
                            }
                            "23.0"
                        }
                        "HUM?" => "40",
                        _ => "Invented,climate,0007,1",
                    };
                    line.clear();
                    if lines.get_mut().write_all(format!("{answer}\n").as_bytes()).is_err() {
                        return;
                    }
                }
            });
        }
    });
    (address, asked)
}

/// Tries one row on the sensor behind this address.
fn try_sensor(address: &str) -> Table {
    let own = std::fs::read_to_string(root().join(RIG)).unwrap();
    let lines = format!(
        "driver = \"text-ambient\"\n\n[instrument.settings]\n\
         link = {{ tcp = \"{address}\", timeout = \"{TRANSFER_MS} ms\" }}\n\
         temperature = {{ ask = \"TEMP?\" }}\nhumidity = {{ ask = \"HUM?\" }}\n"
    );
    let rig = with_instrument(&patient(&own), "climate", &lines);
    Laboratory::beside(&rig).unwrap().conform(Some("climate"), &["an empty answer"]).unwrap()
}
