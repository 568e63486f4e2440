//! `calwright validate`: the installed program checks itself, and what was validated is remembered.
//!
//! ISO/IEC 17025:2017, 7.11.2 wants software validated before it is put to use, and after changes (in our words). Owns: the checks, each against
//! something outside the program (`worked`, `waveforms`, `decisions`, `coverage`); the dated [`Report`]; and [`kept`],
//! the last validation of this station. Must not: decide whether a run may go on.

mod coverage;
mod decisions;
pub mod kept;
mod report;
mod waveforms;
mod worked;

pub use kept::{Subject, differs_from_validated};
pub use report::{Check, Group, Report, ReportSchema};

use crate::record::UtcTime;
use crate::settings::Settings;
use std::path::PathBuf;

/// What is to be validated, and by whom.
#[derive(Debug, Clone)]
pub struct Asked {
    /// Who runs it.
    pub by: String,
    /// When.
    pub at: UtcTime,
    /// Rig files in use: they are read, and their hashes are remembered.
    pub rigs: Vec<PathBuf>,
}

/// Runs every check.
///
/// # Errors
/// In words, where the program, a template or a rig file can't be read.
pub fn validate(settings: &Settings, asked: &Asked) -> Result<Report, String> {
    let subject = Subject::of(settings, &asked.rigs)?;
    let groups = vec![worked::group(), waveforms::group(), decisions::group(), coverage::group()];
    Ok(Report::new(asked, subject, settings, groups))
}
