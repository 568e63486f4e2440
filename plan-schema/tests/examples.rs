//! The files under `examples/` are what a newcomer runs first: each of them can be read, and each job comes together.

#![expect(clippy::unwrap_used, reason = "a test fails by panicking")]

use plan_schema::check_faults;
use plan_schema::faults::Faults;
use plan_schema::job::Job;
use plan_schema::read::{Document, Written};
use plan_schema::record::{from_json, to_json};
use plan_schema::resolve::{JobFiles, ResolvedJob};
use plan_schema::units::{Displacement, Peak};
use std::f64::consts::TAU;
use std::fmt::Debug;
use std::path::{Path, PathBuf};

fn examples() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../examples")
}

fn read<T: Written + serde::Serialize + PartialEq + Debug>(path: &str) -> Document<T> {
    let text = std::fs::read_to_string(examples().join(path)).unwrap_or_else(|e| panic!("{path}: {e}"));
    assert!(
        text.starts_with('#') && text.to_lowercase().contains("invented"),
        "{path} has to say that it is invented"
    );
    let document = Document::<T>::read(path, &text).unwrap_or_else(|report| panic!("{report}"));
    assert_eq!(
        from_json::<T>(path, &to_json(&document.value)).unwrap(),
        document.value,
        "{path} as a record"
    );
    document
}

fn resolve(path: &str) -> ResolvedJob {
    let job = read::<Job>(path);
    let files = JobFiles {
        plan: read(&job.value.plan),
        rig: read(&job.value.rig),
        sensors: read(&job.value.sensors),
        references: read(&job.value.references),
        job,
    };
    let (job, noted) = ResolvedJob::resolve(&files).unwrap_or_else(|report| panic!("{report}"));
    assert!(noted.0.is_empty(), "an example gives no warnings:\n{}", noted.render(false));
    job
}

/// Every file that lies under `folder` of the examples.
fn files_of(folder: &str) -> Vec<String> {
    let entries = std::fs::read_dir(examples().join(folder)).unwrap();
    let mut names: Vec<String> = entries.map(|e| e.unwrap().file_name().into_string().unwrap()).collect();
    names.retain(|name| name.ends_with(".toml"));
    names.sort();
    names
}

#[test]
fn jobs_come_together() {
    let names = files_of("");
    assert_eq!(names, ["low-frequency.toml", "portable.toml"], "tell this test about a new job");
    let sizes: Vec<(usize, usize)> = names
        .iter()
        .map(|name| {
            let job = resolve(name);
            (job.points.len(), job.sensors.len())
        })
        .collect();
    assert_eq!(sizes, [(12, 4), (8, 2)]);
}

/// The shakers' limits, by arithmetic that is not the program's: a = (2πf)² x = 2πf v, F = m a.
#[test]
fn points_lie_within_the_shaker() {
    for name in files_of("") {
        let job = resolve(&name);
        let shaker = &job.rig.shaker;
        let mass = shaker.moving_mass.si() + job.payload().si();
        for point in &job.points {
            let (omega, target) = (TAU * point.frequency.si(), point.target.si());
            let at = format!("{name} at {}", point.frequency);
            // Overshoot of 10 % and the static allowance stay below the trip.
            let ceiling =
                Displacement::<Peak>::new(1.1 * target / omega.powi(2) + shaker.static_allowance.si());
            assert!(ceiling <= shaker.trip(), "{at}: {ceiling} of stroke");
            assert!(1.1 * target / omega <= shaker.velocity_limit.si(), "{at}: velocity");
            assert!(1.1 * target <= shaker.acceleration_limit.si(), "{at}: acceleration");
            assert!(1.1 * target * mass <= shaker.force_limit.si(), "{at}: force");
        }
    }
}

/// The rigs are the ones that their heads promise: resonance of the whole and force of the coil.
#[test]
fn rigs_hang_together() {
    for (name, resonance_hz, payload_kg) in [("low-frequency.toml", 0.8, 0.5), ("portable.toml", 4.0, 0.1)] {
        let job = resolve(name);
        let shaker = &job.rig.shaker;
        assert!((job.payload().si() - payload_kg).abs() < 1e-9, "{name}: payload {}", job.payload());
        let mass = shaker.moving_mass.si() + payload_kg;
        let resonance = (shaker.stiffness.si() / mass).sqrt() / TAU;
        assert!((resonance / resonance_hz - 1.0).abs() < 1e-3, "{name}: {resonance} Hz");
        let force = shaker.force_factor.si() * job.rig.amplifier.current_limit.si();
        assert!((force / shaker.force_limit.si() - 1.0).abs() < 1e-9, "{name}: {force} N");
        let acceleration = force / mass;
        assert!(
            (acceleration / shaker.acceleration_limit.si() - 1.0).abs() < 2e-3,
            "{name}: {acceleration} m/s²"
        );
    }
}

#[test]
fn faults_strike_the_job() {
    let job = resolve("low-frequency.toml");
    let names = files_of("faults");
    assert!(names.len() >= 4, "{names:?}");
    for name in names {
        let faults = read::<Faults>(&format!("faults/{name}"));
        check_faults(&faults, &job).unwrap_or_else(|report| panic!("{report}"));
    }
}
