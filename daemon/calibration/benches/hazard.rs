//! Cost of the hazards of 200 points on each invented rig, spread by the logarithm of frequency from 0.5 Hz to 2 kHz (400 Hz
//! for the long stroke): at a tenth of the rated stroke, all admitted by a limiter; and at all of it, refused, with the
//! largest amplitude sought. No more than 2 g.

use calibration::control::Plant;
use calibration::hazard::hazards;
use criterion::{Criterion, criterion_group, criterion_main};
use plan_schema::read::Document;
use plan_schema::resolve::{JobFiles, ResolvedJob};
use plan_schema::units::{Accel, Hertz, STANDARD_GRAVITY};
use std::hint::black_box;

fn job(job: &str, rig: &str, limiter: bool) -> Option<ResolvedJob> {
    let root = concat!(env!("CARGO_MANIFEST_DIR"), "/../../examples/");
    let read = |path: String| std::fs::read_to_string(format!("{root}{path}")).ok();
    let mut text = read(format!("rigs/{rig}"))?;
    if limiter {
        text = text.replace("[roles]\n", "[limiter]\nname = \"foam\"\nkind = \"mechanical\"\n[roles]\n");
    }
    let files = JobFiles {
        job: Document::read("job", &read(job.to_owned())?).ok()?,
        plan: Document::read("plan", &read(format!("plans/{job}"))?).ok()?,
        rig: Document::read("rig", &text).ok()?,
        sensors: Document::read("sensors", &read("registers/sensors.toml".to_owned())?).ok()?,
        references: Document::read("references", &read("registers/references.toml".to_owned())?).ok()?,
    };
    ResolvedJob::resolve(&files).ok().map(|(job, _)| job)
}

fn points(criterion: &mut Criterion) {
    let mut group = criterion.benchmark_group("hazards of 200 points");
    group.sample_size(10);
    for (name, rig) in [
        ("low-frequency.toml", "long-stroke.toml"),
        ("portable.toml", "portable.toml"),
        ("mid-size.toml", "mid-size.toml"),
        ("mid-size.toml", "mid-size-opens.toml"),
        ("portable-current.toml", "portable-current.toml"),
    ] {
        let top = if rig.starts_with("long") { 400.0 } else { 2000.0f64 };
        for (case, limiter, share) in [("small, limiter", true, 0.1), ("full, refused", false, 1.0)] {
            let Some(job) = job(name, rig, limiter) else { continue };
            let plant = Plant::of(&job);
            group.bench_function(format!("{rig}: {case}"), |b| {
                b.iter(|| {
                    for n in 0..200u32 {
                        let frequency = Hertz::new(0.5 * (2.0 * top).powf(f64::from(n) / 199.0));
                        let stroke = job.rig.shaker.rated_stroke.acceleration_at(frequency) * share;
                        let target = stroke.min(Accel::new(2.0 * STANDARD_GRAVITY));
                        black_box(hazards(&job, &plant, frequency, target));
                    }
                });
            });
        }
    }
    group.finish();
}

criterion_group!(benches, points);
criterion_main!(benches);
