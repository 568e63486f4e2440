//! The program `calwright`; everything it does is in the library.

use std::process::ExitCode;

fn main() -> ExitCode {
    calwright::cli::main()
}
