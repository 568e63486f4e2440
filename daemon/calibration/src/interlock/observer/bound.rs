//! The bound on the observer's error.
//!
//! Owns: its parts, each with the reason for its size. All of it is about the alternating part of the displacement; what the
//! rig file allows as static comes on top and is added by whoever judges.
//!
//! With `d` the true displacement less the model's, the observer's error is `e = L d`, `L = K N / (s³ + K N)`, `K = k₁ s² + k₂ s
//! + k₃` (see `leak`), and what the observer sees of it beside a steady tone is `z = N (1 − L) d`. A steady tone that the
//! model lacks, whatever its size, makes no error. What does is a change of it, and a change shows in `z`:
//!
//! - *a change of drive or plant* (ways that begin at another moment than assumed, stiffness, force factor, resistance and
//!   gain off the rig file, bend, a gain that jumps): the error is some multiple of the largest `z` so far, the more the
//!   nearer the corner lies to the tone;
//! - *a change of the reference* that the armature does not make: then the error is what was integrated of it, `z` itself
//!   behind its notch.
//!
//! [`of_changes`] takes 3 at a corner of a fifth of the tone, falling to 1.5 at a tenth; `z` is held and let decay no faster
//! than the leak. These two factors rest on a few integrations of the three example rigs, in which a fifth needed up to
//! 2.2 and a tenth up to 1.3 where nothing departed; sudden and large changes needed more, and are departures, upon which
//! the observer says that it lost track. They are no proof: figure D.4 compares the bound with the truth at random.
//!
//! What moves slower than the corner leaves the estimate, whoever made it move: a source that holds a direct voltage, an
//! offset that a gain multiplies. A second leak, whose corner is as low as the noise lets it be, starts with every command
//! from what the first one holds; how far the two are apart is part of the bound too (the observer adds it).
//!
//! While the tone changes a reference may have died or turned round, and nothing of that shows in `z` once it stands still. So
//! as long as a change of drive is on its way, what a departure has to exceed there is part of the bound, over ω² (the
//! observer adds it).

use std::f64::consts::TAU;

/// Half-width within which the reference's sensitivity is taken to lie about its certificate, as a share: three times the
/// standard uncertainty that laboratories state for such references, drift, temperature and transverse motion together
/// (common practice, no source). A reference that is off by more can't be told from another motion.
pub(crate) const REFERENCE_WITHIN: f64 = 0.03;

/// Standard deviations of the noise that are counted: beyond six lies one sample in five hundred million.
const DEVIATIONS: f64 = 6.0;

/// The corner's range, as shares of the tone's frequency.
const CORNERS: (f64, f64) = (0.04, 0.2);

/// Share of the rated stroke that the noise may make.
const NOISE_SHARE: f64 = 0.005;

/// What the bound needs to know about reference and rig.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Facts {
    /// Noise density of the acceleration, (m/s²)/√Hz, and the frequency below which 1/f noise exceeds it, Hz.
    pub(super) noise: (f64, f64),
    /// Rated stroke, m.
    pub(super) rated_stroke: f64,
    /// Gravity that tilt along the stroke adds, as acceleration by displacement, 1/s².
    pub(super) tilt: f64,
    /// Time between samples, s.
    pub(super) period: f64,
}

/// The parts of the bound at a tone.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Bound {
    /// Corner of the leak, rad/s.
    pub(super) corner: f64,
    /// Corner of the slow leak, rad/s: as low as the noise lets it be.
    pub(super) slow_corner: f64,
    /// Constant part, m.
    floor: f64,
    /// Share of the largest displacement so far.
    share: f64,
    /// Share of the largest change so far.
    changes: f64,
    /// Factor by which what is held decays from sample to sample.
    pub(super) decay: f64,
    largest: f64,
    change: f64,
}

impl Bound {
    /// The bound at a tone. `phase` is what the reference's phase is taken for wrong, rad.
    #[must_use]
    pub(super) fn at(facts: &Facts, frequency: f64, phase: f64) -> Self {
        let omega = TAU * frequency;
        let allowed = NOISE_SHARE * facts.rated_stroke;
        let density = facts.noise.0;
        let limited = (DEVIATIONS * NOISE_GAIN * density / allowed).powf(2.0 / 3.0);
        let corner = limited.clamp(CORNERS.0 * omega, CORNERS.1 * omega);
        let chord = (omega * facts.period).powi(2) / 12.0;
        Self {
            corner,
            slow_corner: limited.min(corner),
            floor: floor(facts, corner),
            share: REFERENCE_WITHIN + facts.tilt / (omega * omega) + chord + 2.0 * (0.5 * phase).sin().abs(),
            changes: of_changes(corner / omega),
            decay: (-0.5 * corner * facts.period).exp(),
            largest: 0.0,
            change: 0.0,
        }
    }

    /// The same for a leak with another corner, rad/s.
    #[must_use]
    pub(super) fn with_corner(self, facts: &Facts, frequency: f64, corner: f64) -> Self {
        let changes = of_changes(corner / (TAU * frequency));
        let decay = (-0.5 * corner * facts.period).exp();
        Self { corner, floor: floor(facts, corner), changes, decay, ..self }
    }

    /// The same at another tone: what is held stays.
    #[must_use]
    pub(super) fn after(self, before: &Self) -> Self {
        Self { largest: before.largest, change: before.change, ..self }
    }

    /// Takes what the observer saw at a sample; the bound there, m.
    #[inline]
    pub(super) fn take(&mut self, estimate: f64, beside: f64) -> f64 {
        self.largest = (self.largest * self.decay).max(estimate.abs());
        self.change = (self.change * self.decay).max(beside.abs());
        self.floor + self.share * self.largest + self.changes * self.change
    }

    /// The bound of a tone of this displacement that stands still, harmonics of this share of it included, m.
    #[must_use]
    pub(super) fn steady(&self, displacement: f64, harmonics: f64) -> f64 {
        self.floor + (self.share + self.changes * harmonics) * displacement
    }
}

/// Standard deviation of the displacement for white acceleration of unit density, times the corner to the power of 3/2:
/// the impulse response `(t − ω_c t²/2) e^(−ω_c t)` of `s/(s + ω_c)³` has the energy `1/(16 ω_c³)`, and a one-sided density
/// counts half.
const NOISE_GAIN: f64 = 0.177;

/// Constant part of the bound for a leak with this corner in rad/s, m.
fn floor(facts: &Facts, corner: f64) -> f64 {
    let slow = (1.0 + facts.noise.1 * TAU / corner).sqrt();
    DEVIATIONS * NOISE_GAIN * facts.noise.0 * slow / corner.powf(1.5)
}

/// How large an error may be beside the largest change so far, for a corner as a share of the tone.
fn of_changes(share: f64) -> f64 {
    (15.0 * share).max(1.5)
}
