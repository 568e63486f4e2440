//! What lies between the motion of the reference and the samples of one channel, the transducer itself apart.
//!
//! Owns: [`Chain`] and its response to a sine: fixture and arrow of a sensor, gain and response of a conditioner, gain,
//! coupling, filter and delay of a channel. A comparison divides the chain of the sensor by that of the reference:
//! `S₂ = S₁ · (X₂/X₁) · (G₁/G₂)` (elementary; in the manner of ISO 16063-21, from memory). A chain of which nothing is written
//! has no response, rather than one of 1, so that nothing is computed of it.
//! Must not: know transducers, budgets or coverage factors beyond k = 2, in which everything here is stated.

use crate::rig::{Channel, FixturePoint, ResponsePoint};
use crate::units::{Fraction, Hertz, Radians};
use std::f64::consts::{PI, TAU};

/// A chain.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Chain {
    channel_gain: Option<Stated>,
    conditioner: Option<Stated>,
    conditioner_u_phase: f64,
    response: Vec<ResponsePoint>,
    coupling: Option<Stated>,
    filter: Option<Stated>,
    delay: Option<Stated>,
    fixture: Vec<FixturePoint>,
    against_motion: bool,
}

/// A figure with its expanded uncertainty (k = 2): relative, of a delay in s.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Stated {
    /// The figure in its SI unit.
    pub value: f64,
    /// Its expanded uncertainty.
    pub u: f64,
}

/// Response to a sine.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Transfer {
    /// Output over input.
    pub magnitude: f64,
    /// Phase of the output less that of the input.
    pub phase: Radians,
}

/// A part of a chain that is uncertain.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Part {
    /// Gain of the channel.
    ChannelGain,
    /// Gain and phase of the conditioner.
    Conditioner,
    /// What lies between two lines of the conditioner's response.
    ConditionerInterpolation,
    /// Corner of the AC coupling.
    Coupling,
    /// Corner of the filter.
    Filter,
    /// Delay of the channel.
    Delay,
    /// Motion of the fixture.
    Fixture,
    /// What lies between two lines of the fixture's motion.
    FixtureInterpolation,
}

/// What a part of a chain contributes at a frequency.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Contribution {
    /// The part.
    pub part: Part,
    /// To the magnitude, relative: expanded (k = 2), of an interpolation the half-width. Zero for a part that is not stated.
    pub magnitude: f64,
    /// To the phase, in rad, likewise.
    pub phase: f64,
}

impl Part {
    /// True for limits between which every value is as likely; the others are expanded uncertainties.
    #[must_use]
    pub fn is_limit(self) -> bool {
        matches!(self, Self::ConditionerInterpolation | Self::FixtureInterpolation)
    }

    /// True for what lies between a channel's input and its samples.
    #[must_use]
    pub fn is_of_channel(self) -> bool {
        matches!(self, Self::ChannelGain | Self::Coupling | Self::Filter | Self::Delay)
    }

    /// True where the error is the same at all frequencies, but for what frequency makes of it.
    #[must_use]
    pub fn is_common(self) -> bool {
        !self.is_limit() && self != Self::Fixture
    }
}

impl Chain {
    /// The chain of a channel; its conditioner belongs to the transducer where the two were calibrated together.
    #[must_use]
    pub fn of(channel: &Channel, calibrated_with_conditioner: bool) -> Self {
        let stated = |value: f64, u: f64| Stated { value, u };
        let conditioner = channel.conditioner_gain.filter(|_| !calibrated_with_conditioner);
        Self {
            channel_gain: channel.gain_in_use().map(|g| stated(g.gain.si(), g.u.si())),
            conditioner: conditioner.map(|g| stated(g.of_voltage(), channel.conditioner_u.si())),
            conditioner_u_phase: conditioner.map_or(0.0, |_| channel.conditioner_u_phase.si()),
            response: if calibrated_with_conditioner { Vec::new() } else { channel.response.clone() },
            coupling: channel.ac_corner.zip(channel.ac_corner_u).map(|(f, u)| stated(f.si(), u.si())),
            filter: channel.filter_corner.map(|f| stated(f.si(), channel.filter_corner_u.si())),
            delay: channel.delay.map(|t| stated(t.si(), channel.delay_u.si())),
            ..Self::default()
        }
    }

    /// The same with what a sensor stands on (one position's lines, ascending in frequency), and which way its arrow points.
    #[must_use]
    pub fn mounted(self, fixture: Vec<FixturePoint>, against_motion: bool) -> Self {
        Self { fixture, against_motion, ..self }
    }

    /// Response at a frequency; `None` where nothing is written of the chain. Beyond the lines of a response or a fixture
    /// that of the nearest line: no point of a plan lies there, but the way to one may.
    #[must_use]
    pub fn at(&self, frequency: Hertz) -> Option<Transfer> {
        if *self == Self::default() {
            return None;
        }
        let electrical = self.electrical(frequency);
        let (moved, turned) = self.motion(frequency);
        let coupled = self.coupling.map_or((1.0, 0.0), |c| high_pass(frequency.si() / c.value));
        let late = self.delay.map_or(0.0, |t| TAU * frequency.si() * t.value);
        Some(Transfer {
            magnitude: self.gain() * electrical.magnitude * coupled.0 * moved,
            phase: Radians::new(electrical.phase.si() + coupled.1 - late + turned),
        })
    }

    /// The channel alone: what becomes of a voltage at its input, behind conditioner and fixture.
    #[must_use]
    pub fn of_channel_alone(&self) -> Self {
        Self {
            channel_gain: self.channel_gain,
            coupling: self.coupling,
            filter: self.filter,
            delay: self.delay,
            ..Self::default()
        }
    }

    /// What lies before the channel: what becomes of the transducer's output on its way to the channel's input.
    #[must_use]
    pub fn before_channel(&self) -> Self {
        Self { channel_gain: None, coupling: None, filter: None, delay: None, ..self.clone() }
    }

    /// Gain of conditioner and channel together, the same at all frequencies.
    #[must_use]
    pub fn gain(&self) -> f64 {
        self.conditioner.map_or(1.0, |g| g.value) * self.channel_gain.map_or(1.0, |g| g.value)
    }

    /// Response of conditioner and filter, their gain apart.
    #[must_use]
    pub fn electrical(&self, frequency: Hertz) -> Transfer {
        let line = line_at(&self.response, frequency, |p| p.frequency);
        let (magnitude, phase) =
            line.map_or((1.0, 0.0), |l| (l.mean(|p| p.magnitude.si()), l.mean(|p| p.phase.si())));
        let filtered = self.filter.map_or((1.0, 0.0), |c| low_pass(frequency.si() / c.value));
        Transfer { magnitude: magnitude * filtered.0, phase: Radians::new(phase + filtered.1) }
    }

    /// Motion of what stands there over the motion of the reference, along the arrow: a share, and half a turn or none.
    #[must_use]
    pub fn motion(&self, frequency: Hertz) -> (f64, f64) {
        let ratio =
            line_at(&self.fixture, frequency, |p| p.frequency).map_or(1.0, |l| l.mean(|p| p.ratio.si()));
        (ratio, if self.against_motion { PI } else { 0.0 })
    }

    /// True where a sensor does not simply move with the reference: on a fixture, or on its head.
    #[must_use]
    pub fn is_apart(&self) -> bool {
        self.against_motion || !self.fixture.is_empty()
    }

    /// True where a sensor stands on its head.
    #[must_use]
    pub fn is_against_motion(&self) -> bool {
        self.against_motion
    }

    /// True where conditioner or filter do more than a gain.
    #[must_use]
    pub fn has_response(&self) -> bool {
        !self.response.is_empty() || self.filter.is_some()
    }

    /// Gain of the channel, where it is calibrated.
    #[must_use]
    pub fn channel_gain(&self) -> Option<Stated> {
        self.channel_gain
    }

    /// Gain of the conditioner as a factor on a voltage, where it is stated and no part of the transducer's calibration.
    #[must_use]
    pub fn conditioner(&self) -> Option<Stated> {
        self.conditioner
    }

    /// Corner of the coupling in Hz, where it is taken out of the results.
    #[must_use]
    pub fn coupling(&self) -> Option<Stated> {
        self.coupling
    }

    /// Corner of the filter in Hz.
    #[must_use]
    pub fn filter(&self) -> Option<Stated> {
        self.filter
    }

    /// Delay in s.
    #[must_use]
    pub fn delay(&self) -> Option<Stated> {
        self.delay
    }

    /// Expanded uncertainty (k = 2) of the conditioner's phase.
    #[must_use]
    pub fn conditioner_u_phase(&self) -> Radians {
        Radians::new(self.conditioner_u_phase)
    }

    /// Expanded uncertainty (k = 2) of the fixture's motion at a frequency, where there is one.
    #[must_use]
    pub fn fixture_u(&self, frequency: Hertz) -> Option<Fraction> {
        line_at(&self.fixture, frequency, |p| p.frequency).map(|l| Fraction::new(l.mean(|p| p.u.si())))
    }

    /// The same with the corner of its filter off by a share of it: what a simulation draws.
    #[must_use]
    pub fn with_filter_off(self, share: f64) -> Self {
        let filter = self.filter.map(|f| Stated { value: f.value * (1.0 + share), ..f });
        Self { filter, ..self }
    }

    /// Lowest and highest frequency at which the conditioner's response and the fixture's motion are known; nothing of what is
    /// flat.
    #[must_use]
    pub fn known_within(&self) -> Vec<(Part, Hertz, Hertz)> {
        let of_response = self.response.first().zip(self.response.last());
        let of_fixture = self.fixture.first().zip(self.fixture.last());
        let of_response = of_response.map(|(a, b)| (Part::Conditioner, a.frequency, b.frequency));
        let of_fixture = of_fixture.map(|(a, b)| (Part::Fixture, a.frequency, b.frequency));
        of_response.into_iter().chain(of_fixture).collect()
    }

    /// What the parts contribute at a frequency; only those of which something is stated.
    #[must_use]
    pub fn contributions(&self, frequency: Hertz) -> Vec<Contribution> {
        let mut found = Vec::new();
        let mut push = |part, magnitude: f64, phase: f64| {
            if magnitude != 0.0 || phase != 0.0 {
                found.push(Contribution { part, magnitude: magnitude.abs(), phase: phase.abs() });
            }
        };
        push(Part::ChannelGain, self.channel_gain.map_or(0.0, |g| g.u), 0.0);
        push(Part::Conditioner, self.conditioner.map_or(0.0, |g| g.u), self.conditioner_u_phase);
        if let Some(line) = line_at(&self.response, frequency, |p| p.frequency) {
            let (magnitude, phase) = (line.half(|p| p.magnitude.si().ln()), line.half(|p| p.phase.si()));
            push(Part::ConditionerInterpolation, magnitude, phase);
        }
        for (part, corner, of) in [
            (Part::Coupling, self.coupling, high_pass_slope as fn(f64) -> (f64, f64)),
            (Part::Filter, self.filter, low_pass_slope),
        ] {
            if let Some(corner) = corner {
                let (magnitude, phase) = of(frequency.si() / corner.value);
                push(part, magnitude * corner.u, phase * corner.u);
            }
        }
        push(Part::Delay, 0.0, self.delay.map_or(0.0, |t| TAU * frequency.si() * t.u));
        if let Some(line) = line_at(&self.fixture, frequency, |p| p.frequency) {
            push(Part::Fixture, line.mean(|p| p.u.si()), 0.0);
            push(Part::FixtureInterpolation, line.half(|p| p.ratio.si().ln()), 0.0);
        }
        found
    }
}

/// First-order high-pass at `x` times its corner: magnitude and phase.
fn high_pass(x: f64) -> (f64, f64) {
    (x / x.hypot(1.0), (1.0 / x).atan())
}

/// First-order low-pass at `x` times its corner: magnitude and phase.
fn low_pass(x: f64) -> (f64, f64) {
    (1.0 / x.hypot(1.0), -x.atan())
}

/// What a relative error of its corner does to a high-pass, relative and in rad: `∂ln|H|/∂ln f_c = −1/(1 + x²)` and
/// `∂φ/∂ln f_c = x/(1 + x²)`.
fn high_pass_slope(x: f64) -> (f64, f64) {
    (-1.0 / (1.0 + x * x), x / (1.0 + x * x))
}

/// The same of a low-pass: `∂ln|H|/∂ln f_c = x²/(1 + x²)` and `∂φ/∂ln f_c = x/(1 + x²)`.
fn low_pass_slope(x: f64) -> (f64, f64) {
    (x * x / (1.0 + x * x), x / (1.0 + x * x))
}

/// Two neighbouring lines of a table, and where a frequency lies between them.
struct Line<'a, T> {
    lower: &'a T,
    upper: &'a T,
    /// From 0 to 1 over the logarithm of frequency.
    share: f64,
}

impl<T> Line<'_, T> {
    fn mean(&self, of: impl Fn(&T) -> f64) -> f64 {
        let (from, to) = (of(self.lower), of(self.upper));
        from + (to - from) * self.share
    }

    /// Half of the step between the lines, where the frequency lies between them: the curve may lie anywhere from the one to
    /// the other.
    fn half(&self, of: impl Fn(&T) -> f64) -> f64 {
        if self.share > 0.0 && self.share < 1.0 { (of(self.upper) - of(self.lower)).abs() / 2.0 } else { 0.0 }
    }
}

/// The lines about a frequency, of a table that ascends in it; `None` for an empty one.
fn line_at<T>(table: &[T], frequency: Hertz, of: impl Fn(&T) -> Hertz) -> Option<Line<'_, T>> {
    let after = table.partition_point(|line| of(line) < frequency);
    let upper = table.get(after).or(table.last())?;
    let lower = after.checked_sub(1).and_then(|n| table.get(n)).unwrap_or(upper);
    if of(upper) <= frequency || of(lower) >= frequency {
        let nearest = if of(upper) <= frequency { upper } else { lower };
        return Some(Line { lower: nearest, upper: nearest, share: 0.0 });
    }
    let share = (frequency / of(lower)).ln() / (of(upper) / of(lower)).ln();
    Some(Line { lower, upper, share })
}

#[cfg(test)]
mod tests;
