//! Outputs that are no voltage, conditioners, fixtures, gravity, payloads, calibrations that do not hold or are past.

use super::{Texts, edit, job, plan, references, rig, said, sensors, together};
use crate::read::Diagnostics;
use crate::registers::Date;
use crate::resolve::{ResolvedJob, overdue};
use crate::units::Hertz;

/// Lines of channel 'one', on which a sensor that states volts stands.
fn one(lines: &str) -> String {
    rig("name = \"one\"", &format!("name = \"one\"\n{lines}"))
}

/// A change of what the second sensor puts out, and of its channel 'two'.
fn put_out(sensitivity: &str, lines: &str) -> impl FnOnce(&mut Texts) {
    move |texts: &mut Texts| {
        texts.sensors = edit(&texts.sensors, "\"100 mV/g\"", sensitivity);
        texts.sensors = edit(&texts.sensors, "kind = \"iepe\"", "kind = \"charge\"");
        texts.rig = edit(&texts.rig, "name = \"two\"", &format!("name = \"two\"\n{lines}"));
    }
}

const PLATE: &str = "[[fixture]]\nname = \"plate\"\nmass = \"200 g\"\npoint = [{ position = \"A\", frequency = \"1 Hz\", \
                     ratio = \"100 %\", u = \"0.1 %\" }, { position = \"A\", frequency = \"100 Hz\", ratio = \"101 %\", u = \
                     \"0.1 %\" }, { position = \"B\", frequency = \"10 Hz\", ratio = \"100 %\", u = \"0.1 %\" }]\n\n";

/// The second sensor on the plate.
fn on_plate(place: &str) -> impl FnOnce(&mut Texts) {
    move |texts: &mut Texts| {
        let lines = format!("channel = \"two\"\nfixture = {place}");
        texts.job = edit(&texts.job, "channel = \"two\"", &lines);
        texts.rig = edit(
            &texts.rig,
            "[[safe_path]]\naction = \"source_off\"",
            &format!("{PLATE}[[safe_path]]\naction = \"source_off\""),
        );
    }
}

fn upright(old: &str, new: &str) -> String {
    said(|texts| {
        texts.rig = edit(&texts.rig, "name = \"bench\"", "name = \"bench\"\norientation = \"vertical\"");
        if !old.is_empty() {
            texts.rig = edit(&texts.rig, old, new);
        }
    })
}

#[test]
fn chains_that_do_not_meet() {
    together(
        "chains_that_do_not_meet",
        &[
            ("a charge without a charge amplifier", said(put_out("\"100 pC/g\"", ""))),
            (
                "a charge on an amplifier of volts",
                said(put_out("\"100 pC/g\"", "conditioner_gain = \"10 V/V\"")),
            ),
            ("a current without its shunt", said(put_out("\"1.6 mA/g\"", ""))),
            ("a bridge that nothing excites", said(put_out("\"2 mV/V/g\"", ""))),
            ("volts on a charge amplifier", one("conditioner_gain = \"1 mV/pC\"")),
            (
                "a supply through a conditioner",
                said(|texts| {
                    texts.job = edit(
                        &texts.job,
                        "channel = \"one\"",
                        "channel = \"one\"\nsupply_channel = \"spare\"",
                    );
                    texts.rig =
                        edit(&texts.rig, "name = \"spare\"", "name = \"spare\"\nconditioner = \"K-1\"");
                    texts.rig =
                        edit(&texts.rig, "input = 3\nrange = \"5 V pk\"", "input = 3\nrange = \"20 V pk\"");
                }),
            ),
            ("DC on a coupling for AC", one("ac_corner = \"0.16 Hz\"")),
            ("DC on a coupling that is known", one("ac_corner = \"0.16 Hz\"\nac_corner_u = \"5 %\"")),
            (
                "a response that ends too soon",
                one(
                    "response = [{ frequency = \"2 Hz\", magnitude = \"100 %\" }, { frequency = \"10 Hz\", magnitude = \"99 %\" }]",
                ),
            ),
            ("a gain that fills the range", one("conditioner_gain = \"3 V/V\"")),
        ],
    );
}

/// The fixture's chain, whose certificate names its conditioner.
fn chain_with(lines: &str, channel: &str) -> String {
    said(|texts| {
        texts.references =
            edit(&texts.references, "certificate = \"C-2\"", &format!("certificate = \"C-2\"\n{lines}"));
        texts.rig = edit(&texts.rig, "name = \"ref\"", &format!("name = \"ref\"\n{channel}"));
    })
}

#[test]
fn calibrations_that_do_not_hold() {
    together(
        "calibrations_that_do_not_hold",
        &[
            ("another conditioner", chain_with("conditioner = \"K-1\"", "conditioner = \"K-2\"")),
            ("no conditioner", chain_with("conditioner = \"K-1\"", "")),
            (
                "another gain",
                chain_with(
                    "conditioner = \"K-1\"\nconditioner_gain = \"1 mV/pC\"",
                    "conditioner = \"K-1\"\nconditioner_gain = \"10 mV/pC\"",
                ),
            ),
            ("a conditioner that the certificate does not name", chain_with("", "conditioner = \"K-1\"")),
            (
                "as calibrated",
                chain_with(
                    "conditioner = \"K-1\"\nconditioner_gain = \"1 mV/pC\"",
                    "conditioner = \"K-1\"\nconditioner_gain = \"1 mV/pC\"",
                ),
            ),
            ("below its amplitudes", chain_with("amplitude_min = \"1 m/s2 pk\"", "")),
            ("above its amplitudes", chain_with("amplitude_max = \"5 m/s2 pk\"", "")),
            (
                "a sensor with a conditioner",
                references("calibrated_as = \"chain\"", "calibrated_as = \"sensor\""),
            ),
            (
                "a charge whose amplifier is not named",
                said(|texts| {
                    let charge =
                        edit(&texts.references, "calibrated_as = \"chain\"", "calibrated_as = \"sensor\"");
                    texts.references = charge.replace("mV/(m/s²)", "pC/(m/s²)");
                }),
            ),
            (
                "a chain in charge",
                said(|texts| texts.references = texts.references.replace("mV/(m/s²)", "pC/(m/s²)")),
            ),
            (
                "amplitudes the wrong way round",
                chain_with("amplitude_min = \"9 m/s2 pk\"\namplitude_max = \"5 m/s2 pk\"", ""),
            ),
            ("a correlation beyond 1", chain_with("correlation = 1.5", "")),
        ],
    );
}

#[test]
fn what_stands_on_the_table() {
    together(
        "what_stands_on_the_table",
        &[
            ("a fixture that the rig has not", said(on_plate("\"block\""))),
            ("nowhere on it", said(on_plate("\"plate\""))),
            ("a position that was not measured", said(on_plate("\"plate\"\nposition = \"C\""))),
            ("a position that was measured at 10 Hz", said(on_plate("\"plate\"\nposition = \"B\""))),
            ("well placed", said(on_plate("\"plate\"\nposition = \"A\""))),
            (
                "too heavy",
                said(|texts| {
                    on_plate("\"plate\"\nposition = \"A\"")(texts);
                    texts.rig = edit(
                        &texts.rig,
                        "moving_mass = \"250 g\"",
                        "moving_mass = \"250 g\"\npayload_limit = \"250 g\"",
                    );
                }),
            ),
            ("a sag within the allowance", upright("", "")),
            (
                "gravity beyond a channel",
                upright(
                    "name = \"one\"\ninput = 1\nrange = \"5 V pk\"",
                    "name = \"one\"\ninput = 1\nrange = \"4.5 V pk\"",
                ),
            ),
            (
                "gravity beyond the range of a sensor",
                said(|texts| {
                    let upright = "name = \"bench\"\norientation = \"vertical\"";
                    texts.rig = edit(&texts.rig, "name = \"bench\"", upright);
                    texts.plan = edit(&texts.plan, "\"1 g pk\"", "\"1.2 g pk\"");
                }),
            ),
            (
                "a sag beyond the allowance",
                upright("static_allowance = \"0.5 mm\"", "static_allowance = \"0.1 mm\""),
            ),
            (
                "centred",
                upright(
                    "static_allowance = \"0.5 mm\"",
                    "static_allowance = \"0.1 mm\"\ncentring = \"0.05 mm\"",
                ),
            ),
            ("centred beyond the stop", rig("static_allowance", "centring = \"20 mm\"\nstatic_allowance")),
            (
                "a wrench without a torque",
                job("mounting = \"adhesive\"", "mounting = \"adhesive\"\ntorque_wrench = \"W-1\""),
            ),
            (
                "an arrow that points nowhere",
                job("mounting = \"adhesive\"", "mounting = \"adhesive\"\narrow = \"up\""),
            ),
            ("harmonics beyond a channel", plan("\"1 g pk\"", "\"2 g pk\"\ndistortion_limit = \"20 %\"")),
            (
                "frequency and amplitude twice",
                plan(
                    "\"1 g pk\"",
                    "\"1 g pk\"\n\n[[point]]\nfrequency = \"0.016 kHz\"\namplitude = \"9.80665 m/s2 pk\"",
                ),
            ),
            (
                "frequency twice, amplitudes apart",
                plan(
                    "\"1 g pk\"",
                    "\"1 g pk\"\n\n[[point]]\nfrequency = \"16 Hz\"\namplitude = \"0.5 g pk\"",
                ),
            ),
            (
                "limits of a voltage in mA",
                sensors("supply = \"12 V\"", "supply = \"12 V\"\ncurrent_low = \"4 mA\""),
            ),
            ("a charge of a sensor with electronics", sensors("\"100 mV/g\"", "\"100 pC/g\"")),
        ],
    );
}

/// By hand: 100 pC/g through 10 mV/pC are 1000 mV/g; 99 % of motion on the plate, 1.01 of the channel.
#[test]
fn a_chain_is_put_together() {
    let mut texts = Texts::valid();
    put_out(
        "\"10 pC/g\"",
        "conditioner_gain = \"10 mV/pC\"\ngain = [{ range = \"5 V pk\", gain = \"1.01 V/V\", u = \"0.1 %\" }]",
    )(&mut texts);
    on_plate("\"plate\"\nposition = \"A\"\narrow = \"against_motion\"")(&mut texts);
    let (job, _) = ResolvedJob::resolve(&texts.files()).unwrap();
    let sensor = &job.sensors[1];
    assert!((sensor.nominal.millivolts_per_g() / 100.0 - 1.0).abs() < 1e-12);
    assert!((sensor.volts / 1e10 - 1.0).abs() < 1e-12);
    let at = sensor.chain.at(Hertz::new(10.0)).unwrap();
    // Half of the way from 1 Hz to 100 Hz over the logarithm.
    assert!((at.magnitude - 1.01 * 1.005).abs() < 1e-12, "{at:?}");
    assert!((at.phase.degrees() - 180.0).abs() < 1e-9);
    // 10 g, 40 g, 10 g and the plate.
    assert!((job.payload().si() - 0.26).abs() < 1e-12);
    assert_eq!(job.reference.chain.at(Hertz::new(10.0)), None);
    // What a record keeps comes to the same.
    let extract = job.sensor_extract();
    assert_eq!(extract.sensors[1].nominal_sensitivity, sensor.sensor.nominal_sensitivity);
}

/// The reference is due on 2001-06-14, the conditioner and the channel before it.
#[test]
fn past_their_due_date() {
    let mut texts = Texts::valid();
    let lines = "name = \"one\"\nconditioner = \"K-1\"\nconditioner_gain = \"1 V/V\"\nconditioner_due = 2000-03-31\ngain = [{ range \
                 = \"5 V pk\", gain = \"1 V/V\", u = \"0.1 %\", due = 2000-09-30 }]";
    texts.rig = edit(&texts.rig, "name = \"one\"", lines);
    // A channel that nothing hangs on holds nobody up.
    texts.rig = edit(&texts.rig, "name = \"spare\"", "name = \"spare\"\nconditioner_due = 1990-01-01");
    let files = texts.files();
    let (job, _) = ResolvedJob::resolve(&files).unwrap();
    let on = |day: &str| -> Diagnostics { overdue(&job, &files.rig, day.parse::<Date>().unwrap()) };
    for (day, found) in [
        ("1999-06-13", 1),
        ("1999-06-14", 0),
        ("2000-03-31", 0),
        ("2000-04-01", 1),
        ("2000-10-01", 2),
        ("2001-06-14", 2),
        ("2001-06-15", 3),
    ] {
        assert_eq!(on(day).0.len(), found, "{day}");
    }
    insta::with_settings!({ omit_expression => true }, {
        insta::assert_snapshot!([on("1999-01-01"), on("2002-01-01")].map(|d| d.render(false)).join("\n"));
    });
}
