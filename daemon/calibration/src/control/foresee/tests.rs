//! Forecasts of the example jobs.

use super::*;
use plan_schema::read::Document;
use plan_schema::resolve::JobFiles;

fn job(rig: &str) -> ResolvedJob {
    let files = JobFiles {
        job: Document::read("job", include_str!("../../../../../examples/portable.toml")).unwrap(),
        plan: Document::read("plan", include_str!("../../../../../examples/plans/portable.toml")).unwrap(),
        rig: Document::read("rig", rig).unwrap(),
        sensors: Document::read("sensors", include_str!("../../../../../examples/registers/sensors.toml"))
            .unwrap(),
        references: Document::read("refs", include_str!("../../../../../examples/registers/references.toml"))
            .unwrap(),
    };
    ResolvedJob::resolve(&files).unwrap().0
}

const PORTABLE: &str = include_str!("../../../../../examples/rigs/portable.toml");
const WORN: &str = include_str!("../../../../../examples/rigs/portable-worn.toml");

/// The parts make up the whole; an AC-coupled sensor is waited for at low frequencies only.
#[test]
fn time_is_the_sum_of_its_parts() {
    let mut job = job(PORTABLE);
    let plant = Plant::of(&job);
    for sensor in &mut job.sensors {
        sensor.sensor.lower_corner = Some(Hertz::new(0.16));
    }
    for point in &job.points {
        let found = foresee(&job, &plant, point);
        let cycles = u64::from(point.dwell_cycles * point.repeats) * found.lengthened;
        let dwells = cycles as f64 / point.frequency.si();
        let sum = found.overhead.si() + found.decay_wait.si() + dwells;
        assert!((found.time.si() - sum).abs() < 1e-9);
        // The ways alone take three cycles at least.
        assert!(found.overhead.si() >= 3.0 / point.frequency.si());
        assert_eq!(
            found.decay_wait > Seconds::ZERO,
            slowest_decay(&job, point.frequency).si() > {
                let looked =
                    plant.settling_time() + window(point.frequency) + job.rig.acquisition.block * 0.5;
                looked.si()
            }
        );
    }
    let low = ResolvedPoint { frequency: Hertz::new(0.5), ..job.points[0].clone() };
    let high = ResolvedPoint { frequency: Hertz::new(100.0), ..low.clone() };
    assert!(foresee(&job, &plant, &low).decay_wait > Seconds::ZERO);
    assert_eq!(foresee(&job, &plant, &high).decay_wait, Seconds::ZERO);
}

/// What is named as the largest is accepted itself, and not far from what is not: also where the drive bends.
#[test]
fn the_largest_is_accepted() {
    for rig in [PORTABLE, WORN] {
        let job = job(rig);
        let plant = Plant::of(&job);
        for frequency in [1.0, 2.5, 5.0, 10.0, 25.0, 80.0].map(Hertz::new) {
            let wanted = ResolvedPoint { frequency, target: Accel::new(500.0), ..job.points[0].clone() };
            let largest = foresee(&job, &plant, &wanted).largest.unwrap();
            let at = |target| foresee(&job, &plant, &ResolvedPoint { target, ..wanted.clone() }).obstacles;
            assert!(at(largest).is_empty(), "{frequency}: {:?}", at(largest));
            assert!(!at(largest * 1.2).is_empty(), "{frequency}");
        }
    }
}

/// Statics: 50 g at 40 mm from the axis make 2 g·m, so 2e-3 · (a + g) N·m; half a newton metre is reached at 240.19 m/s².
#[test]
fn a_payload_beside_the_axis_is_refused_beyond_what_the_shaker_bears() {
    let rig = format!(
        "{}\n[[place]]\nposition = \"edge\"\noffset = \"40 mm\"\n",
        PORTABLE.replacen("[shaker]", "[shaker]\neccentric_moment_limit = \"25 N·cm\"", 1)
    );
    let rig: plan_schema::rig::Rig = Document::read("rig", &rig).unwrap().value;
    let mut job = job(PORTABLE);
    job.rig.shaker.eccentric_moment_limit = rig.shaker.eccentric_moment_limit;
    job.rig.places = rig.places;
    let weight = 0.05 / (job.sensors.len() as f64);
    for sensor in &mut job.sensors {
        sensor.sensor.mass = plan_schema::units::Kilograms::new(weight);
        sensor.mounted.adapter_mass = plan_schema::units::Kilograms::ZERO;
        sensor.mounted.fixture = None;
        sensor.mounted.position = Some("edge".to_owned());
    }
    let at = |job: &ResolvedJob, target: f64| {
        let plant = Plant::of(job);
        let point = ResolvedPoint {
            frequency: Hertz::new(80.0),
            target: Accel::new(target),
            ..job.points[0].clone()
        };
        foresee(job, &plant, &point)
    };
    let moment = |target: f64| eccentric_moment(&job, Accel::new(target)).unwrap().si();
    assert!((moment(90.0) - 2e-3 * (90.0 + 9.80665)).abs() < 1e-12);
    let said = |forecast: &Forecast| {
        forecast.obstacles.iter().filter(|o| o.message.contains("eccentric")).map(|o| o.largest.si()).next()
    };
    // 0.25 N·m over 2 g·m less gravity.
    assert!((said(&at(&job, 120.0)).unwrap() - (125.0 - 9.80665)).abs() < 1e-9);
    assert_eq!(said(&at(&job, 115.0)), None);
    job.rig.shaker.eccentric_moment_limit = Some(plan_schema::units::Quantity::new(0.019));
    assert_eq!(said(&at(&job, 1.0)), Some(0.0), "the weight alone is too much");
    job.rig.shaker.eccentric_moment_limit = None;
    assert_eq!(said(&at(&job, 120.0)), None, "none is stated, and none is judged");
    job.sensors[0].mounted.position = None;
    assert_eq!(eccentric_moment(&job, Accel::new(1.0)), None);
}
