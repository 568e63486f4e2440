//! The conformance kit: whether a driver keeps what the contract and the protocol promise, tried on the instrument itself.
//!
//! ```text
//!   kit ── lines of the protocol ──► host of the driver ──► relay ──► instrument
//!    │      (voice)                   the very program that a run starts     holds back, garbles, cuts
//!    └── what the reference shows ◄── host of the acquisition
//! ```
//!
//! Owns: the rows, a file a family; what moves nothing in `still`, what moves the armature in `moving`. A row asks the
//! driver for what it promises and looks for the effect somewhere else: on the link, in the process table, at the reference.
//! Must not: judge a measurement, or move anything unless the caller hands in a [`Motion`], which it does only under the leave
//! of a person and while it holds the lock of the rig.

mod moving;
mod relay;
mod report;
mod still;
mod subject;
mod voice;

pub use moving::Motion;
pub use report::{Outcome, Report, Row, Verdict};

use crate::protocol::{ChannelParams, Configure};
use crate::registry::Registry;
use plan_schema::rig::{Rig, instrument_of};
use std::collections::BTreeMap;
use subject::Subject;
use tokio::runtime::Handle;

/// What is tried; everything where nothing is named.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Choice {
    /// Names of instruments.
    pub instruments: Vec<String>,
    /// Parts of the names of rows.
    pub rows: Vec<String>,
}

impl Choice {
    fn takes(&self, instrument: &str, row: &str) -> bool {
        (self.instruments.is_empty() || self.instruments.iter().any(|i| i == instrument))
            && (self.rows.is_empty() || self.rows.iter().any(|r| row.contains(r.as_str())))
    }
}

/// Tries every instrument of a rig, each through the driver and the host that a run would use.
///
/// Blocks the thread for some minutes; must not be called from a task of `runtime`, which carries the relays.
#[must_use]
pub fn run(
    rig: &Rig,
    registry: &Registry,
    motion: Option<&Motion>,
    choice: &Choice,
    runtime: &Handle,
) -> Report {
    let mut report = Report::default();
    let mut subjects = BTreeMap::new();
    for instrument in &rig.instruments {
        let of_rig = instrument_of(&rig.roles.acquisition) == instrument.name;
        match Subject::of(registry, instrument, of_rig.then(|| configure(rig)), runtime) {
            Ok(Some(subject)) => drop(subjects.insert(instrument.name.clone(), subject)),
            Ok(None) => {
                let why = "it runs in the daemon's own process, so that it has no host to be tried";
                report.add(&instrument.name, "a host of its own", Ok(Verdict::not_supported(why)));
            }
            Err(error) => report.add(&instrument.name, "a host of its own", Err(error)),
        }
    }
    for subject in subjects.values() {
        still::run(subject, registry, choice, runtime, &mut report);
    }
    if let Some(motion) = motion {
        moving::run(rig, &subjects, motion, choice, &mut report);
    }
    report
}

/// The acquisition as the rig file wants it.
fn configure(rig: &Rig) -> Configure {
    let samples = (rig.acquisition.block.si() * rig.acquisition.rate.si()).round().clamp(1.0, 1e8);
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "clamped to the range of u32"
    )]
    let block_samples = samples as u32;
    let channel =
        |c: &plan_schema::rig::Channel| ChannelParams { input: c.input, range_v_peak: c.range.si() };
    Configure {
        rate_hz: rig.acquisition.rate.si(),
        block_samples,
        channels: rig.channels.iter().map(channel).collect(),
    }
}
