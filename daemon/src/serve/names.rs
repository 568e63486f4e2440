//! Names of runs: the job's name, its number in the queue, and the count of the attempt where there is more than one.
//!
//! A run's name is a folder's name, and says which job it was of, so that the index can be made again from the folders alone.

use std::path::Path;

/// Longest part of a job's name that goes into the name of a run, in characters.
const LONGEST: usize = 60;

/// The name of a job as it is kept: letters, digits, '-', '_' and '.', whatever was handed in; never empty or hidden.
#[must_use]
pub fn job_name(wanted: &str) -> String {
    let safe = |c: char| if c.is_alphanumeric() || matches!(c, '-' | '_' | '.') { c } else { '_' };
    let name: String = wanted.trim().chars().take(LONGEST).map(safe).collect();
    let name = name.trim_start_matches(['.', '-']);
    if name.is_empty() { "job".to_owned() } else { name.to_owned() }
}

/// The name of a run: `attempt` counts the runs of a job from 1.
#[must_use]
pub fn run_name(name: &str, job: i64, attempt: usize) -> String {
    if attempt <= 1 { format!("{name}-{job}") } else { format!("{name}-{job}.{attempt}") }
}

/// Name and number of the job that a run's name speaks of.
#[must_use]
pub fn job_of(run: &str) -> (&str, Option<i64>) {
    let Some((name, rest)) = run.rsplit_once('-') else { return (run, None) };
    let number = rest.split_once('.').map_or(rest, |(number, _)| number);
    number.parse().map_or((run, None), |job| (name, Some(job)))
}

/// Whether a name can be that of a run's folder: what comes over the wire must not lead anywhere else.
#[must_use]
pub fn is_plain(name: &str) -> bool {
    !name.is_empty() && !name.starts_with('.') && name != ".." && !name.contains(['/', '\\', '\0'])
}

/// Names of the folders of runs, in order.
#[must_use]
pub fn folders(runs: &Path) -> Vec<String> {
    let Ok(entries) = std::fs::read_dir(runs) else { return Vec::new() };
    let mut names: Vec<String> = entries
        .filter_map(Result::ok)
        .filter(|entry| entry.path().is_dir())
        .filter_map(|entry| entry.file_name().into_string().ok())
        .filter(|name| is_plain(name))
        .collect();
    names.sort();
    names
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn names_lead_back_to_jobs() {
        assert_eq!(job_of("low-frequency-7"), ("low-frequency", Some(7)));
        assert_eq!(job_of("low-frequency-7.2"), ("low-frequency", Some(7)));
        assert_eq!(job_of("from_elsewhere"), ("from_elsewhere", None));
        assert_eq!(job_name("../../etc/passwd"), "_.._etc_passwd");
        assert_eq!(job_name("..."), "job");
    }

    proptest! {
        #[test]
        fn whatever_is_handed_in_the_run_is_a_plain_name_that_leads_back(wanted in ".*", job in 1i64.., attempt in 1usize..20) {
            let name = job_name(&wanted);
            let run = run_name(&name, job, attempt);
            prop_assert!(is_plain(&run));
            prop_assert_eq!(job_of(&run), (name.as_str(), Some(job)));
        }
    }
}
