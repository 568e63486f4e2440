//! The files under `examples/` are what a newcomer runs first: each of them can be read, and each job comes together.

#![expect(clippy::unwrap_used, reason = "a test fails by panicking")]

use plan_schema::check_faults;
use plan_schema::faults::{FaultKind, Faults};
use plan_schema::job::Job;
use plan_schema::read::{Document, Written};
use plan_schema::record::{from_json, to_json};
use plan_schema::resolve::{JobFiles, ResolvedJob, WitnessRole};
use plan_schema::rig::{AmplifierMode, Mute, Rig, SafeAction};
use plan_schema::units::{Displacement, Fraction, Peak};
use std::f64::consts::{SQRT_2, TAU};
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
    let rig = job.value.rig.clone();
    resolve_on(job, &rig)
}

/// A job on a rig, its own or another one.
fn resolve_on(job: Document<Job>, rig: &str) -> ResolvedJob {
    let files = JobFiles {
        plan: read(&job.value.plan),
        rig: read(rig),
        sensors: read(&job.value.sensors),
        references: read(&job.value.references),
        job,
    };
    let (job, noted) = ResolvedJob::resolve(&files).unwrap_or_else(|report| panic!("{report}"));
    // Some points lie on a multiple of the mains frequency, as they do in practice; no example is warned of anything else.
    let on_mains = job.points.iter().filter(|p| [50.0, 100.0, 150.0].contains(&p.frequency.si())).count();
    let said_so = noted.0.iter().filter(|d| d.message.starts_with("hum can't be told")).count();
    assert_eq!((noted.0.len(), said_so), (on_mains, on_mains), "{}", noted.render(false));
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

/// Every job with the number of its points and sensors, the mass on the table in kg, and the resonance in Hz.
const JOBS: [(&str, usize, usize, f64, f64); 12] = [
    ("channel-ratio.toml", 8, 2, 0.1, 4.0),
    ("common-practice.toml", 6, 2, 0.1, 4.0),
    ("low-frequency.toml", 12, 4, 0.5, 0.8),
    ("mid-size.toml", 10, 3, 0.05, 12.0),
    ("portable-current.toml", 8, 2, 0.1, 4.0),
    ("portable-network.toml", 8, 2, 0.1, 4.0),
    ("portable-night.toml", 10, 2, 0.1, 4.0),
    ("portable-worn.toml", 8, 2, 0.1, 4.0),
    ("portable.toml", 8, 2, 0.1, 4.0),
    ("series.toml", 18, 2, 0.1, 4.0),
    ("substitution.toml", 8, 2, 0.1, 4.0),
    ("workshop.toml", 8, 3, 0.1, 11.108),
];

#[test]
fn jobs_come_together() {
    let names = JOBS.map(|(name, ..)| name);
    assert_eq!(files_of(""), names, "tell this test about a new job");
    for (name, points, sensors, ..) in JOBS {
        let job = resolve(name);
        assert_eq!((job.points.len(), job.sensors.len()), (points, sensors), "{name}");
    }
}

/// The night's job has all that watches over an unattended run.
#[test]
fn the_night_is_watched_over() {
    let job = resolve("portable-night.toml");
    let roles: Vec<WitnessRole> = job.witnesses.iter().map(|w| w.role).collect();
    assert_eq!(roles, [WitnessRole::CheckStandard, WitnessRole::SecondReference]);
    for point in &job.points {
        assert!(
            job.witnesses.iter().all(|w| w.expected_at(point.frequency).is_some()),
            "{}",
            point.frequency
        );
    }
    // √2 · 0.5 %, both certificates being that good.
    let (_, limit) = job.witnesses[1].expected_at(job.points[0].frequency).unwrap();
    assert!((limit.percent() - 0.5 * SQRT_2).abs() < 1e-6, "{limit}");
    assert!(
        job.sensors[0].supply_column.is_some()
            && job.sensors.iter().all(|s| s.skips.iter().all(Option::is_none))
    );
    assert!((job.soak_left().si() - 60.0).abs() < 1e-9);
    // Time constant of 2 s: 1/(2π · 2 s) = 0.0796 Hz.
    let corner = job.sensors[1].sensor.lower_corner.unwrap().si();
    assert!((corner * TAU * 2.0 - 1.0).abs() < 0.01);
}

/// Every plan and every rig belongs to a job, or is a rig's twin that opens the coil.
#[test]
fn no_file_lies_about() {
    let jobs = JOBS.map(|(name, ..)| read::<Job>(name).value);
    for plan in files_of("plans") {
        assert!(jobs.iter().any(|j| j.plan == format!("plans/{plan}")), "{plan} has no job");
    }
    for rig in files_of("rigs") {
        let own = rig.replace("-opens.toml", ".toml");
        assert!(jobs.iter().any(|j| j.rig == format!("rigs/{own}")), "{rig} has no job");
    }
}

/// A rig whose mute opens the coil is the one whose mute shorts it in all else: also the job comes together on it.
#[test]
fn twins_differ_by_their_mute() {
    let mut twins = 0;
    // The network's rig is the portable one behind other drivers.
    let own = |(name, ..): &&(&str, usize, usize, f64, f64)| *name != "portable-network.toml";
    for (name, ..) in JOBS.iter().filter(own) {
        let job = read::<Job>(name);
        let path = job.value.rig.replace(".toml", "-opens.toml");
        let own = read::<Rig>(&job.value.rig).value;
        let mut other = resolve_on(job, &path).rig;
        assert_eq!((own.amplifier.mute, other.amplifier.mute), (Mute::Shorts, Mute::Opens), "{path}");
        assert_eq!(other.name, format!("{}-opens", own.name));
        // As a run's way out has it: the source first, or both at once.
        assert_eq!(own.safe_paths[0].action, SafeAction::SourceOff);
        other.amplifier.mute = Mute::Shorts;
        other.name.clone_from(&own.name);
        assert_eq!(own, other, "{path}");
        twins += 1;
    }
    // Every job's rig has its twin.
    assert_eq!(twins, JOBS.len() - 1);
}

/// What moves the centre has room in the static allowance, and rated stroke with 3 % of overshoot and the allowance lies
/// below the trip: by arithmetic that is not the program's.
#[test]
fn static_allowances_hang_together() {
    for (name, ..) in JOBS {
        let job = resolve(name);
        let (shaker, amplifier) = (&job.rig.shaker, &job.rig.amplifier);
        let volts = |gain: f64, offset: f64| job.rig.errors.source_offset.si() * gain + offset;
        let amperes = match amplifier.mode {
            AmplifierMode::Voltage => {
                let gain = amplifier.gain.unwrap().si();
                volts(gain, amplifier.offset.unwrap().si()) / shaker.coil_resistance.si()
            }
            AmplifierMode::Current => {
                let gain = amplifier.transconductance.unwrap().si();
                volts(gain, amplifier.offset_current.unwrap().si())
            }
        };
        let mass = shaker.moving_mass.si() + job.payload().si();
        let force = amperes * shaker.force_factor.si() + mass * 9.80665 * shaker.tilt.si();
        let moved = shaker.centre_error.si() + force / shaker.stiffness.si();
        let allowed = shaker.static_allowance.si();
        assert!(moved <= allowed && moved > 0.5 * allowed, "{name}: {moved} of {allowed} m");
        let highest = 1.03 * shaker.rated_stroke.si() + allowed;
        assert!(highest <= shaker.trip().si() && shaker.trip() < shaker.stop, "{name}: {highest} m");
        let own = &job.rig.simulation.source;
        assert!(own.offset.abs() <= job.rig.errors.source_offset, "{name}");
        let across = shaker.transverse.iter().map(|t| t.share);
        assert!(across.fold(Fraction::ZERO, Fraction::max) <= job.rig.errors.transverse_motion, "{name}");
    }
}

/// The shakers' limits, by arithmetic that is not the program's: a = (2πf)² x = 2πf v, F = m a.
#[test]
fn points_lie_within_the_shaker() {
    for name in files_of("") {
        let job = resolve(&name);
        let shaker = &job.rig.shaker;
        let mass = shaker.moving_mass.si() + job.payload().si();
        // Where the largest amplitude is asked for, the calibration core finds it.
        for point in job.points.iter().filter(|p| p.wanted.is_none()) {
            let (omega, target) = (TAU * point.frequency.si(), point.target.si());
            let at = format!("{name} at {}", point.frequency);
            // Overshoot of 10 %, 3 % above 95 % of the rated stroke, and the static allowance stay below the trip.
            let stroke = target / omega.powi(2);
            let overshoot = if stroke > 0.95 * shaker.rated_stroke.si() { 1.03 } else { 1.1 };
            let ceiling = Displacement::<Peak>::new(overshoot * stroke + shaker.static_allowance.si());
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
    for (name, _, _, payload_kg, resonance_hz) in JOBS {
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
    let mut kinds = Vec::new();
    for name in names {
        let faults = read::<Faults>(&format!("faults/{name}"));
        check_faults(&faults, &job).unwrap_or_else(|report| panic!("{report}"));
        kinds.extend(faults.value.faults.iter().map(|f| f.kind.word()));
    }
    let mut all: Vec<&str> = FaultKind::ALL.iter().map(|kind| kind.word()).collect();
    kinds.sort_unstable();
    all.sort_unstable();
    assert_eq!(kinds, all, "one example of each kind");
}
