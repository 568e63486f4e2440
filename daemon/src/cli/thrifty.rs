//! A daemon that gives back what it does not need: the C library is told to, which only the environment of a process can do
//! before its first allocation.
//!
//! By itself it keeps a pool of memory for every thread, and learns from the first waveforms that large pieces are wanted again,
//! so that what a run needed for a moment stays with the daemon for weeks.

use std::os::unix::process::CommandExt;
use std::process::Command;

/// What the GNU C library is asked for (mallopt(3), under these names in the environment): pools for all threads together, and
/// sizes in bytes from which a piece is had from the system and given back to it at once, and the rest too. Others do not listen.
const WISHES: [(&str, &str); 3] =
    [("MALLOC_ARENA_MAX", "2"), ("MALLOC_MMAP_THRESHOLD_", "131072"), ("MALLOC_TRIM_THRESHOLD_", "131072")];

/// Starts this program anew under its own number with the wishes in its environment, where somebody has not set them otherwise.
/// Where that can't be done the process goes on as it is, and needs more memory.
pub(super) fn once_more() {
    let missing: Vec<_> = WISHES.iter().filter(|(name, _)| std::env::var_os(name).is_none()).collect();
    if missing.is_empty() {
        return;
    }
    let Ok(program) = std::env::current_exe() else { return };
    #[expect(clippy::disallowed_methods, reason = "the same program in the same process")]
    let mut again = Command::new(program);
    again.args(std::env::args_os().skip(1)).envs(missing.into_iter().copied());
    let error = again.exec();
    super::say::error(&format!("warning: the daemon could not be started with less memory: {error}"));
}
