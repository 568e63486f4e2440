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
pub use ready::{Ready, obstacles, overdue, ready};

use crate::record::result::Software;
use crate::wiring::SIMULATED;
use plan_schema::rig::Rig;

/// The program as records name it.
#[must_use]
pub fn software() -> Software {
    Software {
        version: env!("CARGO_PKG_VERSION").to_owned(),
        hash: option_env!("CALWRIGHT_SOURCE_HASH").map(str::to_owned),
        validated: false,
    }
}

/// True where at least one instrument of a rig is more than simulated.
#[must_use]
pub fn is_real(rig: &Rig) -> bool {
    rig.instruments.iter().any(|i| i.driver != SIMULATED)
}
