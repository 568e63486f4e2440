//! The power amplifier: its facts, and what it says of itself. Pure.
//!
//! Owns: gain, corner and limits, the mute as commanded and as it acts, the trip. Must not: know the coil's equations.

use crate::error::SimError;
use crate::shaker::Coil;
use crate::spread::Unknowns;
use plan_schema::resolve::ResolvedJob;
use plan_schema::rig::{AmplifierMode, Mute};
use std::f64::consts::TAU;

/// The amplifier as it truly is, in SI units.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct AmplifierTruth {
    pub(crate) mode: AmplifierMode,
    /// V/V or A/V, as the mode wants.
    pub(crate) gain: f64,
    /// Angular frequency of the upper corner.
    pub(crate) corner: f64,
    /// DC offset of the output, in V or A, as the mode wants.
    pub(crate) offset: f64,
    pub(crate) voltage_limit: f64,
    pub(crate) current_limit: f64,
}

impl AmplifierTruth {
    /// What the rig file says, the gain off by what the seed draws.
    ///
    /// # Errors
    /// A gain that is missing for the mode, or a value with which nothing can be driven.
    pub(crate) fn draw(job: &ResolvedJob, unknowns: &Unknowns) -> Result<Self, SimError> {
        let amplifier = &job.rig.amplifier;
        let (gain, key) = match amplifier.mode {
            AmplifierMode::Voltage => (amplifier.gain.map(|g| g.si()), "amplifier.gain"),
            AmplifierMode::Current => {
                (amplifier.transconductance.map(|g| g.si()), "amplifier.transconductance")
            }
        };
        let gain = gain.ok_or_else(|| {
            SimError::new(
                format!("the amplifier has no gain for its mode '{}'", amplifier.mode.word()),
                format!("add {key}"),
            )
        })?;
        let bandwidth = amplifier.bandwidth.unwrap_or(job.rig.simulation.amplifier.bandwidth).si();
        let offset = match amplifier.mode {
            AmplifierMode::Voltage => amplifier.offset.map_or(0.0, |o| o.si()),
            AmplifierMode::Current => amplifier.offset_current.map_or(0.0, |o| o.si()),
        };
        if !offset.is_finite() {
            return Err(SimError::new(
                "the offset of the amplifier is no number",
                "write a number for amplifier.offset",
            ));
        }
        Ok(Self {
            mode: amplifier.mode,
            gain: SimError::positive(gain, "the gain of the amplifier", key)? * unknowns.amplifier_gain(),
            corner: TAU * SimError::positive(bandwidth, "the bandwidth in Hz", "amplifier.bandwidth")?,
            offset,
            voltage_limit: SimError::positive(
                amplifier.voltage_limit.si(),
                "the voltage limit in V",
                "amplifier.voltage_limit",
            )?,
            current_limit: SimError::positive(
                amplifier.current_limit.si(),
                "the current limit in A",
                "amplifier.current_limit",
            )?,
        })
    }
}

/// What keeps the drive from the coil.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Cut {
    /// The amplifier's own mute.
    Mute,
    /// A relay beside it.
    Relay,
}

/// Something that keeps the drive from the coil.
#[derive(Debug, Clone, Copy)]
struct Cutting {
    /// As it was last commanded; this is what reads back.
    commanded: bool,
    /// As it acts on the coil.
    acts: bool,
}

impl Cutting {
    const ON: Self = Self { commanded: true, acts: true };
    const OFF: Self = Self { commanded: false, acts: false };
}

/// The amplifier's front panel, and the relay behind it.
#[derive(Debug, Clone)]
pub(crate) struct Amplifier {
    mute: Mute,
    muted: Cutting,
    relay: Cutting,
    tripped: bool,
    overheated: bool,
    clipped: bool,
    /// Commands and questions so far; a watchdog mutes if none came for its time.
    contacts: u64,
}

impl Amplifier {
    /// An amplifier that is muted; with a relay, that one cuts the drive off too.
    pub(crate) fn new(mute: Mute, has_relay: bool) -> Self {
        Self {
            mute,
            muted: Cutting::ON,
            relay: if has_relay { Cutting::ON } else { Cutting::OFF },
            tripped: false,
            overheated: false,
            clipped: false,
            contacts: 0,
        }
    }

    /// Takes a command; returns false if the amplifier refuses it because of its fault.
    pub(crate) fn command(&mut self, cut: Cut, on: bool) -> bool {
        match cut {
            Cut::Mute if self.fault() && !on => return false,
            Cut::Mute => self.muted.commanded = on,
            Cut::Relay => self.relay.commanded = on,
        }
        true
    }

    /// The last commands act, their latency being over.
    pub(crate) fn follow(&mut self) {
        for cutting in [&mut self.muted, &mut self.relay] {
            cutting.acts = cutting.commanded;
        }
    }

    /// True while it reports a fault of its own.
    pub(crate) fn fault(&self) -> bool {
        self.tripped || self.overheated
    }

    /// It trips of its own accord, or what made it trip is over: muted at once, until it is unmuted after that.
    pub(crate) fn set_tripped(&mut self, tripped: bool) {
        if tripped && !self.tripped {
            self.mute_itself();
        }
        self.tripped = tripped;
    }

    /// The coil is warmer than it may be, or no more: as [`Self::set_tripped`].
    pub(crate) fn set_overheated(&mut self, overheated: bool) {
        if overheated && !self.overheated {
            self.mute_itself();
        }
        self.overheated = overheated;
    }

    /// Notes a command or a question; returns how many there were.
    pub(crate) fn note_contact(&mut self) -> u64 {
        self.contacts += 1;
        self.contacts
    }

    /// The watchdog's time since contact number `contact` is over: it mutes if there was none since. No fault is
    /// reported, and the next unmute is obeyed.
    pub(crate) fn watchdog(&mut self, contact: u64) {
        if contact == self.contacts {
            self.mute_itself();
        }
    }

    fn mute_itself(&mut self) {
        self.muted = Cutting::ON;
    }

    /// Notes that the output was limited.
    pub(crate) fn note_clipping(&mut self) {
        self.clipped = true;
    }

    /// How the coil is connected.
    pub(crate) fn coil(&self) -> Coil {
        match (self.is_muted(), self.mute) {
            (false, _) => Coil::Driven,
            (true, Mute::Shorts) => Coil::Shorted,
            (true, Mute::Opens) => Coil::Open,
        }
    }

    /// True while the coil is kept from the drive.
    pub(crate) fn is_muted(&self) -> bool {
        self.muted.acts || self.relay.acts
    }

    /// What the mute or the relay reads back as.
    pub(crate) fn reads(&self, cut: Cut) -> bool {
        match cut {
            Cut::Mute => self.muted.commanded,
            Cut::Relay => self.relay.commanded,
        }
    }

    /// Whether the output was limited since this was last asked.
    pub(crate) fn take_clipping(&mut self) -> bool {
        std::mem::take(&mut self.clipped)
    }
}
