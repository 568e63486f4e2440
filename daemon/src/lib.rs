//! Calwright: calibrates accelerometers by comparison with a reference on a shaker, unattended.
//!
//! The shell around the pure core: files, settings, the station with its threads, records, certificates, command line.
//! Arrows point down only: this package sees `calibration`, `drivers`, `sim` and `plan-schema`, and nothing but the
//! whole-system tests sees this package.

pub mod certificate;
pub mod cli;
pub mod client;
pub mod doctor;
pub mod driver_settings;
pub mod execution;
pub mod files;
pub mod hash;
pub mod http;
pub mod load;
pub mod log;
pub mod page;
pub mod recompute;
pub mod record;
pub mod release;
pub mod serve;
pub mod settings;
pub mod station;
pub mod validate;
pub mod wiring;
