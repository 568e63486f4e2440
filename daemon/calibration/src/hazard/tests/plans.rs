//! Whatever plan a person may write, on any example rig: it comes to a job whose admitted points pass, or it is refused
//! with a reason and its place.

use super::verdicts::{example, files};
use crate::control::resolve;
use crate::evaluate::{Circumstances, foreseen};
use crate::hazard::Reserve;
use crate::sequence::Setup;
use plan_schema::read::Document;
use plan_schema::resolve::ResolvedJob;
use plan_schema::units::{Accel, Seconds};
use proptest::prelude::*;

/// Jobs with their rigs, whose mutes short the coil and open it.
const RIGS: [(&str, &str); 8] = [
    ("low-frequency.toml", "long-stroke.toml"),
    ("low-frequency.toml", "long-stroke-opens.toml"),
    ("mid-size.toml", "mid-size.toml"),
    ("portable.toml", "portable.toml"),
    ("portable.toml", "portable-opens.toml"),
    ("portable.toml", "portable-worn.toml"),
    ("portable-night.toml", "portable-night.toml"),
    ("portable-current.toml", "portable-current.toml"),
];

/// Frequencies on a grid of a tenth of a decade and beside it, so that points also come twice.
fn frequency() -> impl Strategy<Value = String> {
    prop_oneof![
        4 => (-12..32i32).prop_map(|n| format!("{:.3} Hz", 10f64.powf(f64::from(n) / 10.0))),
        1 => prop_oneof![Just("0 Hz"), Just("-5 Hz"), Just("1e-300 Hz"), Just("1e300 Hz"), Just("16 Hz"), Just("50 Hz")]
            .prop_map(str::to_owned),
    ]
}

fn amplitude() -> impl Strategy<Value = String> {
    let size = -4.0..1.5f64;
    let unit = prop_oneof![
        Just("g pk"),
        Just("m/s2 rms"),
        Just("m/s pk"),
        Just("mm/s rms"),
        Just("mm pk-pk"),
        Just("um pk"),
    ];
    prop_oneof![
        12 => (size, unit).prop_map(|(size, unit)| format!("{:.4} {unit}", 10f64.powf(size))),
        1 => Just("0 g pk".to_owned()),
        1 => Just("1e300 g pk".to_owned()),
    ]
}

fn common() -> impl Strategy<Value = String> {
    let cycles = prop_oneof![3 => Just(None), 2 => (0..40u32).prop_map(Some), 1 => Just(Some(u32::MAX))];
    let repeats = prop_oneof![6 => Just(1u32), 2 => 0..4u32];
    (cycles, repeats).prop_map(|(cycles, repeats)| {
        let cycles = cycles.map_or(String::new(), |c| format!("dwell_cycles = {c}\n"));
        format!("{cycles}repeats = {repeats}\n")
    })
}

fn point() -> impl Strategy<Value = String> {
    (frequency(), amplitude(), common()).prop_map(|(frequency, amplitude, common)| {
        format!("[[point]]\nfrequency = \"{frequency}\"\namplitude = \"{amplitude}\"\n{common}")
    })
}

fn series() -> impl Strategy<Value = String> {
    let spacing = prop_oneof![
        3 => (
            prop_oneof![Just("octave"), Just("half_octave"), Just("third_octave")],
            prop_oneof![Just("nominal"), Just("exact")],
        )
            .prop_map(|(spacing, values)| format!("spacing = \"{spacing}\"\nvalues = \"{values}\"\n")),
        1 => (0..8u32).prop_map(|n| format!("spacing = \"logarithmic\"\nper_decade = {n}\n")),
        1 => (0..9u32).prop_map(|n| format!("spacing = \"logarithmic\"\ncount = {n}\n")),
        1 => Just("spacing = \"logarithmic\"\ncount = 4294967295\n".to_owned()),
    ];
    let size = prop_oneof![
        3 => amplitude().prop_map(|a| format!("amplitude = \"{a}\"\n")),
        4 => amplitude().prop_map(|a| format!("amplitude = \"largest\"\nat_most = \"{a}\"\n")),
        1 => Just("amplitude = \"largest\"\n".to_owned()),
    ];
    (frequency(), frequency(), spacing, size, common()).prop_map(|(from, to, spacing, size, common)| {
        format!("[[series]]\nfrom = \"{from}\"\nto = \"{to}\"\n{spacing}{size}{common}")
    })
}

fn plan() -> impl Strategy<Value = String> {
    let tables = prop::collection::vec(prop_oneof![point(), series()], 0..4);
    let head = prop_oneof![
        Just(""),
        Just("tolerance = \"5 %\"\n"),
        Just("tolerance = \"0.1 %\"\nreference_frequency = \"16 Hz\"\n"),
    ];
    (head, tables)
        .prop_map(|(head, tables)| format!("format = 1\nname = \"drawn\"\n{head}{}", tables.concat()))
}

/// What has to hold of a job that came together.
fn holds(job: ResolvedJob) -> Result<(), TestCaseError> {
    let setup = Setup::new(job);
    prop_assert!(!setup.job.points.is_empty() && setup.forecasts.len() == setup.job.points.len());
    let rig = &setup.job.rig;
    let today = Circumstances { since_calibration: Seconds::new(1e7), scope_in_force: true };
    for (n, (point, forecast)) in setup.job.points.iter().zip(&setup.forecasts).enumerate() {
        prop_assert!(point.target > Accel::ZERO && point.target.is_finite());
        prop_assert!(point.wanted.is_none_or(|wanted| point.target <= wanted));
        prop_assert_eq!(point.limited.is_some(), point.wanted.is_some_and(|wanted| point.target < wanted));
        prop_assert_eq!(forecast.obstacles.is_empty(), forecast.largest.is_none());
        for sensor in 0..setup.job.sensors.len() {
            let foreseen = foreseen(&setup, sensor, n, &today).unwrap();
            prop_assert!(foreseen.is_none_or(|f| f.budget.combined().expanded > 0.0));
        }
        if forecast.obstacles.is_empty() {
            // Admitted: nothing that can happen takes the armature to its stop.
            prop_assert!(forecast.hazards.reserves.iter().all(Reserve::keeps_off));
            prop_assert!(forecast.hazards.coasts.iter().all(|c| c.displacement <= rig.shaker.stop));
            prop_assert!(forecast.displacement.si() <= rig.shaker.rated_stroke.si() * (1.0 + 1e-9));
            prop_assert!(forecast.time > Seconds::ZERO && forecast.time.is_finite());
        } else {
            prop_assert!(forecast.obstacles.iter().all(|o| !o.message.is_empty()));
        }
    }
    Ok(())
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(150))]

    #[test]
    fn every_plan_is_a_job_or_refused_with_a_place(plan in plan(), rig in 0..RIGS.len()) {
        let (job, rig) = RIGS[rig];
        let text = example(&format!("rigs/{rig}"));
        // Numbers that no double holds are refused by the reader.
        let Ok(read) = Document::read("plan", &plan) else { return Ok(()) };
        let mut files = files(job, example(&format!("plans/{job}")), text);
        files.plan = read;
        match resolve(&files) {
            Ok((job, noted)) => {
                prop_assert!(noted.is_usable());
                holds(job)?;
            }
            Err(report) => {
                prop_assert!(report.0.error_count() > 0);
                for said in report.0.0.iter().filter(|d| !d.warning) {
                    prop_assert!(!said.message.is_empty() && said.remedy.is_some(), "{said:?}");
                    // Each names a place, but for what is missing as a whole.
                    prop_assert!(said.span.is_some() || said.message.contains("no points"), "{said:?}");
                }
            }
        }
    }
}
