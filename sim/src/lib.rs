//! The simulated rig: source, amplifier, shaker, sensors, acquisition and their faults, behind the driver contract.
//!
//! Owns: one simulated world per [`SimulatedRig`], made from a resolved job and a seed, and the drivers that open its
//! instruments. The shaker is electro-mechanical: coil, mass, spring, limits and stops, and what bends its equations.
//!
//! Must not: know the engine, judge a measurement, or read a clock (only the panels of [`front`] do, which follow real
//! time). Physics know nothing of drivers.
//!
//! # Time
//! Simulated time moves only while the next block of the acquisition is waited for. Between blocks it stands still, so
//! everything that a block caused is commanded at the moment of its last sample. A command takes effect at the sample
//! that its latency leads to. While the acquisition is stalled by a fault, the wait passes in simulated time and brings
//! nothing; the armature moves on.
//!
//! # Determinism
//! Everything random comes from the seed, by a stream per quantity (`random`). The same job, seed, faults and calls give
//! the same bits, however time is cut into blocks.

mod acquisition;
mod amplifier;
mod bend;
mod channel;
mod conditioner;
mod coupling;
mod delay;
mod discretise;
mod drivers;
mod error;
mod factory;
mod faults;
mod follow;
pub mod front;
mod hum;
mod noise;
mod output;
mod panel;
mod pickups;
mod plant;
mod random;
mod reference;
mod sensor;
mod shaker;
mod source;
mod spread;
mod tap;
mod thermal;
mod truth;
mod tuned;
mod world;

pub use error::SimError;
pub use factory::{KIND, listing};
pub use truth::{FaultStruck, PointTruth, SensorTruth, Truth};

use ::drivers::DriverFactory;
use factory::{SimulatedFactory, Wiring};
use plan_schema::faults::{Faults, PointPhase};
use plan_schema::resolve::ResolvedJob;
use plan_schema::units::{Hertz, Mono, Seconds};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use world::World;

/// A simulated rig with a job's sensors on it. Clones are handles to the same world.
#[derive(Clone)]
pub struct SimulatedRig {
    world: Arc<Mutex<World>>,
    wiring: Arc<Wiring>,
}

impl SimulatedRig {
    /// The rig of `job` at rest: source at 0 V, amplifier muted, acquisition not configured.
    ///
    /// What the files do not say (true sensitivities, the shaker's true parameters, noise) is drawn from `seed`.
    ///
    /// # Errors
    /// A fact or a fault that does not fit the job; with its remedy.
    pub fn new(job: &ResolvedJob, seed: u64, faults: &Faults) -> Result<Self, SimError> {
        let wiring = Arc::new(Wiring::read(&job.rig)?);
        Ok(Self { world: Arc::new(Mutex::new(World::new(job, seed, faults)?)), wiring })
    }

    /// A driver that opens any instrument of the rig, to be registered in place of the one of this `kind`.
    #[must_use]
    pub fn factory(&self, kind: &str) -> Arc<dyn DriverFactory> {
        Arc::new(SimulatedFactory { rig: self.clone(), kind: kind.to_owned() })
    }

    /// Simulated time since the start.
    #[must_use]
    pub fn now(&self) -> Mono {
        self.lock().now()
    }

    /// Tells where the run is: faults that strike at a moment within a point are timed from here, by `frequency`.
    ///
    /// `point` counts from 1. A fault strikes the first time only, however often its point is repeated. With the first call
    /// of another point than before, [`Truth::displacement_by_point`] begins anew.
    pub fn progress(&self, point: usize, phase: PointPhase, frequency: Hertz) {
        self.lock().progress(point, phase, frequency);
    }

    /// A person takes the source's cable from the amplifier to the channels, or back. A switch of the rig file does so by its
    /// contact output.
    pub fn route(&self, to_channels: bool) {
        self.lock().route(to_channels);
    }

    /// A person connects the reference to the channels of the sensors under test in place of these, or the sensors again. A
    /// switch of the rig file does so by its contact output.
    pub fn exchange(&self, reference: bool) {
        self.lock().exchange(reference);
    }

    /// Another rig in the very same state, noise to come included: what happens to one does not happen to the other. Its
    /// instruments have to be opened anew.
    #[must_use]
    pub fn fork(&self) -> Self {
        Self { world: Arc::new(Mutex::new(self.lock().clone())), wiring: self.wiring.clone() }
    }

    /// Adds faults of `job` to those that the rig has: it goes on as if they had been there from the start. A time that has
    /// passed strikes at once.
    ///
    /// # Errors
    /// A fault that does not fit the job; with its remedy.
    pub fn add(&self, job: &ResolvedJob, seed: u64, faults: &Faults) -> Result<(), SimError> {
        self.lock().add(job, seed, faults)
    }

    /// Lets time pass after the last block, so that [`Self::truth`] counts how the armature came to rest.
    pub fn run_out(&self, time: Seconds) {
        self.lock().run_out(time);
    }

    /// What the simulator knows and a real rig never tells.
    #[must_use]
    pub fn truth(&self) -> Truth {
        self.lock().truth()
    }

    /// The world, for the moment of a call.
    fn lock(&self) -> MutexGuard<'_, World> {
        // A panic elsewhere must not keep anybody from making the rig safe.
        self.world.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn wiring(&self) -> &Wiring {
        &self.wiring
    }
}
