//! Whether the disk has room for what a run will record: one that would fill it does not begin.

use crate::execution::raw_bytes;
use calibration::sequence::Setup;
use rustix::fs::statvfs;
use std::path::Path;

/// What has to be free beyond the waveforms: results, certificates, the database, and what others write meanwhile.
const BESIDE: f64 = 64.0 * 1024.0 * 1024.0;

/// What is missing, with its remedy; `None` where there is room, or the system does not tell.
pub(super) fn missing(runs: &Path, setup: &Setup) -> Option<String> {
    let disk = statvfs(runs).ok()?;
    let free = disk.f_bavail.saturating_mul(disk.f_frsize) as f64;
    let needs = raw_bytes(setup) + BESIDE;
    let mebibytes = |bytes: f64| bytes / f64::from(1 << 20);
    (free < needs).then(|| {
        format!(
            "the disk of {} has {:.0} MiB free, and this run needs {:.0} MiB: give it room",
            runs.display(),
            mebibytes(free),
            mebibytes(needs)
        )
    })
}
