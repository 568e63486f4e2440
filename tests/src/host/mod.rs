//! What tests of driver hosts need: an instrument that notes what is done to it, and a host spoken to line by line.

mod instrument;
mod peers;
mod wire;

pub use instrument::{KIND, Notes, factory, instrument, sample, trusted};
pub use peers::{FramePeer, SourcePeer, frame_peer};
pub use wire::{Wire, path_of_test_host};

/// Longest time that a test waits for something that has to happen. Generous: it is there to end a test that failed.
pub const PATIENCE: std::time::Duration = std::time::Duration::from_secs(20);

/// Waits until `look` finds something.
///
/// # Errors
/// If it does not within [`PATIENCE`]; `what` says what was waited for.
pub fn wait_for<T>(what: &str, mut look: impl FnMut() -> Option<T>) -> anyhow::Result<T> {
    let step = std::time::Duration::from_millis(2);
    let mut left = PATIENCE;
    loop {
        if let Some(found) = look() {
            return Ok(found);
        }
        anyhow::ensure!(!left.is_zero(), "waited in vain for {what}");
        std::thread::sleep(step);
        left = left.saturating_sub(step);
    }
}

/// True while a process is there and no corpse.
#[must_use]
pub fn is_alive(process: u32) -> bool {
    state(process).is_some_and(|state| !matches!(state, 'Z' | 'X'))
}

/// State of a process as proc(5) has it: R, S, D, T for stopped, Z for a corpse.
#[must_use]
pub fn state(process: u32) -> Option<char> {
    let stat = std::fs::read_to_string(format!("/proc/{process}/stat")).ok()?;
    // It follows the name, which stands in brackets and may hold anything.
    stat.rsplit_once(") ").and_then(|(_, rest)| rest.chars().next())
}

/// Sends a signal to a process that a test started.
///
/// # Errors
/// If there is no such process.
pub fn signal(process: u32, signal: rustix::process::Signal) -> anyhow::Result<()> {
    let number = i32::try_from(process)?;
    let pid =
        rustix::process::Pid::from_raw(number).ok_or_else(|| anyhow::anyhow!("no process {process}"))?;
    Ok(rustix::process::kill_process(pid, signal)?)
}
