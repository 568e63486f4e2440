//! A sound interface as signal source and acquisition on one clock: the driver host `calwright-sound`.
//!
//! ```text
//!   host of the protocol (drivers::host) ── roles (driver) ──► console ◄── engine, a thread ◄──► card
//!                                                              tone, sampling                    ALSA, a period at a time
//! ```
//!
//! Owns: everything between the protocol's calls and the card's samples. A period goes out for each that comes in, so source and
//! acquisition keep step on the card's clock. Must not: resample, measure or put out a steady voltage, or say anything of a
//! frequency at which the interface was not characterised from a known voltage.
//!
//! Invariant: the output goes to 0 V along a ramp whenever it is told to, whoever else is busy; after an under-run it stays at
//! 0 V. What was lost counts as a gap. Without the feature `alsa` all but the card itself is there.

#[cfg(feature = "alsa")]
pub mod alsa;
pub mod card;
pub mod console;
pub mod driver;
pub mod engine;
pub mod format;
pub mod response;
pub mod settings;
pub mod tone;
