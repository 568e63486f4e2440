//! The simulated instruments in their roles; every call is answered at once.

use anyhow::{Context, Result, bail, ensure};
use calibration::sequence::{Setup, Target};
use drivers::{
    Acquisition, Ambient, Contacts, DriverError, Opened, PowerAmplifier, SafeHandle, SignalSource, StopReason,
};
use sim::SimulatedRig;
use std::future::Future;
use std::pin::pin;
use std::sync::Arc;
use std::task::{Poll, Waker};

/// The instruments in their roles.
pub(super) struct Hands {
    pub(super) source: Box<dyn SignalSource>,
    pub(super) amplifier: Box<dyn PowerAmplifier>,
    pub(super) acquisition: Box<dyn Acquisition>,
    pub(super) ambient: Option<Box<dyn Ambient>>,
    pub(super) contacts: Option<Box<dyn Contacts>>,
    safes: (Arc<dyn SafeHandle>, Arc<dyn SafeHandle>),
}

/// What a simulated instrument answers: it never waits.
pub(super) fn asked<T>(call: impl Future<Output = Result<T, DriverError>>) -> Result<Result<T, DriverError>> {
    let mut context = std::task::Context::from_waker(Waker::noop());
    match pin!(call).poll(&mut context) {
        Poll::Ready(answer) => Ok(answer),
        Poll::Pending => bail!("a simulated instrument waits"),
    }
}

/// The same of one that must not fail.
pub(super) fn at_once<T>(call: impl Future<Output = Result<T, DriverError>>) -> Result<T> {
    Ok(asked(call)??)
}

pub(super) fn instrument_of(role: &str) -> &str {
    role.split_once('.').map_or(role, |(instrument, _)| instrument)
}

impl Hands {
    pub(super) fn open(setup: &Setup, rig: &SimulatedRig) -> Result<Self> {
        let roles = &setup.job.rig.roles;
        let open = |role: &str| -> Result<Opened> {
            let name = instrument_of(role);
            let instrument = setup.job.rig.instruments.iter().find(|i| i.name == name);
            let instrument = instrument.with_context(|| format!("no instrument {name}"))?;
            at_once(rig.factory(&instrument.driver).open(instrument))
        };
        let (source, amplifier) = (open(&roles.source)?, open(&roles.amplifier)?);
        let ambient = roles.ambient.as_deref().map(open).transpose()?;
        let contacts = roles.contacts.as_deref().map(open).transpose()?;
        Ok(Self {
            safes: (source.safe, amplifier.safe),
            source: source.source.context("no source")?,
            amplifier: amplifier.amplifier.context("no amplifier")?,
            acquisition: open(&roles.acquisition)?.acquisition.context("no acquisition")?,
            ambient: ambient.and_then(|o| o.ambient),
            contacts: contacts.and_then(|o| o.contacts),
        })
    }

    pub(super) fn make_safe(&self, target: Target, why: StopReason) -> Result<()> {
        let handle = if target == Target::Source { &self.safes.0 } else { &self.safes.1 };
        ensure!(at_once(handle.make_safe(why))?.is_safe(), "{target:?} was not made safe");
        Ok(())
    }
}
