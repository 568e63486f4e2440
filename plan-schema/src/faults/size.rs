//! How large a fault is: unit, range and default of each kind's `value`.
//!
//! Owns: [`SizedFault`], a kind together with its size in the type that its unit wants, and the one reading of `value`.
//! Must not: know a job; what a size does is the simulator's.

use super::{Fault, FaultKind, Size};
use crate::units::{Dimension, Fraction, Kelvins, Peak, Quantity, Volts};

/// A kind of fault with its size.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum SizedFault {
    /// The reference's cable opens.
    ReferenceOpen,
    /// A sensor's cable opens.
    SensorOpen,
    /// The gain from source to coil becomes 1 + this: −100 % to 10000 %; there is no default.
    GainJump(Fraction),
    /// The amplifier trips of its own accord.
    AmplifierTrip,
    /// The source answers but does not follow.
    SourceDeaf,
    /// The acquisition gives no blocks.
    AcquisitionStall,
    /// A channel is beyond its range and says so.
    Overload,
    /// A sensor clips at this distance from what it shows at rest: 1 µV to 100 V; there is no default.
    SensorClipped(Volts<Peak>),
    /// Share of a sensor's motion at 1 g pk that is rattle: 0.001 % to 100 %, by default 5 %.
    LooseMount(Fraction),
    /// Hum at the mains frequency: 1 nV pk to 100 V pk, by default 50 mV pk.
    Hum(Volts<Peak>),
    /// The reference's polarity is reversed.
    ReferenceReversed,
    /// How far above its limit the coil settles without any current: 1 K to 1000 K, by default 20 K.
    CoilOverheating(Kelvins),
    /// The emergency stop is pressed.
    EmergencyStop,
    /// The source's output stops at the value that it has.
    SourceHoldsLast,
    /// Change of a channel's sensitivity in an hour: −100 % to 100 %, by default 0.5 %.
    SlowDrift(Fraction),
    /// Share of time in which a cable is open: 0.1 % to 100 %, by default 50 %.
    CableIntermittent(Fraction),
    /// A permissive no longer permits.
    PermissiveOpens,
    /// How much warmer the air of the room is: −30 K to 30 K, by default 10 K.
    AmbientExcursion(Kelvins),
}

/// Why a fault has no size that it can strike with: what is wrong, and what to write.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SizeError {
    /// What is wrong.
    pub message: String,
    /// What to write instead.
    pub remedy: String,
}

impl SizeError {
    fn new(message: impl Into<String>, remedy: impl Into<String>) -> Self {
        Self { message: message.into(), remedy: remedy.into() }
    }
}

/// What sizes a kind may have, as a person writes them.
struct Rule {
    /// What the value is, in a sentence: "the jump".
    what: &'static str,
    from: &'static str,
    to: &'static str,
    /// What it is where nothing is written.
    usual: Option<&'static str>,
    example: &'static str,
}

impl Fault {
    /// The kind with its size: what is written, or the default of the kind.
    ///
    /// # Errors
    /// A size that is missing, has another unit, lies outside its range, or that the kind does not have.
    pub fn sized(&self) -> Result<SizedFault, SizeError> {
        use FaultKind as Kind;
        let rule = |what, from, to, usual, example| Rule { what, from, to, usual, example };
        let by_default = |what, from, to, usual| rule(what, from, to, Some(usual), usual);
        Ok(match self.kind {
            Kind::ReferenceOpen => self.without_size(SizedFault::ReferenceOpen)?,
            Kind::SensorOpen => self.without_size(SizedFault::SensorOpen)?,
            Kind::AmplifierTrip => self.without_size(SizedFault::AmplifierTrip)?,
            Kind::SourceDeaf => self.without_size(SizedFault::SourceDeaf)?,
            Kind::AcquisitionStall => self.without_size(SizedFault::AcquisitionStall)?,
            Kind::Overload => self.without_size(SizedFault::Overload)?,
            Kind::ReferenceReversed => self.without_size(SizedFault::ReferenceReversed)?,
            Kind::PermissiveOpens => self.without_size(SizedFault::PermissiveOpens)?,
            Kind::EmergencyStop => self.without_size(SizedFault::EmergencyStop)?,
            Kind::SourceHoldsLast => self.without_size(SizedFault::SourceHoldsLast)?,
            Kind::GainJump => {
                let rule = rule("a jump of the gain", "-100 %", "10000 %", None, "200 %");
                SizedFault::GainJump(self.read(&rule)?)
            }
            Kind::SensorClipped => {
                let rule = rule("a clipped output", "1 uV pk", "100 V pk", None, "0.5 V pk");
                SizedFault::SensorClipped(self.read(&rule)?)
            }
            Kind::LooseMount => {
                SizedFault::LooseMount(self.read(&by_default("a rattle", "0.001 %", "100 %", "5 %"))?)
            }
            Kind::Hum => SizedFault::Hum(self.read(&by_default("a hum", "1 nV pk", "100 V pk", "50 mV pk"))?),
            Kind::CoilOverheating => {
                SizedFault::CoilOverheating(self.read(&by_default("overheating", "1 K", "1000 K", "20 K"))?)
            }
            Kind::SlowDrift => SizedFault::SlowDrift(self.read(&by_default(
                "a drift in an hour",
                "-100 %",
                "100 %",
                "0.5 %",
            ))?),
            Kind::AmbientExcursion => SizedFault::AmbientExcursion(self.read(&by_default(
                "a change of the room",
                "-30 K",
                "30 K",
                "10 K",
            ))?),
            Kind::CableIntermittent => {
                let rule = by_default("a share of time", "0.1 %", "100 %", "50 %");
                SizedFault::CableIntermittent(self.read(&rule)?)
            }
        })
    }

    fn without_size(&self, fault: SizedFault) -> Result<SizedFault, SizeError> {
        match self.value {
            None => Ok(fault),
            Some(_) => Err(SizeError::new(format!("{} has no size", self.kind.word()), "remove the value")),
        }
    }

    fn read<D: Dimension>(&self, rule: &Rule) -> Result<Quantity<D>, SizeError> {
        let written = match (&self.value, rule.usual) {
            (Some(Size(text)), _) => text,
            (None, Some(usual)) => usual,
            (None, None) => {
                return Err(SizeError::new(
                    format!("{} needs its size", rule.what),
                    format!("add value = \"{}\"", rule.example),
                ));
            }
        };
        let parse = |text: &str| text.parse::<Quantity<D>>().map_err(|e| SizeError::new(e.message, e.remedy));
        let size = parse(written)?;
        if size >= parse(rule.from)? && size <= parse(rule.to)? {
            return Ok(size);
        }
        Err(SizeError::new(
            format!("{} of {written} lies outside {} to {}", rule.what, rule.from, rule.to),
            format!("write a value between them, such as \"{}\"", rule.example),
        ))
    }
}
