//! Jobs whose files disagree, and what a person reads about it.

use super::ResolvedJob;
use crate::checks::check_faults;
use crate::fixture::{FAULTS, JOB, PLAN, REFERENCES, RIG, SENSORS, Texts, edit};
use crate::read::Document;
use proptest::prelude::*;

mod chains;
mod mounted;
mod rigs;
mod series;

/// What is said about the fixture's job after an edit.
fn said(mistake: impl FnOnce(&mut Texts)) -> String {
    let mut texts = Texts::valid();
    mistake(&mut texts);
    match texts.read().and_then(|files| ResolvedJob::resolve(&files)) {
        Ok((_, warnings)) => format!("usable\n{}", warnings.render(false)),
        Err(report) => report.to_string(),
    }
}

fn plan(old: &str, new: &str) -> String {
    said(|texts| texts.plan = edit(&texts.plan, old, new))
}

fn rig(old: &str, new: &str) -> String {
    said(|texts| texts.rig = edit(&texts.rig, old, new))
}

fn job(old: &str, new: &str) -> String {
    said(|texts| texts.job = edit(&texts.job, old, new))
}

fn sensors(old: &str, new: &str) -> String {
    said(|texts| texts.sensors = edit(&texts.sensors, old, new))
}

fn references(old: &str, new: &str) -> String {
    said(|texts| texts.references = edit(&texts.references, old, new))
}

fn faults(old: &str, new: &str) -> String {
    let (job, _) = ResolvedJob::resolve(&Texts::valid().files()).unwrap();
    let document = Document::read("faults.toml", &edit(FAULTS, old, new)).unwrap();
    check_faults(&document, &job).unwrap_err().to_string()
}

/// Several answers in one snapshot, each under the name of its mistake.
fn together(name: &str, cases: &[(&str, String)]) {
    let text = cases
        .iter()
        .map(|(mistake, said)| format!("===== {mistake}\n{said}\n"))
        .collect::<Vec<_>>()
        .join("\n");
    insta::with_settings!({ omit_expression => true }, { insta::assert_snapshot!(name, text) });
}

#[test]
fn a_valid_job_is_put_together() {
    let (job, noted) = ResolvedJob::resolve(&Texts::valid().files()).unwrap();
    assert!(noted.0.is_empty(), "{}", noted.render(false));
    let columns: Vec<&str> = job.columns.iter().map(|c| c.name.as_str()).collect();
    assert_eq!(columns, ["ref", "one", "two"], "a channel that nothing hangs on is left out");
    assert_eq!((job.reference.column, job.sensors[0].column, job.sensors[1].column), (0, 1, 2));
    assert_eq!(job.reference.calibration.certificate, "C-2");
    assert!((job.payload().si() - 0.06).abs() < 1e-15);
    let summary: Vec<String> = job
        .points
        .iter()
        .map(|p| format!("{} {} {} {}", p.frequency, p.target, p.dwell_cycles, p.repeats))
        .collect();
    // (2π · 1 Hz)² · 5 mm, and 16 cycles are 1 s.
    assert_eq!(summary, ["1 Hz 0.19739208802178718 m/s2 pk 10 1", "16 Hz 9.80665 m/s2 pk 16 3"]);
    let document = Document::read("faults.toml", FAULTS).unwrap();
    check_faults(&document, &job).unwrap();
}

/// Columns follow the rig file, whatever the order of the job.
#[test]
fn columns_follow_the_rig() {
    let mut texts = Texts::valid();
    texts.job = edit(&texts.job, "channel = \"one\"", "channel = \"spare\"");
    texts.rig = edit(&texts.rig, "channel = \"ref\"", "channel = \"two\"");
    texts.job = edit(&texts.job, "channel = \"two\"", "channel = \"one\"");
    let (job, _) = ResolvedJob::resolve(&texts.files()).unwrap();
    let columns: Vec<&str> = job.columns.iter().map(|c| c.name.as_str()).collect();
    assert_eq!(columns, ["one", "two", "spare"]);
    assert_eq!((job.reference.column, job.sensors[0].column, job.sensors[1].column), (1, 2, 0));
}

#[test]
fn files_that_disagree() {
    together(
        "files_that_disagree",
        &[
            ("sensor not in the register", job("\"S-2\"", "\"S-3\"")),
            ("sensor twice", job("\"S-2\"", "\"S-1\"")),
            ("channel taken by a sensor", job("channel = \"two\"", "channel = \"one\"")),
            ("channel taken by the reference", job("channel = \"two\"", "channel = \"ref\"")),
            ("channel that the rig has not", job("channel = \"two\"", "channel = \"three\"")),
            (
                "channel taken by the displacement transducer",
                rig("[roles]", "[displacement]\nchannel = \"two\"\nsensitivity = \"100 V/m\"\n\n[roles]"),
            ),
            (
                "bias beyond the range of a channel",
                sensors("mass = \"10 g\"", "mass = \"10 g\"\nbias = \"11 V\""),
            ),
            ("reference not in the register", rig("\"R-1\"", "\"R-2\"")),
            ("reference on no channel", rig("channel = \"ref\"", "channel = \"reference\"")),
            (
                "reference without a calibration",
                references(
                    &crate::fixture::REFERENCES
                        [crate::fixture::REFERENCES.find("[[reference.calibration]]").unwrap()..],
                    "calibration = []\n",
                ),
            ),
            ("below the reference's band", plan("\"1 Hz\"", "\"0.4 Hz\"")),
            ("above the reference's band", plan("\"1 Hz\"", "\"125 Hz\"")),
            ("above the sample rate's reach", rig("\"10 kS/s\"", "\"30 S/s\"")),
            ("beyond the range of a sensor", plan("\"1 g pk\"", "\"2.5 g pk\"")),
            ("beyond the range of the reference too", plan("\"1 g pk\"", "\"100 g pk\"")),
            (
                "beyond the range of a channel",
                rig(
                    "name = \"one\"\ninput = 1\nrange = \"5 V pk\"",
                    "name = \"one\"\ninput = 1\nrange = \"3 V pk\"",
                ),
            ),
            ("beyond the range of the reference's channel", rig("\"10 V pk\"", "\"1 V pk\"")),
        ],
    );
}

#[test]
fn a_plan_by_itself() {
    together(
        "a_plan_by_itself",
        &[
            ("frequency twice", plan("\"1 Hz\"", "\"0.016 kHz\"")),
            (
                "reference frequency that no point has",
                plan("reference_frequency = \"16 Hz\"", "reference_frequency = \"8 Hz\""),
            ),
            ("reference frequency missing", plan("reference_frequency = \"16 Hz\"\n", "")),
            ("amplitude of zero", plan("\"1 g pk\"", "\"0 g pk\"")),
            ("negative frequency", plan("\"1 Hz\"", "\"-1 Hz\"")),
            ("no repeats", plan("repeats = 3", "repeats = 0")),
            ("one cycle", plan("repeats = 3", "dwell_cycles = 1")),
            (
                "settle band of more than all",
                plan("name = \"fixture\"", "name = \"fixture\"\nsettle_band = \"150 %\""),
            ),
            ("ambient limits the wrong way round", plan("\"20 °C\"", "\"30 °C\"")),
            (
                "no points",
                said(|texts| {
                    let end = texts.plan.find("[[point]]").unwrap();
                    texts.plan = edit(
                        &texts.plan[..end],
                        "format = 1
",
                        "format = 1
point = []
",
                    );
                }),
            ),
        ],
    );
}

#[test]
fn a_rig_by_itself() {
    together(
        "a_rig_by_itself",
        &[
            ("role without its word", rig("\"generator.source\"", "\"generator\"")),
            ("role with another word", rig("\"generator.source\"", "\"generator.output\"")),
            ("role of an instrument that is not there", rig("\"generator.source\"", "\"synth.source\"")),
            ("two instruments of one name", rig("name = \"panel\"", "name = \"daq\"")),
            ("two channels of one name", rig("name = \"spare\"", "name = \"two\"")),
            ("two channels on one input", rig("input = 3", "input = 2")),
            ("rated stroke at the stop", rig("\"12.5 mm pk\"", "\"14.5 mm pk\"")),
            (
                "trip behind the stop",
                rig("stop = \"14.5 mm pk\"", "stop = \"14.5 mm pk\"\ntrip_stroke = \"15 mm pk\""),
            ),
            ("allowance as large as the stroke", rig("\"0.5 mm\"", "\"14 mm\"")),
            ("no moving mass", rig("\"250 g\"", "\"0 g\"")),
            ("gain missing", rig("gain = \"20 V/V\"\n", "")),
            ("gain of another mode", rig("mode = \"voltage\"", "mode = \"current\"")),
            ("drive limit above the amplifier", rig("\"2.5 V pk\"", "\"3 V pk\"")),
            ("block longer than its limit", rig("\"20 ms\"", "\"0.3 s\"")),
            ("block without a sample", rig("\"20 ms\"", "\"20 us\"")),
            ("contacts read too rarely", rig("[roles]", "[timing]\npoll_interval = \"0.5 s\"\n\n[roles]")),
            (
                "no safe path",
                said(|texts| {
                    let end = texts.rig.find("[[safe_path]]").unwrap();
                    texts.rig = edit(
                        &texts.rig[..end],
                        "format = 1
",
                        "format = 1
safe_path = []
",
                    );
                }),
            ),
            ("one way twice", rig("\"amplifier_mute\"", "\"source_off\"")),
            ("all ways through one box", rig("source = \"generator.source\"", "source = \"power.source\"")),
            ("negative error", rig("mounting = \"0.1 %\"", "mounting = \"-0.1 %\"")),
            ("converter of one bit", rig("[roles]", "[simulation.acquisition]\nbits = 1\n\n[roles]")),
            (
                "clock of another world",
                rig("[roles]", "[simulation.source]\nclock_error = \"5 %\"\n\n[roles]"),
            ),
            (
                "displacement on the reference's channel",
                rig("[roles]", "[displacement]\nchannel = \"ref\"\nsensitivity = \"100 V/m\"\n\n[roles]"),
            ),
            (
                "displacement on no channel",
                rig("[roles]", "[displacement]\nchannel = \"stroke\"\nsensitivity = \"0 V/m\"\n\n[roles]"),
            ),
            ("coupling without a corner", rig("name = \"spare\"", "name = \"spare\"\nac_corner = \"0 Hz\"")),
        ],
    );
}

#[test]
fn registers_by_themselves() {
    together(
        "registers_by_themselves",
        &[
            ("two sensors of one serial", sensors("serial = \"S-2\"", "serial = \"S-1\"")),
            ("sensor without mass", sensors("mass = \"40 g\"", "mass = \"0 g\"")),
            ("sensitivity of zero", sensors("\"1000 mV/g\"", "\"0 mV/g\"")),
            ("damping without a natural frequency", sensors("natural_frequency = \"700 Hz\"\n", "")),
            (
                "limits the wrong way round",
                sensors(
                    "supply = \"12 V\"",
                    "supply = \"12 V\"\noutput_low = \"4 V\"\noutput_high = \"1 V\"",
                ),
            ),
            (
                "common mode of one line",
                sensors("supply = \"12 V\"", "supply = \"12 V\"\ncommon_mode = \"2 V\""),
            ),
            (
                "ratiometric without a supply",
                sensors("supply = \"12 V\"", "supply_dependence = \"ratiometric\""),
            ),
            ("bias of a capacitive sensor", sensors("supply = \"12 V\"", "bias = \"11 V\"")),
            (
                "bias above the compliance voltage",
                sensors(
                    "lower_corner = \"0.05 Hz\"",
                    "lower_corner = \"0.05 Hz\"\nbias = \"24 V\"\nbase_strain = \"-1 %\"",
                ),
            ),
            ("frequencies that fall", references("\"16 Hz\"", "\"160 Hz\"")),
            (
                "phase without its uncertainty",
                references(
                    "phase = \"−0.4 deg\", u = \"0.5 %\", u_phase = \"0.3 deg\"",
                    "phase = \"−0.4 deg\", u = \"0.5 %\"",
                ),
            ),
            ("due before it was done", references("2001-06-14", "1999-06-13")),
            (
                "two calibrations of one day",
                references("date = 1997-06-10\ndue = 1999-06-10", "date = 1999-06-14\ndue = 1999-07-10"),
            ),
            ("certificate twice", references("\"C-1\"", "\"C-2\"")),
        ],
    );
}

#[test]
fn faults_against_the_job() {
    together(
        "faults_against_the_job",
        &[
            ("point that the plan has not", faults("point = 2", "point = 3")),
            ("point 0", faults("point = 2", "point = 0")),
            ("channel missing", faults("channel = \"two\"\n", "")),
            ("channel not used", faults("channel = \"two\"", "channel = \"spare\"")),
            (
                "channel where none belongs",
                faults("value = \"200 %\"", "value = \"200 %\"\nchannel = \"one\""),
            ),
            ("jump without its size", faults("value = \"200 %\"\n", "")),
            ("size that is no share", faults("\"200 %\"", "\"2 V\"")),
            ("size beyond its range", faults("\"200 %\"", "\"-120 %\"")),
            (
                "reference in place of a sensor",
                faults(
                    "\"overload\"\nat = \"12.5 s\"\nchannel = \"two\"",
                    "\"loose_mount\"\nat = \"12.5 s\"\nchannel = \"ref\"",
                ),
            ),
            (
                "coil of which nothing is known",
                faults(
                    "\"overload\"\nat = \"12.5 s\"\nchannel = \"two\"",
                    "\"coil_overheating\"\nat = \"12.5 s\"",
                ),
            ),
            ("before the start", faults("\"12.5 s\"", "\"-1 s\"")),
        ],
    );
}

#[test]
fn mistakes_of_several_files_come_by_file_and_place() {
    insta::with_settings!({ omit_expression => true }, {
        insta::assert_snapshot!(said(|texts| {
            texts.sensors = edit(&texts.sensors, "mass = \"40 g\"", "mass = \"0 g\"");
            texts.rig = edit(&texts.rig, "\"generator.source\"", "\"generator\"");
            texts.rig = edit(&texts.rig, "input = 3", "input = 2");
            texts.plan = edit(&texts.plan, "\"1 Hz\"", "\"0.1 Hz\"");
            texts.job = edit(&texts.job, "\"S-2\"", "\"S-9\"");
        }));
    });
}

/// Numbers that a person could write and a program could stumble over, in place of a file's own.
fn odd_numbers(text: &'static str) -> impl Strategy<Value = String> {
    let number = prop_oneof![
        Just("0".to_owned()),
        Just("-1".to_owned()),
        Just("1e300".to_owned()),
        Just("1e-300".to_owned()),
        Just("4294967295".to_owned()),
        (-1e6..1e6f64).prop_map(|x| x.to_string()),
    ];
    proptest::collection::vec((any::<prop::sample::Index>(), number), 1..4).prop_map(|edits| {
        let mut text = text.to_owned();
        for (at, number) in edits {
            let starts: Vec<usize> =
                text.match_indices(|c: char| c.is_ascii_digit()).map(|(at, _)| at).collect();
            let start = starts[at.index(starts.len())];
            let length = text[start..].chars().take_while(|c| c.is_ascii_digit() || *c == '.').count();
            text.replace_range(start..start + length, &number);
        }
        text
    })
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(400))]

    /// Whatever can be read can be put together or refused, and what is put together keeps its promises.
    #[test]
    fn odd_numbers_never_panic(
        job in odd_numbers(JOB), plan in odd_numbers(PLAN), rig in odd_numbers(RIG),
        sensors in odd_numbers(SENSORS), references in odd_numbers(REFERENCES), which in 0..5usize,
    ) {
        let mut texts = Texts::valid();
        match which {
            0 => texts.job = job,
            1 => texts.plan = plan,
            2 => texts.rig = rig,
            3 => texts.sensors = sensors,
            _ => texts.references = references,
        }
        if let Some(files) = texts.try_files() {
            match ResolvedJob::resolve(&files) {
                Ok((job, warnings)) => {
                    prop_assert!(warnings.is_usable());
                    prop_assert!(job.points.iter().all(|p| p.target.si() > 0.0 && p.repeats > 0 && p.dwell_cycles > 1));
                    prop_assert!(job.sensors.iter().all(|s| s.column < job.columns.len()));
                }
                Err(report) => prop_assert!(report.0.error_count() > 0),
            }
        }
    }
}
