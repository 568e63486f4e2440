//! How a loose sensor moves: with what the table does, and with what a joint that lifts and hits adds to it. Pure.
//!
//! Owns: [`Rattle`], the added motion of one sensor, from a random stream of its own.
//!
//! Of a motion of amplitude A and phase φ, the added motion is `s A [0.8 cos 2φ + 0.6 cos 3φ + (g cos φ + h sin φ) / 3]`:
//! a joint that lifts on one side makes even and odd harmonics, together as large as s; where it lands differs from cycle to
//! cycle, so that amplitude and phase wander by s/3 (standard deviations, with a time constant of 0.5 s) by the normal
//! numbers g and h. The share s grows with the acceleration: it is the fault's size at 1 g pk, in proportion otherwise, and
//! never more than 1. This is a picture with the signs of a loose joint, no model of one.
//!
//! Amplitude and phase come from the motion and its copy that an all-pass turns by 90° at the frequency of the drive; what
//! stands still (gravity, offsets) is taken away before.

use crate::coupling::Coupling;
use crate::random::Normal;
use plan_schema::units::STANDARD_GRAVITY;

/// Shares of the second and third harmonic; their squares add up to 1.
const HARMONICS: (f64, f64) = (0.8, 0.6);

/// Share of the wandering of amplitude and phase.
const WANDERS: f64 = 1.0 / 3.0;

/// Time constant of the wandering in s, and samples over which it goes linearly.
const WANDER_TIME: f64 = 0.5;
const WANDER_GRID: u32 = 64;

/// Corner in Hz below which a motion counts as standing still.
const STILL: f64 = 0.02;

/// Largest turn of the drive from sample to sample in rad: just below half the sample rate.
const TURN_MAX: f64 = 3.0;

/// The added motion of a sensor.
#[derive(Clone)]
pub(crate) struct Rattle {
    stream: Normal,
    rate: f64,
    /// What goes on while it rattles.
    going: Option<Going>,
    work: Vec<f64>,
}

#[derive(Clone)]
struct Going {
    still: Coupling,
    /// Motion and turned motion at the sample before.
    before: (f64, f64),
    /// Wandering of amplitude and phase, from and to.
    from: [f64; 2],
    to: [f64; 2],
    passed: u32,
}

impl Rattle {
    /// The rattle of the sensor on channel `name`, for stretches of at most `stretch` samples.
    pub(crate) fn new(seed: u64, name: &str, rate: f64, stretch: usize) -> Self {
        Self {
            stream: Normal::new(seed, &format!("loose mount on channel {name}")),
            rate,
            going: None,
            work: vec![0.0; stretch],
        }
    }

    /// It sits tight.
    pub(crate) fn rest(&mut self) {
        self.going = None;
    }

    /// Adds it to a stretch of the sensor's output in V, which has `sensitivity` in V/(m/s²); `share` is that at 1 g pk and
    /// `turn` the angle in rad by which the drive turns from sample to sample.
    pub(crate) fn add_to(&mut self, signal: &mut [f64], sensitivity: f64, share: f64, turn: f64) {
        let Some(motion) = self.work.get_mut(..signal.len()) else {
            return;
        };
        if sensitivity == 0.0 {
            return;
        }
        for (to, volts) in motion.iter_mut().zip(signal.iter()) {
            *to = volts / sensitivity;
        }
        let keeps = (-f64::from(WANDER_GRID) / (WANDER_TIME * self.rate)).exp();
        let fresh = (1.0 - keeps * keeps).sqrt();
        let going = self.going.get_or_insert_with(|| Going::new(&mut self.stream, self.rate));
        going.still.pass(motion);
        // First-order all-pass, bilinear: −90° at `turn`.
        let tangent = (0.5 * turn.clamp(0.0, TURN_MAX)).tan();
        let pole = (tangent - 1.0) / (tangent + 1.0);
        for (value, x) in signal.iter_mut().zip(motion) {
            if going.passed == WANDER_GRID {
                going.passed = 0;
                going.from = going.to;
                self.stream.fill(&mut going.to);
                for (to, from) in going.to.iter_mut().zip(going.from) {
                    *to = keeps * from + fresh * *to;
                }
            }
            let q = pole * (*x - going.before.1) + going.before.0;
            going.before = (*x, q);
            *value += sensitivity * going.added(*x, q, share);
            going.passed += 1;
        }
    }
}

impl Going {
    fn new(stream: &mut Normal, rate: f64) -> Self {
        let mut from = [0.0; 2];
        stream.fill(&mut from);
        Self { still: Coupling::new(STILL, rate), before: (0.0, 0.0), from, to: from, passed: 0 }
    }

    /// The added motion where the motion is `x` and turned by 90° `q`, in m/s².
    #[inline]
    fn added(&self, x: f64, q: f64, share: f64) -> f64 {
        let size = x.hypot(q);
        if size <= 0.0 {
            return 0.0;
        }
        let (cos, sin) = (x / size, q / size);
        let along = f64::from(self.passed) / f64::from(WANDER_GRID);
        let [g, h]: [f64; 2] = std::array::from_fn(|n| self.from[n] + (self.to[n] - self.from[n]) * along);
        let second = cos * cos - sin * sin;
        let third = cos * (cos * cos - 3.0 * sin * sin);
        let share = (share * size / STANDARD_GRAVITY).min(1.0);
        share * size * (HARMONICS.0 * second + HARMONICS.1 * third + WANDERS * (g * cos + h * sin))
    }
}
