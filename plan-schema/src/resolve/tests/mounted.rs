//! Sensors that are left out, check standards, a second reference, supplies, and hum at a point.

use super::{Document, Texts, check_faults, edit, job, plan, rig, said, sensors, together};
use crate::read::Written;
use crate::record::to_json;
use crate::resolve::{JobFiles, ResolvedJob, WitnessRole};
use crate::units::{Fraction, Hertz, Seconds, Sensitivity};

/// A second reference on the spare channel, with a certificate of its own.
const SECOND: &str = "\n[second_reference]\nserial = \"R-2\"\nchannel = \"spare\"\n";
const R_2: &str = r#"
[[reference]]
serial = "R-2"
make = "Nobody (invented)"
model = "Servo"
calibrated_as = "chain"
range = "8 g pk"
noise_density = "1 µg/√Hz"
transverse_sensitivity = "0.5 %"
temperature_coefficient = "0.005 %/K"
drift_per_year = "0.1 %"

[[reference.calibration]]
certificate = "C-3"
laboratory = "Nowhere (invented)"
date = 1999-06-14
due = 2001-06-14
point = [
    { frequency = "0.1 Hz", sensitivity = "200 mV/(m/s²)", u = "0.5 %" },
    { frequency = "1 Hz", sensitivity = "200 mV/(m/s²)", u = "1.2 %" },
    { frequency = "100 Hz", sensitivity = "202 mV/(m/s²)", phase = "-3 deg", u = "1.2 %", u_phase = "0.3 deg" },
]
"#;

const EXPECTED: &str = r#"
[[sensor.expected]]
frequency = "1 Hz"
sensitivity = "10.2 mV/(m/s²)"
limit = "1 %"

[[sensor.expected]]
frequency = "100 Hz"
sensitivity = "10.4 mV/(m/s²)"
limit = "2 %"
"#;

/// The second sensor as a check standard, a second reference on the spare channel.
fn witnessed(texts: &mut Texts) {
    texts.job = edit(&texts.job, "sensor = \"S-2\"", "sensor = \"S-2\"\nrole = \"check standard\"");
    texts.sensors.push_str(EXPECTED);
    texts.rig = edit(&texts.rig, "\n[errors]", &format!("{SECOND}\n[errors]"));
    texts.references.push_str(R_2);
}

fn with_witnesses(then: impl FnOnce(&mut Texts)) -> String {
    said(|texts| {
        witnessed(texts);
        then(texts);
    })
}

fn resolved(mistake: impl FnOnce(&mut Texts)) -> ResolvedJob {
    let mut texts = Texts::valid();
    mistake(&mut texts);
    ResolvedJob::resolve(&texts.files()).unwrap_or_else(|report| panic!("{report}")).0
}

/// √(0.5² + 1.2²) = 1.3, and halfway between 1 Hz and 100 Hz lies 10 Hz.
#[test]
fn witnesses_know_what_they_have_to_show() {
    let job = resolved(witnessed);
    assert_eq!((job.sensors.len(), job.check_standards.len(), job.columns.len()), (1, 1, 4));
    assert!((job.payload().si() - 0.06).abs() < 1e-15, "a check standard weighs, too");
    let [standard, reference] = job.witnesses.as_slice() else { panic!("{:?}", job.witnesses) };
    assert_eq!(
        (standard.role, standard.column, standard.serial.as_str()),
        (WitnessRole::CheckStandard, 2, "S-2")
    );
    assert_eq!(
        (reference.role, reference.column, reference.serial.as_str()),
        (WitnessRole::SecondReference, 3, "R-2")
    );
    let close = |at: Option<(Sensitivity, Fraction)>, volts: f64, limit: f64| {
        let (sensitivity, wide) = at.unwrap();
        assert!(
            (sensitivity.si() - volts).abs() < 1e-12 && (wide.si() - limit).abs() < 1e-12,
            "{sensitivity} {wide}"
        );
    };
    close(standard.expected_at(Hertz::new(10.0)), 0.0103, 0.015);
    close(standard.expected_at(Hertz::new(100.0)), 0.0104, 0.02);
    close(reference.expected_at(Hertz::new(10.0)), 0.201, 0.013);
    assert_eq!(reference.expected.len(), 2, "the first is not calibrated at 0.1 Hz");
    assert_eq!(
        (reference.expected[0].phase, reference.expected[1].phase.map(|p| p.degrees().round())),
        (None, Some(-3.0))
    );
    for outside in [0.99, 100.1] {
        assert_eq!(standard.expected_at(Hertz::new(outside)), None);
    }
    assert_eq!(standard.nominal, job.check_standards[0].nominal);
    assert_eq!(resolved(|_| {}).witnesses, []);
}

/// A record keeps plan, job and rig, and of the registers what is mounted. Put together again, all of it is there, but for
/// the calibrations that are no longer in force.
#[test]
fn what_a_record_keeps_comes_together_again() {
    fn kept<T: Written>(name: &str, value: &impl serde::Serialize) -> Document<T> {
        Document::read(name, &toml::to_string(&to_json(value)).unwrap()).unwrap()
    }
    let job = resolved(|texts| {
        witnessed(texts);
        texts.sensors = edit(&texts.sensors, "mass = \"40 g\"", "mass = \"40 g\"\nfrequency_min = \"2 Hz\"");
        // Another sensor takes the point that this one can't.
        let third = "\n[[mounted]]\nsensor = \"S-3\"\nchannel = \"more\"\nmounting = \"stud\"\nadapter_mass = \"0 g\"\n";
        texts.job.push_str(third);
        let sensor = texts.sensors[texts.sensors.find("[[sensor]]").unwrap()..].split("\n\n").next().unwrap();
        let sensor = sensor.replace("S-1", "S-3").replace("frequency_min = \"2 Hz\"\n", "");
        texts.sensors.push_str(&format!("\n{sensor}\n"));
        let channel = "\n[[channel]]\nname = \"more\"\ninput = 4\nrange = \"5 V pk\"\n";
        texts.rig.push_str(channel);
    });
    assert!(job.sensors[0].skips[0].is_some() && job.sensors[1].skips == [None, None]);
    let files = JobFiles {
        job: kept("job", &job.job),
        plan: kept("plan", &job.plan),
        rig: kept("rig", &job.rig),
        sensors: kept("sensors", &job.sensor_extract()),
        references: kept("references", &job.reference_extract()),
    };
    let (again, _) = ResolvedJob::resolve(&files).unwrap();
    let mut wanted = job;
    wanted.reference.reference.calibrations = vec![wanted.reference.calibration.clone()];
    assert_eq!(again, wanted);
}

/// On one line a channel sees half of a differential output, and half is expected there.
#[test]
fn a_witness_is_expected_as_its_channel_sees_it() {
    let job = resolved(|texts| {
        witnessed(texts);
        texts.sensors = edit(&texts.sensors, "mass = \"10 g\"", "mass = \"10 g\"\noutput = \"differential\"");
        texts.rig = edit(&texts.rig, "name = \"two\"", "name = \"two\"\nconnection = \"single_ended\"");
    });
    let standard = &job.witnesses[0];
    assert!((standard.expected[0].sensitivity.si() - 0.0051).abs() < 1e-12);
    assert!((standard.nominal.millivolts_per_g() - 50.0).abs() < 1e-9);
}

#[test]
fn witnesses_that_do_not_fit() {
    let job =
        |old: &'static str, new: &'static str| with_witnesses(|texts| texts.job = edit(&texts.job, old, new));
    let rig =
        |old: &'static str, new: &'static str| with_witnesses(|texts| texts.rig = edit(&texts.rig, old, new));
    let plan = |old: &'static str, new: &'static str| {
        with_witnesses(|texts| texts.plan = edit(&texts.plan, old, new))
    };
    together(
        "witnesses_that_do_not_fit",
        &[
            ("as they should be", with_witnesses(|_| {})),
            (
                "nothing but check standards",
                job("sensor = \"S-1\"", "sensor = \"S-1\"\nrole = \"check standard\""),
            ),
            ("role in other words", job("\"check standard\"", "\"check_standard\"")),
            (
                "check standard without expectations",
                with_witnesses(|texts| {
                    let end = texts.sensors.find("\n[[sensor.expected]]").unwrap();
                    texts.sensors.truncate(end);
                }),
            ),
            (
                "expectations that fall",
                with_witnesses(|texts| {
                    texts.sensors = edit(&texts.sensors, "frequency = \"1 Hz\"", "frequency = \"200 Hz\"")
                }),
            ),
            (
                "expectations without a limit",
                with_witnesses(|texts| {
                    texts.sensors = edit(&texts.sensors, "limit = \"2 %\"", "limit = \"0 %\"")
                }),
            ),
            ("a point of which nothing is known", plan("\"1 Hz\"", "\"0.5 Hz\"")),
            ("beyond the range of a check standard's channel", plan("\"1 g pk\"", "\"7 g pk\"")),
            ("second reference that is the first", rig("serial = \"R-2\"", "serial = \"R-1\"")),
            ("second reference that nobody knows", rig("serial = \"R-2\"", "serial = \"R-9\"")),
            ("second reference on the first's channel", rig("channel = \"spare\"", "channel = \"ref\"")),
            ("second reference on a sensor's channel", rig("channel = \"spare\"", "channel = \"two\"")),
            ("second reference on no channel", rig("channel = \"spare\"", "channel = \"three\"")),
            (
                "second reference on the displacement transducer's channel",
                rig(
                    "\n[errors]",
                    "\n[displacement]\nchannel = \"spare\"\nsensitivity = \"100 V/m\"\n\n[errors]",
                ),
            ),
            (
                "second reference beyond its range",
                with_witnesses(|texts| {
                    let at = texts.references.rfind("8 g pk").unwrap();
                    texts.references.replace_range(at..at + 6, "0.5 g pk");
                }),
            ),
        ],
    );
}

/// One sensor is left out where it can't be measured, and the other one is measured.
#[test]
fn a_sensor_is_left_out_where_it_alone_can_not() {
    let job = resolved(|texts| texts.plan = edit(&texts.plan, "\"1 g pk\"", "\"3 g pk\""));
    assert_eq!(job.sensors[0].skips.iter().map(Option::is_some).collect::<Vec<_>>(), [false, true]);
    let reason = job.sensors[0].skips[1].as_deref().unwrap();
    assert!(reason.contains("beyond the range of sensor 'S-1'") && reason.contains("2 g pk"), "{reason}");
    assert_eq!(job.sensors[1].skips, [None, None]);
    let band = |keys: &'static str| {
        move |texts: &mut Texts| {
            texts.sensors = edit(&texts.sensors, "mass = \"10 g\"", &format!("mass = \"10 g\"\n{keys}"))
        }
    };
    let narrow = resolved(band("frequency_min = \"2 Hz\""));
    assert!(narrow.sensors[1].skips[0].is_some() && narrow.sensors[1].skips[1].is_none());
    together(
        "left_out",
        &[
            ("beyond a sensor's range", plan("\"1 g pk\"", "\"3 g pk\"")),
            (
                "beyond the range of its channel",
                rig(
                    "name = \"one\"\ninput = 1\nrange = \"5 V pk\"",
                    "name = \"one\"\ninput = 1\nrange = \"3 V pk\"",
                ),
            ),
            ("below a band", said(band("frequency_min = \"2 Hz\""))),
            ("above a band", said(band("frequency_max = \"2 Hz\""))),
            (
                "outside a band of both ends",
                said(band("frequency_min = \"2 Hz\"\nfrequency_max = \"20 Hz\"")),
            ),
            ("at every point", said(band("frequency_min = \"20 Hz\""))),
            ("so far beyond a range that it may break", plan("\"1 g pk\"", "\"4.1 g pk\"")),
            (
                "every sensor, each for its own reason",
                said(|texts| {
                    texts.plan = edit(&texts.plan, "\"1 g pk\"", "\"3 g pk\"");
                    band("frequency_max = \"2 Hz\"")(texts);
                }),
            ),
        ],
    );
}

#[test]
fn supplies_that_are_read() {
    let read = |channel: &'static str| {
        move |texts: &mut Texts| {
            let at = format!("channel = \"one\"\nsupply_channel = \"{channel}\"");
            texts.job = edit(&texts.job, "channel = \"one\"", &at);
            texts.rig = edit(&texts.rig, "input = 3\nrange = \"5 V pk\"", "input = 3\nrange = \"20 V pk\"");
        }
    };
    let job = resolved(read("spare"));
    assert_eq!(
        (job.sensors[0].supply_column, job.sensors[1].supply_column, job.columns.len()),
        (Some(3), None, 4)
    );
    let then = |old: &'static str, new: &'static str| {
        said(|texts| {
            read("spare")(texts);
            texts.rig = edit(&texts.rig, old, new);
        })
    };
    together(
        "supplies",
        &[
            ("on a sensor's channel", said(read("two"))),
            ("on no channel", said(read("three"))),
            ("beyond the channel's range", then("\"20 V pk\"", "\"12.5 V pk\"")),
            (
                "on a channel coupled for AC",
                then("name = \"spare\"", "name = \"spare\"\nac_corner = \"0.1 Hz\""),
            ),
            (
                "of a sensor whose register says nothing of it",
                said(|texts| {
                    read("spare")(texts);
                    texts.sensors = edit(&texts.sensors, "supply = \"12 V\"\n", "");
                }),
            ),
        ],
    );
}

/// A fault of a sensor may strike a check standard, but neither a second reference nor a supply.
#[test]
fn faults_of_what_is_mounted() {
    let mut texts = Texts::valid();
    witnessed(&mut texts);
    texts.job = edit(&texts.job, "channel = \"one\"", "channel = \"one\"\nsupply_channel = \"volts\"");
    texts.rig = edit(
        &texts.rig,
        "\n[[safe_path]]\naction = \"source_off\"",
        "\n[[channel]]\nname = \"volts\"\ninput = 4\nrange = \"20 V pk\"\n\n[[safe_path]]\naction = \"source_off\"",
    );
    let (job, _) = ResolvedJob::resolve(&texts.files()).unwrap_or_else(|report| panic!("{report}"));
    let strikes = |channel: &str| {
        let fault = format!("kind = \"loose_mount\"\nat = \"1 s\"\nchannel = \"{channel}\"");
        let document = Document::read("faults.toml", &format!("format = 1\n\n[[fault]]\n{fault}\n")).unwrap();
        check_faults(&document, &job).map_or_else(|report| report.to_string(), |()| "strikes".to_owned())
    };
    let names = ["one", "two", "ref", "spare", "volts"];
    together("faults_of_what_is_mounted", &names.map(|name| (name, strikes(name))));
}

#[test]
fn what_is_left_to_soak() {
    let left = |soaked: &'static str| {
        let job = resolved(|texts| {
            texts.job =
                edit(&texts.job, "order = \"X-1\"", &format!("order = \"X-1\"\nsoaked = \"{soaked}\""));
            texts.sensors = edit(&texts.sensors, "mass = \"10 g\"", "mass = \"10 g\"\nsoak_time = \"1 h\"");
            texts.sensors = edit(&texts.sensors, "mass = \"40 g\"", "mass = \"40 g\"\nsoak_time = \"5 min\"");
        });
        job.soak_left().si()
    };
    assert_eq!((left("0 s"), left("59 min"), left("2 h")), (3600.0, 60.0, 0.0));
    assert_eq!(resolved(|_| {}).soak_left(), Seconds::ZERO);
}

/// At 50 Hz and its multiples up to the third, and as near as one and a half cycles over the measurement.
#[test]
fn hum_at_a_point() {
    let at = |frequency: &str| {
        let point = format!("\"{frequency}\"\namplitude = \"0.1 g pk\"");
        plan("\"1 Hz\"\namplitude = \"5 mm pk\"", &point)
    };
    together(
        "hum",
        &[
            ("the mains frequency itself", at("50 Hz")),
            ("twice the mains frequency", at("100 Hz")),
            ("beside it", at("49 Hz")),
            ("far enough", at("48 Hz")),
            ("hum on harmonics only", at("25 Hz")),
            (
                "so long that little is near enough",
                plan(
                    "\"1 Hz\"\namplitude = \"5 mm pk\"",
                    "\"50.1 Hz\"\ndwell_cycles = 400\namplitude = \"0.1 g pk\"",
                ),
            ),
            (
                "mains of 60 Hz",
                said(|texts| {
                    texts.rig =
                        edit(&texts.rig, "name = \"bench\"", "name = \"bench\"\nmains_frequency = \"60 Hz\"");
                    texts.plan = edit(&texts.plan, "\"1 Hz\"", "\"60 Hz\"");
                    texts.plan = edit(&texts.plan, "\"5 mm pk\"", "\"0.1 g pk\"");
                }),
            ),
        ],
    );
}

#[test]
fn keys_that_can_not_be_so() {
    let at_top = |line: &'static str| plan("name = \"fixture\"", line);
    let of_first = |lines: &'static str| sensors("mass = \"40 g\"", lines);
    let of_second = |lines: &'static str| sensors("mass = \"10 g\"", lines);
    together(
        "keys_that_can_not_be_so",
        &[
            ("order in other words", at_top("name = \"fixture\"\norder = \"slowest\"")),
            ("no scatter", at_top("name = \"fixture\"\nscatter_limit = \"0 %\"")),
            ("no time at all", at_top("name = \"fixture\"\ndwell_limit = \"0 s\"")),
            ("no drift", at_top("name = \"fixture\"\ndrift_limit = \"-1 %\"")),
            ("repeats that differ by everything", at_top("name = \"fixture\"\nrepeat_limit = \"100 %\"")),
            ("hum as large as the signal", at_top("name = \"fixture\"\nhum_limit = \"1 1\"")),
            ("a word for true", at_top("name = \"fixture\"\nclosing_point = \"yes\"")),
            ("soak without what is steady", plan("[ambient]", "[soak]\nover = \"1 min\"\n\n[ambient]")),
            (
                "soak that ends before it begins",
                plan("[ambient]", "[soak]\nsteady = \"0 K\"\nover = \"1 h\"\n\n[ambient]"),
            ),
            ("soaked for less than nothing", job("order = \"X-1\"", "order = \"X-1\"\nsoaked = \"-1 min\"")),
            ("soak time below zero", of_first("mass = \"40 g\"\nsoak_time = \"-1 s\"")),
            (
                "band the wrong way round",
                of_first("mass = \"40 g\"\nfrequency_min = \"20 Hz\"\nfrequency_max = \"2 Hz\""),
            ),
            ("no tolerance at rest", of_first("mass = \"40 g\"\nzero_tolerance = \"0 V\"")),
            ("no tolerance of the supply", of_first("mass = \"40 g\"\nsupply_tolerance = \"0 %\"")),
            (
                "no tolerance of the sensitivity",
                of_first("mass = \"40 g\"\nsensitivity_tolerance = \"120 %\""),
            ),
            ("window without a bias", of_first("mass = \"40 g\"\nbias_low = \"8 V\"")),
            (
                "window beside the bias",
                of_second("mass = \"10 g\"\nbias = \"11 V\"\nbias_low = \"11 V\"\nbias_high = \"10 V\""),
            ),
            (
                "spread too wide",
                rig(
                    "[roles]",
                    "[simulation.spread]\nstiffness = \"50 %\"\namplifier_gain = \"-1 %\"\n\n[roles]",
                ),
            ),
        ],
    );
}

/// The window of a healthy bias is what the register says, or half to one and a half times the bias.
#[test]
fn the_window_of_a_healthy_bias() {
    let window = |lines: &'static str| {
        let job = resolved(|texts| {
            texts.sensors = edit(&texts.sensors, "mass = \"10 g\"", lines);
            texts.rig = edit(&texts.rig, "input = 2\nrange = \"5 V pk\"", "input = 2\nrange = \"20 V pk\"");
        });
        job.sensors[1].sensor.bias_window().map(|(low, high)| (low.si(), high.si()))
    };
    assert_eq!(window("mass = \"10 g\""), None);
    assert_eq!(window("mass = \"10 g\"\nbias = \"11 V\""), Some((5.5, 16.5)));
    assert_eq!(window("mass = \"10 g\"\nbias = \"11 V\"\nbias_high = \"14 V\""), Some((5.5, 14.0)));
}

/// A band of its own goes before a tolerance of its own, and that before the plan's.
#[test]
fn a_sensor_brings_its_own_tolerance() {
    let stated = |own: &str| -> Vec<(Hertz, Option<Fraction>)> {
        let job = resolved(|texts| {
            texts.sensors = edit(&texts.sensors, "mass = \"40 g\"", &format!("mass = \"40 g\"\n{own}"));
        });
        job.points.iter().map(|p| (p.frequency, job.sensors[0].tolerance_at(p))).collect()
    };
    let plan = stated("");
    let first = plan[0].0;
    assert!(plan.iter().all(|(_, t)| *t == Some(Fraction::new(5e-2))), "{plan:?}");
    assert!(stated("tolerance = \"7 %\"").iter().all(|(_, t)| *t == Some(Fraction::new(7e-2))));
    let at = first.si();
    let band = format!("tolerance_bands = [{{ from = \"{at} Hz\", to = \"{at} Hz\", tolerance = \"1 %\" }}]");
    let with_band = stated(&band);
    for (frequency, tolerance) in &with_band {
        let wanted = if *frequency == first { 1e-2 } else { 5e-2 };
        assert_eq!(*tolerance, Some(Fraction::new(wanted)), "at {frequency}");
    }
    assert!(with_band.iter().any(|(f, _)| *f != first), "there has to be a point outside the band");
}

/// Where the shaker states what it bears, the place of everything has to be known; where it does not, nothing is asked for.
#[test]
fn a_payload_beside_the_axis_needs_its_place() {
    let moment = "eccentric_moment_limit = \"20 N·cm\"\n";
    let place = "\n[[place]]\nposition = \"left\"\noffset = \"20 mm\"\ndirection = \"90 deg\"\n";
    let stated =
        |texts: &mut Texts| texts.rig = edit(&texts.rig, "[shaker]\n", &format!("[shaker]\n{moment}"));
    let placed =
        |texts: &mut Texts| texts.rig = edit(&texts.rig, "\n[errors]", &format!("{place}\n[errors]"));
    let standing = |texts: &mut Texts, at: &str| {
        for sensor in ["S-1", "S-2"] {
            let line = format!("sensor = \"{sensor}\"");
            texts.job = edit(&texts.job, &line, &format!("{line}\nposition = \"{at}\""));
        }
    };
    insta::assert_snapshot!("no_place_for_the_moment", said(stated));
    insta::assert_snapshot!(
        "a_place_that_is_not_there",
        said(|texts| {
            placed(texts);
            standing(texts, "lfet");
        })
    );
    let job = resolved(|texts| {
        stated(texts);
        placed(texts);
        standing(texts, "left");
    });
    // Statics: both at the same place, 60 g with their adapters, 20 mm off, at 10 m/s².
    let moment = job.eccentric_moment(crate::units::AccelDc::new(10.0)).unwrap();
    assert!((moment.si() - job.payload().si() * 0.02 * 10.0).abs() < 1e-15, "{moment}");
    assert_eq!(resolved(|_| {}).eccentric_moment(crate::units::AccelDc::new(10.0)), None);
}
