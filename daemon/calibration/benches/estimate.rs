//! Cost of one dwell from raw samples to ratios: four channels of a million samples, 14 terms (offset, drift and six
//! harmonics), the frequency measured; and of the running amplitude for one block.

use calibration::estimate::{DwellOptions, Running, dwell};
use criterion::{Criterion, Throughput, criterion_group, criterion_main};
use plan_schema::units::{Hertz, SamplesPerSecond};
use std::f64::consts::TAU;
use std::hint::black_box;

const RATE: f64 = 100_000.0;

#[expect(clippy::cast_possible_truncation, reason = "samples are f32")]
fn channel(frequency: f64, phase: f64, count: u32) -> Vec<f32> {
    (0..count)
        .map(|n| {
            let angle = TAU * frequency * f64::from(n) / RATE;
            ((angle + phase).cos() + 0.01 * (3.0 * angle).sin() + 0.02) as f32
        })
        .collect()
}

fn whole_dwell(criterion: &mut Criterion) {
    let channels: Vec<Vec<f32>> = (0..4_i32).map(|c| channel(159.2, f64::from(c), 1_000_000)).collect();
    let channels: Vec<&[f32]> = channels.iter().map(Vec::as_slice).collect();
    let options = DwellOptions { harmonics: 6, ..DwellOptions::default() };
    let mut group = criterion.benchmark_group("estimate");
    group.sample_size(10).throughput(Throughput::Elements(4_000_000));
    group.bench_function("dwell", |b| {
        b.iter(|| dwell(black_box(&channels), SamplesPerSecond::new(RATE), 0, Hertz::new(159.2), &options));
    });
    group.finish();
}

fn running_amplitude(criterion: &mut Criterion) {
    let Ok(window) = Running::new(Hertz::new(159.2), SamplesPerSecond::new(RATE), 3) else {
        return;
    };
    let block = channel(159.2, 0.3, 10_000);
    let mut group = criterion.benchmark_group("running");
    group.throughput(Throughput::Elements(10_000));
    group.bench_function("push", |b| {
        b.iter(|| {
            let mut window = window.clone();
            window.push(black_box(&block));
            window.estimate()
        });
    });
    group.finish();
}

criterion_group!(benches, whole_dwell, running_amplitude);
criterion_main!(benches);
