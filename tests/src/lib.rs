//! What the whole-system tests and the `proof` program share: the program as a person runs it, and the claims about it.
//!
//! Owns: building and running `calwright` from outside, run directories as files, and each claim as one function that
//! gives a [`Figure`] or says why not. Must not look inside the program: command line and record files only; but what
//! takes thousands of tries goes through the same run machine in [`shell`].

pub mod bench;
pub mod claims;
pub mod conform;
pub mod daemon;
pub mod doors;
pub mod figure;
pub mod host;
pub mod many;
pub mod program;
pub mod python;
pub mod quick;
pub mod readme;
pub mod real;
pub mod rig_sim;
pub mod run_dir;
pub mod shell;
pub mod sound;
pub mod volatile;

pub use bench::Bench;
pub use figure::Figure;
pub use run_dir::RunDir;
