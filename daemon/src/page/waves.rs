//! Waveforms as SVG: of many samples the smallest and largest of each column of the picture, so that nothing is hidden.

use super::text::digits;
use maud::{Markup, PreEscaped, html};
use std::fmt::Write;

/// Columns of the picture.
const COLUMNS: usize = 600;
const WIDTH: f64 = 640.0;
const HEIGHT: f64 = 150.0;
/// Where the picture begins, right of its labels.
const LEFT: f64 = 84.0;
const TOP: f64 = 8.0;
const BOTTOM: f64 = 26.0;

/// Draws samples, V, over time. None where there is nothing to draw.
pub(super) fn drawn(samples: &[f64], rate_hz: f64, label: &str) -> Option<Markup> {
    let (low, high) = samples
        .iter()
        .filter(|v| v.is_finite())
        .fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), v| (l.min(*v), h.max(*v)));
    if !(low.is_finite() && high.is_finite() && rate_hz > 0.0) {
        return None;
    }
    let air = ((high - low) * 0.08).max(high.abs().max(low.abs()) * 1e-6).max(1e-12);
    let (low, high) = (low - air, high + air);
    let y = |v: f64| TOP + (high - v) / (high - low) * (HEIGHT - TOP - BOTTOM);
    #[expect(clippy::cast_precision_loss, reason = "a number of samples")]
    let lasts = samples.len() as f64 / rate_hz;
    let x = |t: f64| LEFT + t / lasts * (WIDTH - LEFT - 8.0);
    let ticks = ticks(low, high, 4);
    let times = ticks_of_time(lasts);
    Some(html! {
        div class="wave scroll" tabindex="0" role="region" aria-label=(label) {
            svg viewBox={ "0 0 " (WIDTH) " " (HEIGHT) } role="img" aria-label=(label) {
                @for v in &ticks {
                    line class="grid" x1=(LEFT) x2=(WIDTH - 8.0) y1=(short(y(*v))) y2=(short(y(*v))) {}
                    text x=(LEFT - 6.0) y=(short(y(*v) + 4.0)) text-anchor="end" { (volts(*v, &ticks)) }
                }
                @for t in &times {
                    line class="grid" x1=(short(x(*t))) x2=(short(x(*t))) y1=(TOP) y2=(HEIGHT - BOTTOM) {}
                    text x=(short(x(*t))) y=(HEIGHT - BOTTOM + 15.0) text-anchor="middle" { (seconds(*t)) }
                }
                (PreEscaped(format!("<path class=\"trace\" d=\"{}\"/>", path(samples, &x, &y, rate_hz))))
            }
        }
    })
}

/// A line through all samples, or through the extremes of each column where there are more.
fn path(samples: &[f64], x: &dyn Fn(f64) -> f64, y: &dyn Fn(f64) -> f64, rate_hz: f64) -> String {
    let step = samples.len().div_ceil(COLUMNS).max(1);
    let mut d = String::new();
    for (n, column) in samples.chunks(step).enumerate() {
        #[expect(clippy::cast_precision_loss, reason = "an index of samples")]
        let at = x((n * step) as f64 / rate_hz);
        let (low, high) =
            column.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), v| (l.min(*v), h.max(*v)));
        let command = if n == 0 { 'M' } else { 'L' };
        // Writing to a String can't fail.
        let _ = write!(d, "{command}{} {}", short(at), short(y(low)));
        if high > low {
            let _ = write!(d, "V{}", short(y(high)));
        }
    }
    d
}

fn short(value: f64) -> String {
    format!("{value:.2}")
}

/// Round values within a range, about so many, two at least: one alone says no scale.
fn ticks(low: f64, high: f64, about: u32) -> Vec<f64> {
    let found = round_values(low, high, about);
    if found.len() < 2 && about < 32 { ticks(low, high, about * 2) } else { found }
}

fn round_values(low: f64, high: f64, about: u32) -> Vec<f64> {
    let raw = (high - low) / f64::from(about);
    let power = 10_f64.powf(raw.log10().floor());
    let step = [1.0, 2.0, 5.0, 10.0].map(|s| s * power).into_iter().find(|s| *s >= raw).unwrap_or(raw);
    let first = (low / step).ceil();
    (0..20).map(|n| (first + f64::from(n)) * step).take_while(|v| *v <= high).collect()
}

fn ticks_of_time(lasts: f64) -> Vec<f64> {
    ticks(0.0, lasts * 0.97, 6)
}

/// A voltage with the decimals that its neighbours need.
fn volts(value: f64, ticks: &[f64]) -> String {
    let step = match ticks {
        [a, b, ..] => (b - a).abs(),
        _ => value.abs(),
    };
    let (scale, unit) = match step {
        s if s >= 0.1 => (1.0, "V"),
        s if s >= 1e-4 => (1e3, "mV"),
        _ => (1e6, "µV"),
    };
    let value = if value.abs() < step * 1e-6 { 0.0 } else { value };
    let needed = -(step * scale).log10().floor();
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a few decimals")]
    let decimals = needed.clamp(0.0, 6.0) as usize;
    format!("{} {unit}", super::text::decimals(value * scale, decimals))
}

fn seconds(t: f64) -> String {
    if t.abs() < 1e-12 { "0".to_owned() } else { format!("{} s", trimmed(&digits(t, 4))) }
}

fn trimmed(text: &str) -> &str {
    if text.contains('.') { text.trim_end_matches('0').trim_end_matches('.') } else { text }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn extremes_of_many_samples_are_not_lost() {
        let mut samples = vec![0.0; 100_000];
        samples[55_555] = 1.0;
        let drawn = drawn(&samples, 1000.0, "a spike").unwrap().into_string();
        // The top of the picture less the air that is left above.
        assert!(drawn.contains("V16."), "the spike is drawn");
        assert!(drawn.len() < 40_000, "{} bytes", drawn.len());
    }

    #[test]
    fn a_range_has_two_ticks_at_least() {
        assert!(ticks(-3.9e-4, 4.1e-4, 4).len() >= 2);
        assert!(ticks(0.62, 0.99, 1).len() >= 2);
    }

    #[test]
    fn ticks_are_round_and_within() {
        let ticks = ticks(-0.23, 0.31, 4);
        let expected = [-0.2, 0.0, 0.2];
        assert!(ticks.len() == 3 && std::iter::zip(&ticks, expected).all(|(a, b)| (a - b).abs() < 1e-12));
        assert_eq!(volts(0.2, &[0.0, 0.2]), "0.2 V");
        assert_eq!(volts(-0.002, &[0.0, 0.002]), "−2 mV");
    }

    #[test]
    fn nothing_is_no_picture() {
        assert!(drawn(&[], 1.0, "").is_none() && drawn(&[f64::NAN], 1.0, "").is_none());
    }
}
