//! The draws over many seeds against the mean, deviation and limits of their distributions.

use super::*;
use plan_schema::units::{Kelvins, Radians, VoltsDc};

/// A figure of what a laboratory can't know.
type Figure<'a> = &'a dyn Fn(&Unknowns) -> f64;

const SEEDS: u64 = 2000;

fn unknowns(seed: u64) -> Unknowns {
    Unknowns {
        seed,
        errors: RigErrors {
            channel_ratio: Fraction::new(0.01),
            channel_phase: Radians::new(0.02),
            transverse_motion: Fraction::new(0.1),
            mounting: Fraction::new(0.003),
            temperature: Kelvins::new(2.0),
            relative_motion: Fraction::ZERO,
            environment: Fraction::ZERO,
            source_offset: VoltsDc::ZERO,
        },
        channels: Vec::new(),
        spread: Spread {
            sensitivity: Fraction::new(0.04),
            shaker: Fraction::ZERO,
            amplifier_gain: Fraction::new(0.03),
            moving_mass: Fraction::new(0.01),
            stiffness: Fraction::new(0.05),
            force_factor: Fraction::new(0.02),
            coil_resistance: Fraction::new(0.025),
            ..Spread::default()
        },
    }
}

/// Mean, standard deviation and largest size of what `of` draws.
fn moments(of: impl Fn(&Unknowns) -> f64) -> (f64, f64, f64) {
    let drawn: Vec<f64> = (0..SEEDS).map(|seed| of(&unknowns(seed))).collect();
    let count = SEEDS as f64;
    let mean = drawn.iter().sum::<f64>() / count;
    let variance = drawn.iter().map(|x| (x - mean).powi(2)).sum::<f64>() / (count - 1.0);
    let largest = drawn.iter().fold(0.0f64, |m, x| m.max(x.abs()));
    (mean, variance.sqrt(), largest)
}

/// A standard deviation from n draws of a rectangular distribution is known to √(1/5n), of a normal one to √(1/2n), a mean
/// to 1/√n: four of these.
#[test]
fn rectangular_draws_fill_their_width() {
    let cases: [(&str, Figure<'_>, f64); 9] = [
        ("gain of the amplifier", &|u| u.amplifier_gain() - 1.0, 0.03),
        ("moving mass", &|u| u.moving_mass() - 1.0, 0.01),
        ("stiffness", &|u| u.stiffness() - 1.0, 0.05),
        ("force factor", &|u| u.force_factor() - 1.0, 0.02),
        ("coil resistance", &|u| u.coil_resistance() - 1.0, 0.025),
        ("mounting", &|u| u.mounting("S"), 0.003),
        ("surface", &|u| u.surface(), 2.0),
        ("transverse", &|u| u.transverse_motion(), 0.1),
        ("sensitivity", &|u| u.sensitivity("S"), 0.04),
    ];
    let root = (SEEDS as f64).sqrt();
    for (name, of, half) in cases {
        let (mean, deviation, largest) = moments(of);
        let expected = half / 3f64.sqrt();
        assert!(mean.abs() < 4.0 * expected / root, "{name}: mean {mean}");
        assert!(
            (deviation / expected - 1.0).abs() < 4.0 * 0.2f64.sqrt() / root,
            "{name}: {deviation} {expected}"
        );
        assert!(largest <= half && largest > 0.99 * half, "{name}: {largest}");
    }
}

#[test]
fn normal_draws_have_their_deviation() {
    let cases: [(&str, Figure<'_>, f64); 3] = [
        ("gain", &|u| u.channel_gain("c"), 0.01 / 2.0),
        ("delay", &|u| u.channel_delay("c"), 0.02 / 2.0 / (TAU * 100.0)),
        ("hum", &|u| u.hum_phase("c", 3) * 12f64.sqrt(), SQRT_2),
    ];
    let root = (SEEDS as f64).sqrt();
    for (name, of, pair) in cases {
        // The file states the difference of two.
        let expected = pair / SQRT_2;
        let (mean, deviation, largest) = moments(of);
        assert!(mean.abs() < 4.0 * expected / root, "{name}: mean {mean}");
        assert!(
            (deviation / expected - 1.0).abs() < 4.0 * 0.5f64.sqrt() / root,
            "{name}: {deviation} {expected}"
        );
        assert!(largest < 5.0 * expected, "{name}: {largest}");
    }
}

/// Without a spread of their own, the shaker's parameters are to the bit what the common spread alone makes of them.
#[test]
fn spreads_of_zero_change_nothing() {
    for seed in 0..50 {
        let spread = Spread { shaker: Fraction::new(0.03), ..Spread::default() };
        let drawn = Unknowns { spread, ..unknowns(seed) };
        for (name, got) in [
            ("shaker mass", drawn.moving_mass()),
            ("shaker stiffness", drawn.stiffness()),
            ("shaker force factor", drawn.force_factor()),
            ("shaker resistance", drawn.coil_resistance()),
        ] {
            let common = 1.0 + 0.03 * random::uniform(seed, name);
            assert_eq!(got.to_bits(), common.to_bits(), "{name}");
        }
        assert_eq!(drawn.amplifier_gain().to_bits(), 1.0_f64.to_bits());
    }
}

/// Cross-axis times transverse motion has the budget's divisor √18 (3 · √2 of the two half-widths).
#[test]
fn the_transverse_error_is_the_budgets() {
    let (mean, deviation, largest) = moments(|u| u.cross_axis("S", 0.05) * u.transverse_motion());
    let expected = 0.05 * 0.1 / 18f64.sqrt();
    assert!(mean.abs() < 4.0 * expected / (SEEDS as f64).sqrt(), "{mean}");
    // The fourth moment of the product, (1/5)² · 3/8 over (1/18)², gives the deviation an error of √((4.86 − 1)/4n).
    assert!(
        (deviation / expected - 1.0).abs() < 4.0 * (3.86 / 4.0 / SEEDS as f64).sqrt(),
        "{deviation} {expected}"
    );
    assert!(largest < 0.005);
}

/// Whatever belongs to one sensor or channel is drawn by itself.
#[test]
fn draws_are_independent_of_each_other() {
    let pairs: [(&str, Figure<'_>, Figure<'_>); 6] = [
        ("mass and stiffness", &|u| u.moving_mass() - 1.0, &|u| u.stiffness() - 1.0),
        ("gain and force factor", &|u| u.amplifier_gain() - 1.0, &|u| u.force_factor() - 1.0),
        ("gains", &|u| u.channel_gain("a"), &|u| u.channel_gain("b")),
        ("gain and delay", &|u| u.channel_gain("a"), &|u| u.channel_delay("a")),
        ("mountings", &|u| u.mounting("a"), &|u| u.mounting("b")),
        ("sensitivity and mounting", &|u| u.sensitivity("a"), &|u| u.mounting("a")),
    ];
    for (name, one, other) in pairs {
        let product = |u: &Unknowns| one(u) * other(u);
        let (mean, _, _) = moments(product);
        let scale = moments(one).1 * moments(other).1;
        assert!((mean / scale).abs() < 4.0 / (SEEDS as f64).sqrt(), "{name}: correlation {}", mean / scale);
    }
}

/// Julian day numbers: 1970-01-01 is 2440588, 2000-01-01 is 2451545, 2000-03-01 is 2451605 (from memory).
#[test]
fn days_are_counted_by_the_calendar() {
    let number = |text: &str| day_number(text.parse().unwrap());
    let apart = |a: &str, b: &str| number(b) - number(a);
    assert!((apart("1970-01-01", "2000-01-01") - 10_957.0).abs() < 0.5);
    assert!((apart("2000-01-01", "2000-03-01") - 60.0).abs() < 0.5);
    assert!((apart("1999-01-01", "1999-03-01") - 59.0).abs() < 0.5);
    assert!((apart("1999-12-31", "2000-01-01") - 1.0).abs() < 0.5);
    assert!((age_years("1998-12-31".parse().unwrap()) - 366.0 / 365.25).abs() < 1e-12);
    assert!((age_years("2026-01-15".parse().unwrap()) - 1.0).abs() < 1e-12);
}
