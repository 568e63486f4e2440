//! Claims that a part of the test suite holds already: it is run in the profile of whoever asks, and its tests counted.

use crate::program::{Built, cargo};
use anyhow::{Context, Result, ensure};

/// Runs the system tests of one module; gives their number.
///
/// # Errors
/// If one of them fails, or there are none.
pub fn system(module: &str) -> Result<usize> {
    counted("tests", &["--test", "system"], module)
}

/// Runs the unit tests of a package whose names hold `name`; gives their number.
///
/// # Errors
/// If one of them fails, or there are none.
pub fn unit(package: &str, name: &str) -> Result<usize> {
    counted(package, &["--lib"], name)
}

fn counted(package: &str, target: &[&str], module: &str) -> Result<usize> {
    let profile = Built::here()?.profile;
    let mut arguments = vec!["test", "--quiet", "--profile", &profile, "-p", package];
    arguments.extend(target.iter().chain(&["--", module]));
    let finished = cargo(arguments)?.expect_status(0).with_context(|| format!("tests of {module}"))?;
    let passed: usize = finished.stdout.lines().filter_map(passed).sum();
    ensure!(passed > 0, "there are no tests of {module}");
    Ok(passed)
}

fn passed(line: &str) -> Option<usize> {
    line.strip_prefix("test result: ok. ")?.split(' ').next()?.parse().ok()
}

#[cfg(test)]
mod tests {
    #[test]
    fn the_line_of_the_test_runner_is_understood() {
        assert_eq!(super::passed("test result: ok. 7 passed; 0 failed; 0 ignored"), Some(7));
        assert_eq!(super::passed("running 7 tests"), None);
    }
}
