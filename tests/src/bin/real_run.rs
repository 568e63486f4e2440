//! `real-run JOB SETTINGS STATE OUT`: carries out a job on real instruments under the leave that stands, and tells what happens,
//! a line each. With `driver-host` it is the host of one instrument, as the program itself would be. The line `block` on its
//! standard input blocks the task of the run for good.

use std::process::ExitCode;

fn main() -> ExitCode {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    tests::real::worker(&arguments)
}
