//! `crowd ADDRESS TOKEN PATH SECONDS VIEWERS REQUESTS-A-SECOND`: a crowd at the port of a daemon, and what it saw of it as JSON.

use std::process::ExitCode;

fn main() -> ExitCode {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    tests::claims::doors::crowd_client(&arguments)
}
