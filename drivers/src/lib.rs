//! The contract between Calwright and instruments.
//!
//! Owns: the roles an instrument may fill as traits ([`SignalSource`], [`PowerAmplifier`], [`Acquisition`],
//! [`Ambient`], [`Contacts`]), the handle that makes it safe ([`SafeHandle`]), leave to drive ([`DrivePermit`]), the
//! one error at this boundary ([`DriverError`]) with its policy, and the registry of drivers.
//!
//! Must not: know the engine, the simulator or any file format. A driver never judges a measurement.
//!
//! # For driver authors
//! - A setting returns what was applied, in the same units as asked for. Never answer with the wish.
//! - Every call is bounded in time; a call that the instrument does not answer ends as [`ErrorKind::Timeout`].
//! - `make_safe` must not wait for another call, is idempotent, valid in every state, and returns proof or fails.
//! - Opening must not change an output. `Drop` is no safety mechanism.

mod block;
pub mod built_in;
pub mod client;
pub mod conform;
mod error;
mod guarded;
pub mod host;
mod permit;
pub mod protocol;
mod registry;
mod roles;
mod room;
mod safe;

pub use block::Block;
pub use error::{DriverError, ErrorKind, Policy, Stage, policy};
pub use guarded::Guarded;
pub use permit::{DrivePermit, PermitGate, PermitIssuer};
pub use registry::{DriverFactory, Registry};
pub use roles::{
    Acquisition, AcquisitionRequest, Ambient, AmbientReading, AmplifierStatus, ChannelRequest,
    ContactReading, Contacts, Continuity, PowerAmplifier, SignalSource, SourceLimits, Tone, Transition,
};
pub use safe::{Identity, Opened, SafeHandle, SafeProof, StopReason};

/// Version of this contract, major.minor; a driver of another major version is not loaded.
pub const CONTRACT_VERSION: &str = "1.0";
