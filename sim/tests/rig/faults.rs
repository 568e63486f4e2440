//! Each fault strikes when it is due, does what its contract says, and ends.

use crate::bench::{Bench, fit, wait};
use crate::facts::{Facts, RATE, faults};
use drivers::{ErrorKind, StopReason};
use plan_schema::faults::{FaultKind, PointPhase};
use plan_schema::units::{Hertz, SampleIndex, Seconds};

/// A run at 50 Hz with a fault of `kind` from 1 s to 1.5 s: samples of a second before, within it and after it.
struct Struck {
    bench: Bench,
    before: Vec<Vec<f64>>,
    within: Vec<Vec<f64>>,
    after: Vec<Vec<f64>>,
}

fn struck(kind: &str, more: &str) -> Struck {
    let text = format!("[[fault]]\nkind = \"{kind}\"\nat = \"1 s\"\nlasts = \"500 ms\"\n{more}\n");
    let facts = Facts { sensors: vec!["", "zero_output = \"0.5 V\""], ..Facts::default() };
    let mut bench = Bench::with(&facts, 1, &faults(&text), 200);
    bench.unmute();
    bench.tone(50.0, 1.0);
    let before = bench.run(1.0);
    assert!(bench.rig.truth().faults_struck.is_empty());
    let within = bench.run(0.5);
    let truth = bench.rig.truth();
    assert_eq!(truth.faults_struck.len(), 1);
    let fault = truth.faults_struck[0];
    assert_eq!(fault.kind.word(), kind);
    assert!((fault.at.si() - 1.0).abs() < 1e-12 && fault.moving);
    let after = bench.run(2.0);
    Struck { bench, before, within, after }
}

fn amplitude(samples: &[f64]) -> f64 {
    fit(&samples[samples.len() - 2000..], 50.0, 0).0
}

fn largest(samples: &[f64]) -> f64 {
    samples.iter().fold(0.0, |m, v| m.max(v.abs()))
}

#[test]
fn open_cables_float_at_zero() {
    let reference = struck("reference_open", "");
    assert!(largest(&reference.within[0]) <= 0.0 && amplitude(&reference.within[1]) > 0.1);
    assert!((amplitude(&reference.after[0]) / amplitude(&reference.before[0]) - 1.0).abs() < 1e-3);
    let sensor = struck("sensor_open", "channel = \"ch2\"");
    assert!(largest(&sensor.within[2]) <= 0.0 && amplitude(&sensor.within[1]) > 0.1);
    assert!(largest(&sensor.after[2]) > 0.6, "its offset is back");
}

#[test]
fn the_gain_jumps() {
    let run = struck("gain_jump", "value = \"40 %\"");
    assert!((amplitude(&run.within[0]) / amplitude(&run.before[0]) - 1.4).abs() < 1e-3);
    assert!((amplitude(&run.after[0]) / amplitude(&run.before[0]) - 1.0).abs() < 1e-3);
}

#[test]
fn the_amplifier_trips_and_stays_muted() {
    let text = "[[fault]]\nkind = \"amplifier_trip\"\nat = \"1 s\"\nlasts = \"500 ms\"\n";
    let mut bench = Bench::with(&Facts::default(), 1, &faults(text), 200);
    bench.unmute();
    bench.tone(50.0, 1.0);
    bench.run(1.02);
    let status = wait(bench.amplifier.status()).unwrap();
    assert!(status.muted && status.fault && bench.rig.truth().muted, "{status:?}");
    let refused = wait(bench.amplifier.unmute(&bench.permit)).unwrap_err();
    assert_eq!(refused.kind, ErrorKind::BadData);
    bench.run(1.0);
    assert!(largest(&bench.run(0.1)[0]) < 1e-4);
    let status = wait(bench.amplifier.status()).unwrap();
    assert!(status.muted && !status.fault, "{status:?}");
    bench.unmute();
    bench.run(1.0);
    assert!(largest(&bench.run(0.1)[0]) > 0.1);
}

/// It answers and reads back what was wished, goes on as before, "off" included; only the mute helps.
#[test]
fn a_deaf_source_keeps_its_tone() {
    let text = "[[fault]]\nkind = \"source_deaf\"\nat = \"1 s\"\n";
    let mut bench = Bench::with(&Facts::default(), 1, &faults(text), 200);
    bench.unmute();
    bench.tone(50.0, 1.0);
    let before = amplitude(&bench.run(1.02)[0]);
    bench.tone(50.0, 0.2);
    assert!((amplitude(&bench.run(1.0)[0]) / before - 1.0).abs() < 1e-3);
    wait(bench.source.output_off(Seconds::ZERO)).unwrap();
    assert!(wait(bench.generator.safe.make_safe(StopReason::Trip)).unwrap().is_safe());
    bench.run(0.1);
    assert!((bench.rig.truth().final_drive.si() - 1.0).abs() < 1e-12);
    assert!(wait(bench.power.safe.make_safe(StopReason::Trip)).unwrap().is_safe());
    bench.run(1.0);
    assert!(bench.rig.truth().muted && largest(&bench.run(0.1)[0]) < 1e-4);
}

/// No blocks while it lasts, time and armature go on, and what was lost is told.
#[test]
fn a_stall_gives_no_blocks_and_time_goes_on() {
    let text = "[[fault]]\nkind = \"acquisition_stall\"\nat = \"1.005 s\"\nlasts = \"500 ms\"\n";
    let mut bench = Bench::with(&Facts::default(), 1, &faults(text), 200);
    bench.unmute();
    bench.tone(50.0, 1.0);
    bench.run(1.0);
    let start = bench.rig.now();
    let mut waits = 0;
    let block = loop {
        match bench.block() {
            Some(block) => break block,
            None => waits += 1,
        }
    };
    // Stalled from 1.005 s to 1.505 s; 50 samples were in hand. The first whole block ends at 1.525 s.
    assert_eq!(waits, 26);
    assert_eq!((block.first_sample, block.gap_before.0), (SampleIndex(15_050), 5_050));
    assert!((bench.rig.now().since(start).si() - 0.525).abs() < 1e-9);
    assert_eq!(bench.block().unwrap().gap_before.0, 0);
    // The sine went on: the samples fit the same phase as before.
    let mut steady = Bench::new(&Facts::default());
    steady.unmute();
    steady.tone(50.0, 1.0);
    let whole = &steady.run(1.6)[0];
    let same = block.channel(0).iter().zip(&whole[15_050..]).all(|(a, b)| (f64::from(*a) - b).abs() < 1e-12);
    assert!(same);
}

#[test]
fn an_overload_saturates_and_says_so() {
    let text = "[[fault]]\nkind = \"overload\"\nat = \"1 s\"\nlasts = \"30 ms\"\nchannel = \"ch1\"\n";
    let mut bench = Bench::with(&Facts::default(), 1, &faults(text), 200);
    for n in 0..54 {
        let block = bench.block().unwrap();
        let expected = (50..52).contains(&n);
        assert_eq!(block.overload(), [false, expected], "block {n}");
        if n == 50 {
            assert!(block.channel(1).iter().all(|v| *v > 9.99));
        }
    }
}

/// A sensor beyond the range of its channel is flagged without any fault: 250 m/s² × 20 mV on 10 V would not, 5 V of
/// offset more does.
#[test]
fn a_signal_beyond_the_range_is_flagged() {
    let facts = Facts { sensors: vec!["zero_output = \"9.5 V\""], ..Facts::default() };
    let mut bench = Bench::new(&facts);
    assert_eq!(bench.block().unwrap().overload(), [false, false]);
    bench.unmute();
    bench.tone(50.0, 3.0);
    bench.run(0.5);
    let block = bench.block().unwrap();
    assert_eq!(block.overload(), [false, true]);
    assert!(block.channel(1).iter().all(|v| *v <= 10.0));
}

/// Three contacts, of which one permits when open; input 1 is named by nobody, and closed.
#[test]
fn a_permissive_is_withheld_as_long_as_the_fault_lasts() {
    let tables = "[[permissive]]\nname = \"guard door\"\ninput = 0\n\
                  [[permissive]]\nname = \"air\"\ninput = 2\nstate = \"open\"\n";
    let text = "[[fault]]\nkind = \"permissive_opens\"\nchannel = \"air\"\nat = \"0.1 s\"\nlasts = \"0.1 s\"\n\
                [[fault]]\nkind = \"permissive_opens\"\nchannel = \"guard door\"\nat = \"0.3 s\"\n";
    let facts = Facts { tables, ..Facts::default() };
    let mut bench = Bench::with(&facts, 1, &faults(text), 200);
    let mut contacts = bench.power.contacts.take().unwrap();
    let mut inputs = || wait(contacts.read()).unwrap().inputs;
    assert_eq!(inputs(), [true, true, false]);
    bench.run(0.14);
    assert_eq!(inputs(), [true, true, true], "the one that permits when open is closed");
    bench.run(0.1);
    assert_eq!(inputs(), [true, true, false], "it permits again");
    bench.run(0.1);
    assert_eq!(inputs(), [false, true, false]);
    let refused = wait(contacts.set_output(0, true)).unwrap_err();
    assert_eq!(refused.kind, ErrorKind::OutOfRange, "no output is named");
}

#[test]
fn the_emergency_stop_opens() {
    let run = struck("emergency_stop", "");
    let mut contacts = run.bench.power.contacts.unwrap();
    assert!(wait(contacts.read()).unwrap().emergency_stop_closed, "it was released again");
    let text = "[[fault]]\nkind = \"emergency_stop\"\nat = \"0.1 s\"\n";
    let mut bench = Bench::with(&Facts::default(), 1, &faults(text), 200);
    let mut contacts = bench.power.contacts.take().unwrap();
    assert!(wait(contacts.read()).unwrap().emergency_stop_closed);
    bench.run(0.12);
    assert!(!wait(contacts.read()).unwrap().emergency_stop_closed);
}

#[test]
fn the_reference_is_reversed() {
    let run = struck("reference_reversed", "");
    let opposite = run.within[0].iter().zip(&run.within[1]).all(|(r, s)| (2.0 * r + s).abs() < 1e-6);
    let again = run.after[0].iter().zip(&run.after[1]).all(|(r, s)| (2.0 * r - s).abs() < 1e-6);
    assert!(opposite && again);
}

#[test]
fn hum_is_added_at_the_mains_frequency() {
    let text = "[[fault]]\nkind = \"hum\"\nat = \"0 s\"\nchannel = \"ch1\"\nvalue = \"50 mV pk\"\n";
    let mut bench = Bench::with(&Facts::default(), 1, &faults(text), 200);
    let channels = bench.run(0.2);
    let (a, phase) = fit(&channels[1], 50.0, 0);
    assert!((a - 0.05).abs() < 1e-8 && phase.abs() < 1e-6 && largest(&channels[0]) <= 0.0, "{a} {phase}");
}

/// Point 2, three cycles of 5 Hz into its dwell: 0.6 s after that was told, once only.
#[test]
fn a_fault_strikes_within_its_point() {
    let text =
        "[[fault]]\nkind = \"emergency_stop\"\nat = { point = 2, phase = \"dwell\", after_cycles = 3 }\n";
    let mut bench = Bench::with(&Facts::default(), 1, &faults(text), 200);
    bench.rig.progress(1, PointPhase::Dwell, Hertz::new(0.5));
    bench.rig.progress(2, PointPhase::Settle, Hertz::new(5.0));
    bench.run(1.0);
    assert!(bench.rig.truth().faults_struck.is_empty());
    bench.rig.progress(2, PointPhase::Dwell, Hertz::new(5.0));
    bench.run(0.5);
    bench.rig.progress(2, PointPhase::Dwell, Hertz::new(5.0));
    bench.run(2.0);
    let truth = bench.rig.truth();
    assert_eq!(truth.faults_struck.len(), 1);
    let fault = truth.faults_struck[0];
    assert_eq!((fault.kind, fault.moving), (FaultKind::EmergencyStop, false));
    assert!((fault.at.si() - 1.6).abs() < 1.0 / RATE, "{:?}", fault.at);
}

fn refusal(text: &str) -> String {
    match Bench::try_with(&Facts::default(), 1, &faults(&format!("[[fault]]\n{text}\n")), 200) {
        Ok(_) => panic!("accepted: {text}"),
        Err(error) => error.to_string(),
    }
}

#[test]
fn faults_that_do_not_fit_are_refused_with_a_remedy() {
    for (text, said) in [
        ("kind = \"hum\"\nat = \"1 s\"\nvalue = \"50 mV pk\"", "does not say on which channel"),
        ("kind = \"hum\"\nat = \"1 s\"\nchannel = \"ch7\"\nvalue = \"50 mV pk\"", "'ch0', 'ch1'"),
        ("kind = \"sensor_clipped\"\nat = \"1 s\"\nchannel = \"ch1\"", "add value"),
        ("kind = \"hum\"\nat = \"1 s\"\nchannel = \"ch1\"\nvalue = \"5 %\"", "fault 1 (hum): "),
        (
            "kind = \"hum\"\nat = \"1 s\"\nchannel = \"ch1\"\nvalue = \"0 V pk\"",
            "lies outside 1 nV pk to 100 V pk",
        ),
        ("kind = \"gain_jump\"\nat = \"1 s\"", "add value"),
        ("kind = \"gain_jump\"\nat = \"1 s\"\nvalue = \"-120 %\"", "lies outside -100 % to 10000 %"),
        ("kind = \"gain_jump\"\nat = \"1 s\"\nvalue = \"10 %\"\nchannel = \"ch1\"", "concerns no channel"),
        ("kind = \"source_deaf\"\nat = \"1 s\"\nvalue = \"10 %\"", "has no size"),
        ("kind = \"sensor_open\"\nat = \"1 s\"\nchannel = \"ch0\"", "carries the reference"),
        ("kind = \"loose_mount\"\nat = \"1 s\"\nchannel = \"ch0\"", "carries the reference"),
        ("kind = \"coil_overheating\"\nat = \"1 s\"", "coil_heat_resistance"),
        ("kind = \"source_deaf\"\nat = { point = 9, phase = \"settle\" }", "points 1 to 4"),
        ("kind = \"source_deaf\"\nat = { point = 0, phase = \"settle\" }", "points 1 to 4"),
        ("kind = \"source_deaf\"\nat = \"-1 s\"", "zero or more"),
        ("kind = \"source_deaf\"\nat = \"1 s\"\nlasts = \"0 s\"", "above zero"),
    ] {
        let refused = refusal(text);
        assert!(refused.contains(said), "{text}: {refused}");
    }
}

/// A fault that is added while the rig runs strikes as one that was there from the start, to the last bit.
#[test]
fn a_fault_added_later_is_the_same_as_one_from_the_start() {
    for kind in
        ["kind = \"gain_jump\"\nvalue = \"200 %\"", "kind = \"cable_intermittent\"\nchannel = \"ch1\""]
    {
        let text = format!("[[fault]]\nat = \"1.2345 s\"\n{kind}\n");
        let facts = Facts { sensors: vec![""], ..Facts::default() };
        let run = |bench: &mut Bench| {
            bench.unmute();
            bench.tone(50.0, 1.0);
            bench.run(0.5)
        };
        let mut whole = Bench::with(&facts, 7, &faults(&text), 200);
        let mut added = Bench::with(&facts, 7, &faults(""), 200);
        assert_eq!(run(&mut whole), run(&mut added));
        added.rig.add(&facts.job(), 7, &faults(&text)).unwrap();
        let (whole, added) = (whole.run(2.0), added.run(2.0));
        assert!(whole == added, "{kind}");
        assert!(largest(&whole[1]) > 0.0);
    }
}
