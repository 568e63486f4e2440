//! Carrying out one job: whether it can be, and then from the run directory to result and certificates.
//!
//! Owns the order of it, the same for a dry run at the command line and for a job of the daemon's queue. Must not: print, ask,
//! or decide what comes next.

mod begun;
mod done;
mod pace;
mod ready;
pub mod tight;

pub use begun::{Begun, NotBegun, On, Order};
pub use done::{Done, NotDone};
pub use pace::Pace;
pub use ready::{Ready, obstacles, overdue, raw_bytes, ready};

use crate::record::result::Software;
use crate::validate::kept;
use crate::wiring::SIMULATED;
use plan_schema::rig::Rig;
use std::path::Path;

/// The program as records name it: its version, the hash of its file, and whether that very file passed its validation with this
/// state folder.
#[must_use]
pub fn software(state: &Path) -> Software {
    Software {
        version: env!("CARGO_PKG_VERSION").to_owned(),
        hash: kept::program_sha256().map(str::to_owned),
        validated: kept::is_validated(state),
    }
}

/// True where at least one instrument of a rig is more than simulated.
#[must_use]
pub fn is_real(rig: &Rig) -> bool {
    rig.instruments.iter().any(|i| i.driver != SIMULATED)
}
