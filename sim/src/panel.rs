//! The contacts of the rig: inputs that permit motion, the output that warns, and those that take
//! the source or the reference to the channels.
//!
//! Owns: which input stands for which permissive, and the output's state. As long as no fault withholds one, every
//! permissive permits; an input that the rig file does not name is closed. Must not: know what follows from a contact.

use plan_schema::rig::{ContactState, Permissive, Rig};

/// The contacts as they are wired.
#[derive(Debug, Clone)]
pub(crate) struct Panel {
    permissives: Vec<Permissive>,
    warning: Option<u32>,
    /// Whether the output is on.
    on: bool,
    route: Option<u32>,
    /// Whether the source is connected to the channels in place of the amplifier.
    routed: bool,
    exchange: Option<u32>,
    /// Whether the reference is connected to the channels of the sensors under test in place of these.
    exchanged: bool,
}

/// Inputs that a panel has at most: a rig file that names a higher number has a contact that can't be read.
const INPUTS_MAX: u32 = 1024;

impl Panel {
    /// The contacts that a rig file names.
    pub(crate) fn of(rig: &Rig) -> Self {
        Self {
            permissives: rig.permissives_in_force(),
            warning: rig.warning_output,
            on: false,
            route: rig.channel_ratio.as_ref().and_then(|r| r.output),
            routed: false,
            exchange: rig.substitution.as_ref().and_then(|way| way.output),
            exchanged: false,
        }
    }

    /// State of the inputs by their number, true for closed; `withheld` are the places of permissives that do not permit.
    pub(crate) fn inputs(&self, withheld: &[usize]) -> Vec<bool> {
        let wired = || self.permissives.iter().enumerate().filter(|(_, p)| p.input < INPUTS_MAX);
        let count = wired().map(|(_, p)| p.input as usize + 1).max().unwrap_or(0);
        let mut inputs = vec![true; count];
        for (n, permissive) in wired() {
            let permits = !withheld.contains(&n);
            if let Some(input) = inputs.get_mut(permissive.input as usize) {
                *input = (permissive.state == ContactState::Closed) == permits;
            }
        }
        inputs
    }

    /// Switches the output of this number; false if nothing is connected there.
    pub(crate) fn set_output(&mut self, number: u32, on: bool) -> bool {
        if self.route == Some(number) {
            self.routed = on;
            return true;
        }
        if self.exchange == Some(number) {
            self.exchanged = on;
            return true;
        }
        let there = self.warning == Some(number);
        if there {
            self.on = on;
        }
        there
    }

    /// Switches all outputs off; what a person connected stays.
    pub(crate) fn outputs_off(&mut self) {
        self.on = false;
        self.routed &= self.route.is_none();
        self.exchanged &= self.exchange.is_none();
    }

    /// A person takes the source's cable to the channels, or back to the amplifier.
    pub(crate) fn route(&mut self, to_channels: bool) {
        self.routed = to_channels;
    }

    /// A person connects the reference to the sensors' channels, or the sensors again.
    pub(crate) fn exchange(&mut self, reference: bool) {
        self.exchanged = reference;
    }

    /// True while the reference is connected to the sensors' channels in place of these.
    pub(crate) fn is_exchanged(&self) -> bool {
        self.exchanged
    }

    /// True while the source is connected to the channels in place of the amplifier.
    pub(crate) fn is_routed(&self) -> bool {
        self.routed
    }

    /// True while the warning is on.
    pub(crate) fn warns(&self) -> bool {
        self.on
    }
}
