//! The approach by itself, and against a shaker of one lag whose reference is noisy.

#![expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "numbers that the tests chose")]

use super::*;
use crate::estimate::Running;
use plan_schema::units::SamplesPerSecond;
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};
use std::f64::consts::TAU;

fn goal() -> Goal {
    Goal {
        target: Accel::new(5.0),
        frequency: Hertz::new(10.0),
        band: 0.01,
        dwell: Seconds::new(1.0),
        overshoot: 0.1,
        ceiling: Volts::new(1.5),
        exponent: 1.0,
    }
}

fn approach(deviation: f64) -> Approach {
    Approach::new(goal(), (Volts::new(1.0), deviation))
}

/// An amplitude that stands still without noise, in the first window.
fn still(amplitude: f64) -> Seen {
    Seen {
        amplitude: Accel::new(amplitude),
        deviation: Accel::ZERO,
        trend: 0.0,
        trend_deviation: 0.0,
        window: window(goal().frequency),
    }
}

fn longest(seen: Seen) -> Seen {
    Seen { window: seen.window * LONGEST, ..seen }
}

/// A forecast that is sure is taken at its word, one that is not stays below; three deviations never pass the overshoot.
#[test]
fn the_first_move_is_as_bold_as_the_forecast_is_sure() {
    assert_eq!(approach(0.01).drive(), Volts::new(1.0));
    assert!((approach(0.2).drive().si() - 1.0 / 1.6).abs() < 1e-12);
    for overshoot in [0.03, 0.1] {
        for n in 0..1000 {
            let deviation = f64::from(n) * 1e-3;
            let high = first_share(deviation, overshoot) * (1.0 + 3.0 * deviation);
            assert!(high <= 1.0 + overshoot / 1.5 + 1e-12, "{deviation}: {high}");
        }
    }
    let low = Goal { ceiling: Volts::new(0.4), ..goal() };
    assert_eq!(Approach::new(low, (Volts::new(1.0), 0.0)).drive(), Volts::new(0.4));
    // On a plant that hardens a share of the amplitude takes a larger share of the drive.
    let hard = Goal { exponent: 0.8, ..goal() };
    let drive = Approach::new(hard, (Volts::new(1.0), 0.2)).drive().si();
    assert!((drive.powf(0.8) - 1.0 / 1.6).abs() < 1e-12);
}

#[test]
fn one_correction_brings_it_there() {
    let point = approach(0.01);
    let Progress::Drive { drive, small } = point.observe(&still(5.2)) else { panic!() };
    assert!((drive.si() - 5.0 / 5.2).abs() < 1e-12 && small);
    let Progress::Drive { drive, small } = point.observe(&still(4.0)) else { panic!() };
    assert!((drive.si() - 1.25).abs() < 1e-12 && !small);
    let settled = Settled { amplitude: Accel::new(5.02), error: 0.004 };
    let Progress::Settled(found) = point.observe(&still(5.02)) else { panic!() };
    assert!(found.amplitude == settled.amplitude && (found.error - settled.error).abs() < 1e-12);
    let hard = Approach::new(Goal { exponent: 0.8, ..goal() }, (Volts::new(1.0), 0.0));
    let Progress::Drive { drive, .. } = hard.observe(&still(4.5)) else { panic!() };
    assert!((4.5 * drive.si().powf(0.8) - 5.0).abs() < 1e-12);
}

#[test]
fn the_ceiling_is_said_and_never_passed() {
    let mut point = approach(0.01);
    let Progress::Drive { drive, .. } = point.observe(&still(1.0)) else { panic!() };
    assert_eq!(drive, Volts::new(1.5));
    point.applied(drive);
    assert!(matches!(point.observe(&still(1.5)), Progress::AtCeiling(s) if s.error < -0.6));
    // Too much at the ceiling is no reason to stay there.
    assert!(matches!(point.observe(&still(7.5)), Progress::Drive { drive, .. } if drive < Volts::new(1.5)));
    // Nothing to be seen at all: up, but not without bound.
    let silent = Approach::new(Goal { ceiling: Volts::new(100.0), ..goal() }, (Volts::new(1.0), 0.0));
    assert!(matches!(silent.observe(&still(0.0)), Progress::Drive { drive, .. } if drive == Volts::new(5.0)));
}

/// Noise: what may be inside or outside is looked at longer, and at the longest window decided.
#[test]
fn noise_is_looked_at_longer() {
    let noisy = |a: f64, s: f64| Seen { deviation: Accel::new(s), ..still(a) };
    let point = approach(0.01);
    assert_eq!(point.observe(&noisy(5.03, 0.02)), Progress::Look);
    assert!(matches!(point.observe(&longest(noisy(5.03, 0.014))), Progress::Drive { small: true, .. }));
    assert_eq!(point.observe(&longest(noisy(5.01, 0.03))), Progress::Anew);
    assert!(matches!(point.observe(&noisy(5.01, 0.01)), Progress::Settled(_)));
}

/// Something that creeps is not settled, however near it is; something that is still coming is waited for.
#[test]
fn a_trend_keeps_it_from_settling() {
    let creeping = |trend: f64, s: f64| Seen { trend, trend_deviation: s, ..still(5.0) };
    let point = approach(0.01);
    assert_eq!(point.observe(&creeping(0.005, 0.0005)), Progress::Look);
    assert_eq!(point.observe(&longest(creeping(0.005, 0.0005))), Progress::Anew);
    assert_eq!(point.observe(&longest(creeping(-0.005, 0.0005))), Progress::Anew);
    // What a window can't resolve is left to the dwell.
    assert!(matches!(point.observe(&creeping(0.0045, 0.001)), Progress::Settled(_)));
    assert!(matches!(point.observe(&creeping(0.001, 0.004)), Progress::Settled(_)));
    assert!(matches!(point.observe(&creeping(0.002, 0.001)), Progress::Settled(_)));
    let coming = Seen { trend: 0.1, ..still(4.9) };
    assert_eq!(point.observe(&coming), Progress::Anew);
    assert!(matches!(point.observe(&Seen { trend: -0.1, ..coming }), Progress::Drive { .. }));
    assert!(matches!(point.observe(&Seen { trend: 0.1, ..still(5.2) }), Progress::Drive { .. }));
}

const RATE: f64 = 2000.0;

/// A shaker whose amplitude follows its drive with one lag, seen by a noisy reference, V = m/s².
struct Bench {
    frequency: f64,
    gain: f64,
    lag: f64,
    noise: f64,
    rng: ChaCha8Rng,
    amplitude: f64,
    now: u64,
}

impl Bench {
    fn sample(&mut self, drive: f64) -> f32 {
        self.amplitude += (self.gain * drive - self.amplitude) / (self.lag * RATE);
        let phase = TAU * self.frequency * self.now as f64 / RATE;
        self.now += 1;
        let noise: f64 = StandardNormal.sample(&mut self.rng);
        (self.amplitude * phase.cos() + self.noise * noise) as f32
    }

    /// From the first move to settled: cycles that it took, and the true error.
    fn settle(&mut self, goal: Goal, deviation: f64) -> (f64, f64) {
        let mut point = Approach::new(goal, (Volts::new(goal.target.si()), deviation));
        let first = (window(goal.frequency).si() * RATE).ceil() as usize;
        for _ in 0..20 {
            // The way there and the armature's following, before the window begins.
            for _ in 0..(7.0 * self.lag * RATE) as usize {
                self.sample(point.drive().si());
            }
            let mut halves: Vec<f32> = (0..first).map(|_| self.sample(point.drive().si())).collect();
            loop {
                match point.observe(&self.seen(&halves)) {
                    Progress::Look => {
                        let more = halves.len() + first / 4;
                        halves.resize_with(more, || self.sample(point.drive().si()));
                    }
                    Progress::Anew => {
                        halves = (0..first).map(|_| self.sample(point.drive().si())).collect();
                    }
                    Progress::Drive { drive, .. } => {
                        point.applied(drive);
                        break;
                    }
                    Progress::Settled(_) => {
                        let cycles = self.now as f64 / RATE * self.frequency;
                        return (cycles, self.amplitude / goal.target.si() - 1.0);
                    }
                    Progress::AtCeiling(_) => panic!("no ceiling here"),
                }
                if self.now as f64 > 600.0 * RATE {
                    return (f64::INFINITY, self.amplitude / goal.target.si() - 1.0);
                }
            }
        }
        (f64::INFINITY, self.amplitude / goal.target.si() - 1.0)
    }

    /// Amplitude over everything, trend from the two halves where each holds a cycle, else from the noise alone.
    fn seen(&self, samples: &[f32]) -> Seen {
        let mut fit = Running::new(Hertz::new(self.frequency), SamplesPerSecond::new(RATE), 3).unwrap();
        fit.push(samples);
        let found = fit.estimate().unwrap();
        Seen {
            amplitude: Accel::new(found.amplitude.norm()),
            deviation: Accel::new(found.deviation),
            trend: found.trend_per_s,
            trend_deviation: found.trend_deviation,
            window: Seconds::new(samples.len() as f64 / RATE),
        }
    }
}

/// Golden table: cycles until settled and the error left, by frequency and noise; the median and the worst of 21 runs. The
/// plant answers 8 % more or less than foreseen, so that most runs need their one correction.
#[test]
fn golden_settle_cycles_by_frequency_and_noise() {
    let mut table = String::from(
        "frequency  SNR    settled after, cycles (s)            error left\n\
         .                 median           worst               median   worst\n",
    );
    for frequency in [0.5, 1.0, 2.0, 5.0, 10.0, 50.0] {
        for snr_db in [20.0, 40.0, 60.0, 80.0] {
            let target = 1.0;
            let goal = Goal {
                target: Accel::new(target),
                frequency: Hertz::new(frequency),
                dwell: Seconds::new((10.0 / frequency).max(1.0)),
                ceiling: Volts::new(3.0),
                ..goal()
            };
            let mut runs: Vec<(f64, f64)> = (0..21_u32)
                .map(|seed| {
                    let mut bench = Bench {
                        frequency,
                        gain: 1.0 + 0.08 * (f64::from(seed) / 10.0 - 1.0),
                        lag: 0.011,
                        // Signal to noise of powers: the signal's rms is its peak over √2.
                        noise: target / 2_f64.sqrt() * 10_f64.powf(-snr_db / 20.0),
                        rng: ChaCha8Rng::seed_from_u64(seed.into()),
                        amplitude: 0.0,
                        now: 0,
                    };
                    bench.settle(goal, 0.02)
                })
                .collect();
            runs.sort_by(|a, b| a.0.total_cmp(&b.0));
            let mut errors: Vec<f64> = runs.iter().map(|r| 100.0 * r.1.abs()).collect();
            errors.sort_by(f64::total_cmp);
            let (median, worst) = (runs[10].0, runs[20].0);
            table += &format!(
                "{frequency:5} Hz  {snr_db:3} dB  {median:6.1} ({:5.2} s)  {worst:6.1} ({:5.2} s)   {:5.2} %  {:5.2} %\n",
                median / frequency,
                worst / frequency,
                errors[10],
                errors[20],
            );
            // Two deviations are counted against the band, so 1 % is passed by chance alone by one run in some forty.
            if worst.is_finite() {
                assert!(errors[20] < 1.3, "{frequency} Hz, {snr_db} dB: {}", errors[20]);
            }
        }
    }
    insta::assert_snapshot!(table);
}
