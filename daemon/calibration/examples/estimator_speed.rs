//! How long the estimator takes from raw samples to ratios: four channels of a million samples, 14 terms (offset, drift
//! and six harmonics), the frequency measured.
//!
//! `estimator_speed [--seconds S] [--samples N] [--write PATH]` fits the same record again and again for S seconds and
//! prints one line of JSON. PATH gets the record: one channel after the other, f32, little-endian.

use calibration::estimate::{Complex, DwellOptions, FrequencyBasis, dwell};
use plan_schema::units::{Hertz, SamplesPerSecond};
use std::error::Error;
use std::f64::consts::TAU;
use std::hint::black_box;
use std::io::Write as _;
use std::time::{Duration, Instant};

const RATE: f64 = 100_000.0;
/// What the source is set to, and what it gives.
const START: f64 = 159.2;
const FREQUENCY: f64 = 159.2 * (1.0 + 2e-7);
const CHANNELS: u32 = 4;
const HARMONICS: u32 = 6;

fn main() -> Result<(), Box<dyn Error>> {
    let mut arguments = std::env::args().skip(1);
    let (mut seconds, mut samples, mut path) = (3.0, 1_000_000_u32, None);
    while let Some(name) = arguments.next() {
        let value = arguments.next().ok_or_else(|| format!("{name} needs a value"))?;
        match name.as_str() {
            "--seconds" => seconds = value.parse()?,
            "--samples" => samples = value.parse()?,
            "--write" => path = Some(value),
            _ => return Err(format!("{name} is not known").into()),
        }
    }
    let record: Vec<Vec<f32>> = (0..CHANNELS).map(|channel| generate(channel, samples)).collect();
    if let Some(path) = path {
        let mut file = std::io::BufWriter::new(std::fs::File::create(path)?);
        for value in record.iter().flatten() {
            file.write_all(&value.to_le_bytes())?;
        }
        file.flush()?;
    }
    let channels: Vec<&[f32]> = record.iter().map(Vec::as_slice).collect();
    measure(&channels, seconds)
}

/// A bias of some volts, a sine with harmonics, and noise of a linear congruential generator.
#[expect(clippy::cast_possible_truncation, reason = "samples are f32")]
fn generate(channel: u32, samples: u32) -> Vec<f32> {
    let mut state = u64::from(channel) + 1;
    let own = f64::from(channel);
    (0..samples)
        .map(|n| {
            state = (1_664_525 * state + 1_013_904_223) % (1 << 32);
            let noise = f64::from(u32::try_from(state).unwrap_or_default()) / 4_294_967_296.0 - 0.5;
            let turns = (FREQUENCY / RATE * f64::from(n)).fract();
            let tones: f64 = (1..=HARMONICS)
                .map(|h| {
                    (0.01 / f64::from(h)).powi(i32::from(h > 1))
                        * (TAU * f64::from(h) * turns + own + f64::from(h)).cos()
                })
                .sum();
            (2.5 * own + 1e-8 * f64::from(n) + (1.0 + own) * tones / 2.0 + 1e-3 * noise) as f32
        })
        .collect()
}

#[expect(
    clippy::disallowed_methods,
    clippy::print_stdout,
    reason = "this program takes the time, and prints it"
)]
fn measure(channels: &[&[f32]], seconds: f64) -> Result<(), Box<dyn Error>> {
    let options = DwellOptions { harmonics: HARMONICS, ..DwellOptions::default() };
    let rate = SamplesPerSecond::new(RATE);
    let begin = Instant::now();
    let mut times = Vec::new();
    let mut last = None;
    while times.len() < 5 || begin.elapsed() < Duration::from_secs_f64(seconds) {
        let start = Instant::now();
        let found = dwell(black_box(channels), rate, 0, Hertz::new(START), &options)?;
        times.push(start.elapsed().as_secs_f64());
        last = Some(found);
    }
    times.sort_by(f64::total_cmp);
    let found = last.ok_or("nothing was fitted")?;
    let FrequencyBasis::Measured { .. } = found.frequency_basis else {
        return Err("the frequency was not measured".into());
    };
    let ratios: Vec<String> = found
        .ratios
        .iter()
        .map(|r| {
            let Complex { re, im } = r.ratio;
            format!("[{re:?},{im:?}]")
        })
        .collect();
    println!(
        "{{\"samples\":{},\"channels\":{CHANNELS},\"terms\":{},\"rate_hz\":{RATE:?},\"frequency_hz\":{:?},\"harmonics\":{HARMONICS},\
         \"passes\":{},\"runs\":{},\"best_s\":{:?},\"median_s\":{:?},\"ratios\":[{}]}}",
        channels.first().map_or(0, |samples| samples.len()),
        2 + 2 * HARMONICS,
        found.frequency.si(),
        found.passes,
        times.len(),
        times.first().copied().unwrap_or_default(),
        times.get(times.len() / 2).copied().unwrap_or_default(),
        ratios.join(",")
    );
    Ok(())
}
