//! The checks against the outside, written in Python with numpy and scipy, in an environment of their own.

use crate::program::{Finished, other, root};
use anyhow::{Context, Result, ensure};
use std::ffi::OsStr;
use std::path::PathBuf;

/// The interpreter of the environment, which is made where it is missing (for that a network is needed).
///
/// # Errors
/// If it can't be made; what to install is in the error.
pub fn interpreter() -> Result<PathBuf> {
    let prepare = root().join("tests/outside/prepare");
    let done =
        other::<&str>(&prepare, [])?.expect_status(0).context("the Python environment can't be made")?;
    let path = PathBuf::from(done.stdout.trim());
    ensure!(path.is_file(), "{} is no interpreter", path.display());
    Ok(path)
}

/// Runs `tests/outside/NAME`.
///
/// # Errors
/// If it can't be started; what it says by its exit status is the caller's to judge.
pub fn run<S: AsRef<OsStr>>(name: &str, arguments: impl IntoIterator<Item = S>) -> Result<Finished> {
    let script = root().join("tests/outside").join(name);
    let mut all = vec![script.into_os_string()];
    all.extend(arguments.into_iter().map(|a| a.as_ref().to_owned()));
    other(&interpreter()?, all)
}
