//! Claims about the sound interface, on a null sink in place of a card: they prove the code only. No converter takes part, no
//! analogue circuit and no clock of a card.

mod conform;

use crate::figure::Figure;
use crate::host::{Wire, signal};
use crate::sound::{FRAMES, FULL_SCALE, NullSink, RATE, RIGHT, lacking, path_of_host, sampling};
use anyhow::{Context, Result, ensure};
use drivers::Block;
use drivers::protocol::{BLOCK, read_block};
use rustix::process::Signal;
use serde_json::{Value, json};
use std::f64::consts::{PI, TAU};

/// Blocks of a record: a second, in which every tone has whole cycles.
const RECORD: usize = 10;
/// Blocks that a tone is waited for, and records that may be spoilt by a gap.
const WAIT: usize = 100;
const TRIES: usize = 20;
/// Drive of the tones.
const VOLTS: f64 = 1.5;
/// How the output of [`crate::sound::settings`] weakens a sine: share by frequency, straight over the logarithm.
const RESPONSE: [(f64, f64); 3] = [(5.0, 0.8), (100.0, 1.0), (15_000.0, 0.9)];

/// Ratio, phase and amplitude through the sink, and what the output does when its host ends.
///
/// # Errors
/// If the sink or the host fail. Where there can be no sink the figure says so.
pub fn figures(full: bool) -> Result<Vec<Figure>> {
    if let Some(why) = lacking()? {
        return Ok(vec![left_out(&why)]);
    }
    let (sink, program) = (NullSink::start()?, path_of_host()?);
    let formats = if full { &["float_le", "s32_le", "s24_3le"][..] } else { &["s24_3le"] };
    let tones = if full { &[5.0, 16.0, 40.0, 160.0, 997.0, 9973.0][..] } else { &[160.0] };
    let mut found = Found::default();
    for format in formats {
        let mut host = sampling(&sink, &program, format, 30.0)?;
        for (number, hz) in tones.iter().enumerate() {
            found.tone(&mut host, number as u64 + 1, *hz).with_context(|| format!("{format}, {hz} Hz"))?;
        }
        host.end_input();
        ensure!(host.ended()? == Some(0), "the host did not end in good order");
    }
    let sample = format!(
        "{} tones of {VOLTS} V in {}, a second each; {} samples were lost to the scheduler and said to be. {CODE_ONLY}",
        tones.len() * formats.len(),
        formats.join(", "),
        found.lost
    );
    let figure = |what: &str, value, unit| Figure {
        what: format!("sound interface through a null sink: {what}"),
        value,
        limit: 1e-6,
        unit,
        sample: sample.clone(),
        seeds: vec![],
    };
    let mut figures = vec![
        figure("ratio between channels, relative", found.ratio, ""),
        figure("phase between channels", found.phase, "rad"),
        figure("amplitude at the input for the drive asked for, relative", found.amplitude, ""),
        figure("phase from the first to the second half of a second", found.slip, "rad"),
    ];
    figures.extend(endings(&sink, &program)?);
    figures.push(conform::figure(&sink, &program)?);
    Ok(figures)
}

const CODE_ONLY: &str = "This proves the code only: no hardware took part";

fn left_out(why: &str) -> Figure {
    Figure {
        what: "left out: the sound interface through a null sink".to_owned(),
        value: f64::INFINITY,
        limit: f64::INFINITY,
        unit: "",
        sample: why.to_owned(),
        seeds: vec![],
    }
}

/// The largest deviations.
#[derive(Debug, Default)]
struct Found {
    ratio: f64,
    phase: f64,
    amplitude: f64,
    slip: f64,
    lost: u64,
}

impl Found {
    fn tone(&mut self, host: &mut Wire, generation: u64, hz: f64) -> Result<()> {
        let blocks = self.record(host, generation, hz)?;
        let column = |channel: usize, range: std::ops::Range<usize>| -> Vec<f32> {
            blocks[range].iter().flat_map(|b| b.channel(channel).to_vec()).collect()
        };
        // Input 0 is the card's right channel, input 1 its left one.
        let (right, left) = (phasor(&column(0, 0..RECORD), hz, 0), phasor(&column(1, 0..RECORD), hz, 0));
        let [output, full_left, full_right] = FULL_SCALE;
        let wanted = VOLTS / (output * share(hz)) * full_left;
        let keep = |kept: &mut f64, value: f64| *kept = kept.max(value.abs());
        keep(&mut self.ratio, right.0 / left.0 / (RIGHT * full_right / full_left) - 1.0);
        keep(&mut self.phase, turned(right.1 - left.1));
        keep(&mut self.amplitude, left.0 / wanted - 1.0);
        let half = RECORD / 2;
        let (first, second) =
            (fit(&column(1, 0..half), hz, 0), fit(&column(1, half..RECORD), hz, half * FRAMES));
        keep(&mut self.slip, turned(second.1 - first.1));
        Ok(())
    }

    /// A second of a tone without a gap.
    fn record(&mut self, host: &mut Wire, generation: u64, hz: f64) -> Result<Vec<Block>> {
        let [output, full_left, _] = FULL_SCALE;
        let wanted = VOLTS / (output * share(hz)) * full_left;
        for _ in 0..TRIES {
            set_tone(host, generation, hz, VOLTS)?;
            let mut blocks: Vec<Block> = Vec::new();
            for _ in 0..WAIT {
                let block = next_block(host, generation)?;
                if block.gap_before.0 > 0 {
                    self.lost += block.gap_before.0;
                    break;
                }
                // The tone is through where its power is what it will be; a block of 5 Hz is half a cycle, and holds a peak.
                let peak = block.channel(1).iter().fold(0.0_f64, |m, v| m.max(f64::from(v.abs())));
                let is_there = (peak / wanted - 1.0).abs() < 0.02 || !blocks.is_empty();
                if is_there {
                    ensure!(block.overload() == [false, false], "an overload at {VOLTS} V");
                    blocks.push(block);
                }
                // The first blocks may still hold the way there.
                if blocks.len() == RECORD + 2 {
                    return Ok(blocks.split_off(2));
                }
            }
        }
        anyhow::bail!("no second of {hz} Hz without a gap; this machine is too busy")
    }
}

fn set_tone(host: &mut Wire, generation: u64, hz: f64, volts: f64) -> Result<()> {
    let params = json!({ "permit": { "generation": generation, "ceiling_v_peak": volts }, "frequency_hz": hz,
        "amplitude_v_peak": volts, "over_s": 0.02 });
    host.call("source.set_tone", params).map(drop)
}

fn next_block(host: &mut Wire, generation: u64) -> Result<Block> {
    loop {
        let line: Value = host.line()?;
        if line["method"] == BLOCK {
            let block = read_block(line.to_string().as_bytes()).map_err(anyhow::Error::msg)?;
            host.beat(generation, Some(block.end().0))?;
            return Ok(block);
        }
        ensure!(line.get("error").is_none() && line["method"] != "acquisition.failed", "it says {line}");
    }
}

fn share(hz: f64) -> f64 {
    let over = |pair: &[(f64, f64)]| {
        let [(low, a), (high, b)] = [pair[0], pair[1]];
        (low <= hz && hz <= high).then(|| a + (b - a) * (hz / low).ln() / (high / low).ln())
    };
    RESPONSE.windows(2).find_map(over).unwrap_or(f64::NAN)
}

/// Amplitude and phase of a sine with whole cycles over the samples, of which the first has this number.
fn phasor(samples: &[f32], hz: f64, first: usize) -> (f64, f64) {
    let angle = |n: usize| TAU * (hz * (first + n) as f64 / RATE).fract();
    let of = |f: fn(f64) -> f64| -> f64 {
        samples.iter().enumerate().map(|(n, v)| f64::from(*v) * f(angle(n))).sum()
    };
    let (s, c) = (of(f64::sin), of(f64::cos));
    (2.0 * s.hypot(c) / samples.len() as f64, c.atan2(s))
}

/// The same by least squares, for cycles that are not whole: normal equations of sine and cosine (three parameters less the
/// offset, as in IEEE 1057; from memory).
fn fit(samples: &[f32], hz: f64, first: usize) -> (f64, f64) {
    let (mut ss, mut sc, mut cc, mut ys, mut yc) = (0.0, 0.0, 0.0, 0.0, 0.0);
    for (n, value) in samples.iter().enumerate() {
        let (s, c) = (TAU * (hz * (first + n) as f64 / RATE).fract()).sin_cos();
        let value = f64::from(*value);
        ss += s * s;
        sc += s * c;
        cc += c * c;
        ys += value * s;
        yc += value * c;
    }
    let determinant = ss * cc - sc * sc;
    let (a, b) = ((ys * cc - yc * sc) / determinant, (yc * ss - ys * sc) / determinant);
    (a.hypot(b), b.atan2(a))
}

fn turned(phase: f64) -> f64 {
    (phase + PI).rem_euclid(TAU) - PI
}

/// A way for a host to end.
type Ending = fn(&mut Wire) -> Result<()>;

const ENDINGS: [(&str, Ending); 3] = [
    ("end of the input", |host| {
        host.end_input();
        Ok(())
    }),
    ("no heartbeat", |_| Ok(())),
    ("SIGTERM", |host| signal(host.process(), Signal::TERM)),
];

/// What the output did, as the sound server recorded it, when the host's input ended, its heartbeats stopped, and a signal came.
fn endings(sink: &NullSink, program: &std::path::Path) -> Result<Vec<Figure>> {
    let (mut longest, mut jump): (f64, f64) = (0.0, 0.0);
    for (name, end) in ENDINGS {
        let mut found = None;
        for _ in 0..TRIES {
            let mut host = sampling(sink, program, "float_le", 3.0)?;
            Found::default().record(&mut host, 1, 997.0)?;
            let recorder = sink.record()?;
            next_block(&mut host, 1)?;
            end(&mut host)?;
            ensure!(host.ended()? == Some(0), "{name}: the host did not end in good order");
            let samples = recorder.samples(0.2)?;
            // Where the machine stumbled just then the server has filled up with silence: such a record shows another thing.
            if let Some(way) = way_down(&samples) {
                found = Some(way);
                break;
            }
        }
        let (ramp, step) = found.with_context(|| format!("{name}: no record of it without a gap"))?;
        (longest, jump) = (longest.max(ramp), jump.max(step));
    }
    let sample = format!("end of the input, no heartbeat, SIGTERM, at full drive of 997 Hz. {CODE_ONLY}");
    let figure = |what: &str, value, limit, unit| Figure {
        what: format!("a sound interface whose host ends: {what}"),
        value,
        limit,
        unit,
        sample: sample.clone(),
        seeds: vec![],
    };
    Ok(vec![
        figure("from full amplitude to 0 V", longest * 1e3, 20.0, "ms"),
        figure("largest step between samples on that way, of the sine's own", jump, 1.05, ""),
    ])
}

/// From a record that ends in silence: time from full amplitude to 0 V in s, and the largest step on that way against the
/// largest of the sine. `None` where the tone was interrupted before.
fn way_down(samples: &[f32]) -> Option<(f64, f64)> {
    let values: Vec<f64> = samples.iter().map(|v| f64::from(*v)).collect();
    let last = values.iter().rposition(|v| v.abs() > 0.0)?;
    let amplitude = values.iter().fold(0.0_f64, |m, v| m.max(v.abs()));
    let full = values.iter().rposition(|v| v.abs() > 0.99 * amplitude)?;
    let begin = values.iter().position(|v| v.abs() > 0.0)?;
    let cycle = 49;
    let tone = values.get(begin..=full)?;
    let interrupted = tone
        .chunks(cycle)
        .rev()
        .skip(1)
        .any(|c| c.len() == cycle && c.iter().all(|v| v.abs() < 0.5 * amplitude));
    // Some cycles before the way are needed to say what the sine was.
    if interrupted || tone.len() < 10 * cycle || last + cycle > values.len() {
        return None;
    }
    let own = amplitude * TAU * 997.0 / RATE;
    let step = values.get(full..=last + 1)?.windows(2).map(|p| (p[1] - p[0]).abs()).fold(0.0, f64::max);
    Some(((last + 1 - full) as f64 / RATE, step / own))
}
