//! `calwright runs --used`: which runs something was used in, for a recall: whole, and with what was certified.

use super::daemon::query;
use crate::client::{Client, ClientError};
use crate::serve::words::{RunSummary, UsedRole};
use clap::Args;
use clap::builder::PossibleValuesParser;
use std::fmt::Write;

/// So many runs are asked for at once: the most that are answered.
const AT_ONCE: usize = 500;

#[derive(Debug, Args)]
pub(super) struct UsedArguments {
    /// Only runs that were measured with this: the serial of a reference, conditioner or check standard, or the name of a
    /// channel, fixture or ambient sensor. All of them, with the certificates that were issued.
    #[arg(long, value_name = "SERIAL")]
    pub(super) used: Option<String>,
    /// With --used: only where it had this role.
    #[arg(long, requires = "used", value_parser = PossibleValuesParser::new(UsedRole::ALL.map(UsedRole::word)))]
    role: Option<String>,
    /// With --used: only with this calibration of it, as the list shows it: a certificate's number, or "due 2000-01-31".
    #[arg(long, requires = "used", value_name = "VERSION")]
    calibration: Option<String>,
    /// Only runs that began on this day (UTC) or later.
    #[arg(long, value_name = "DATE")]
    since: Option<String>,
    /// Only runs that began on this day (UTC) or earlier.
    #[arg(long, value_name = "DATE")]
    until: Option<String>,
}

impl UsedArguments {
    /// As they go over the wire.
    pub(super) fn asked(&self) -> [(&'static str, &Option<String>); 5] {
        [
            ("used", &self.used),
            ("role", &self.role),
            ("calibration", &self.calibration),
            ("since", &self.since),
            ("until", &self.until),
        ]
    }
}

/// Every run that matches, page after page: a recall that leaves some out is none. With a limit, at most so many.
pub(super) fn all(
    client: &Client,
    asked: &[(&str, &Option<String>)],
    after: Option<&str>,
    limit: Option<u32>,
) -> Result<Vec<RunSummary>, ClientError> {
    let wanted = limit.map_or(usize::MAX, |l| l as usize);
    let mut after = after.map(str::to_owned);
    let mut runs: Vec<RunSummary> = Vec::new();
    loop {
        let size = (wanted - runs.len()).min(AT_ONCE);
        let (this, length) = (after.clone(), Some(size.to_string()));
        let mut asked = asked.to_vec();
        asked.extend([("after", &this), ("limit", &length)]);
        let page: Vec<RunSummary> = client.get(&format!("/runs?{}", query(&asked)))?;
        let full = page.len() == size;
        after = page.last().map(|run| run.run.clone()).or(after);
        runs.extend(page);
        if !full || runs.len() >= wanted {
            return Ok(runs);
        }
    }
}

/// What is affected, for people: a run a paragraph.
pub(super) fn table(what: &str, runs: &[RunSummary]) -> String {
    let mut out = String::new();
    if runs.is_empty() {
        let _ = writeln!(out, "No run used '{what}' in this way.");
        return out;
    }
    let certificates: usize = runs.iter().map(|run| run.certificates.len()).sum();
    let _ = writeln!(
        out,
        "{} used '{what}'; {} issued.",
        counted(runs.len(), "run"),
        counted(certificates, "certificate")
    );
    for run in runs {
        let mark = if run.simulated { "  SIMULATED" } else { "" };
        let outcome = run.outcome.map_or("–", |o| o.word());
        let _ =
            writeln!(out, "\n{}  {:.0}  {}, {outcome}{mark}", run.run, run.started.timestamp(), run.state);
        for used in &run.used {
            let version = used.version.as_deref().unwrap_or("no calibration stated");
            let _ = writeln!(out, "  as {}: {version}", used.role.word().replace('_', " "));
        }
        for sensor in &run.sensors {
            let decision = sensor.decision.map_or("no decision", |d| d.word()).replace('_', " ");
            let issued = run.certificates.iter().filter(|c| c.serial == sensor.serial);
            let numbers: Vec<String> = issued
                .map(|c| match &c.replaces {
                    Some(replaced) => format!("{} (replaces {replaced})", c.number),
                    None => c.number.clone(),
                })
                .collect();
            let numbers = if numbers.is_empty() { "none issued".to_owned() } else { numbers.join(", ") };
            let _ = writeln!(out, "  sensor {}: {decision}; certificates: {numbers}", sensor.serial);
        }
    }
    out
}

fn counted(n: usize, what: &str) -> String {
    if n == 1 { format!("1 {what}") } else { format!("{n} {what}s") }
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    #[test]
    fn an_assessor_reads_what_is_affected() {
        let run = json!({
            "run": "invented-7", "name": "invented", "state": "amended", "simulated": false,
            "started": "2000-02-01T08:00:00Z", "ended": "2000-02-01T08:10:00Z", "outcome": "done", "trip": null,
            "sensors": [{ "serial": "S-1", "decision": "pass" }, { "serial": "S-2", "decision": null }], "points": 3,
            "used": [{ "role": "channel", "serial": "ref", "version": null },
                { "role": "second_reference", "serial": "ref", "version": "C-1" }],
            "certificates": [{ "serial": "S-1", "number": "N-1", "replaces": null },
                { "serial": "S-1", "number": "N-2", "replaces": "N-1" }],
        });
        let run: RunSummary = serde_json::from_value(run).unwrap();
        insta::assert_snapshot!(table("ref", &[run]), @r"
        1 run used 'ref'; 2 certificates issued.

        invented-7  2000-02-01T08:00:00Z  amended, done
          as channel: no calibration stated
          as second reference: C-1
          sensor S-1: pass; certificates: N-1, N-2 (replaces N-1)
          sensor S-2: no decision; certificates: none issued
        ");
        insta::assert_snapshot!(table("K-9", &[]), @"No run used 'K-9' in this way.");
    }
}
