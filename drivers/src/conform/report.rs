//! What the kit found: a row for each promise and instrument, and the times that were measured.

use plan_schema::rig::SafeAction;
use std::collections::BTreeMap;

/// How a row ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Outcome {
    /// The promise was kept.
    Pass,
    /// It was not.
    Fail,
    /// It can't be tried on this instrument; why is said.
    NotSupported,
}

impl Outcome {
    /// The word in tables and in JSON.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Self::Pass => "pass",
            Self::Fail => "fail",
            Self::NotSupported => "not supported",
        }
    }
}

/// What was found out about one promise of one instrument.
#[derive(Debug, Clone, PartialEq)]
pub struct Verdict {
    /// How it ended.
    pub outcome: Outcome,
    /// What happened, with numbers and units.
    pub said: String,
    /// Figures by name; each name ends in its unit.
    pub figures: BTreeMap<&'static str, f64>,
}

impl Verdict {
    fn new(outcome: Outcome, said: impl Into<String>) -> Self {
        Self { outcome, said: said.into(), figures: BTreeMap::new() }
    }

    pub(super) fn pass(said: impl Into<String>) -> Self {
        Self::new(Outcome::Pass, said)
    }

    pub(super) fn fail(said: impl Into<String>) -> Self {
        Self::new(Outcome::Fail, said)
    }

    pub(super) fn not_supported(said: impl Into<String>) -> Self {
        Self::new(Outcome::NotSupported, said)
    }

    pub(super) fn figure(mut self, name: &'static str, value: f64) -> Self {
        self.figures.insert(name, value);
        self
    }
}

/// A row family: says `Ok` with the verdict, or `Err` with what went wrong on the way there, which is a failure too.
pub(super) type Tried = Result<Verdict, String>;

/// Tries of a row that fails while its instrument itself is late.
const TRIES_OF_LATE: usize = 4;

/// Tries a row, and once more where it fails: a machine that has much else to do may be late for a promise, a driver that breaks
/// it breaks it again. What failed at first is said.
pub(super) fn twice(case: impl FnMut() -> Tried) -> Tried {
    while_in_time(case, || None)
}

/// The same, but a failure does not count where `late` says that the instrument itself was: a row is about what a driver makes of
/// an instrument that answers. That is believed a few times; an instrument that is always late makes the row fail.
pub(super) fn while_in_time(mut case: impl FnMut() -> Tried, late: impl Fn() -> Option<String>) -> Tried {
    let (mut failures, mut counted) = (Vec::new(), 0);
    loop {
        let tried = case();
        let why = match &tried {
            Ok(verdict) if verdict.outcome == Outcome::Fail => verdict.said.clone(),
            Err(why) => why.clone(),
            Ok(verdict) => {
                let said = match failures.first() {
                    None => verdict.said.clone(),
                    Some(first) => format!("{}; at another try, the first: {first}", verdict.said),
                };
                return Ok(Verdict { said, ..verdict.clone() });
            }
        };
        match late() {
            Some(late) if failures.len() - counted < TRIES_OF_LATE => {
                failures.push(format!("{why} (but {late})"));
            }
            _ if counted == 0 => {
                counted += 1;
                failures.push(why);
            }
            Some(late) => return Ok(Verdict::fail(format!("{why}; {late}, each time that it was tried"))),
            None => return tried,
        }
    }
}

/// One line of the table.
#[derive(Debug, Clone, PartialEq)]
pub struct Row {
    /// Name of the instrument in the rig file.
    pub instrument: String,
    /// The promise.
    pub row: &'static str,
    /// What was found out.
    pub verdict: Verdict,
}

/// Everything that was found out.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Report {
    /// The table, in the order in which it was tried.
    pub rows: Vec<Row>,
    /// Longest time from a command's reply until the output followed, by instrument, in seconds.
    pub latency_s: BTreeMap<String, f64>,
    /// Longest time from the command until the armature was no longer driven: source to 0 V, in seconds.
    pub source_off_s: Option<f64>,
    /// The same for the amplifier's mute.
    pub amplifier_mute_s: Option<f64>,
    /// The same for a relay beside it.
    pub relay_s: Option<f64>,
    /// Longest time from the last word to the amplifier until the armature was no longer driven: its own watchdog, in seconds.
    pub amplifier_watchdog_s: Option<f64>,
    /// An instrument could not be made safe at the end; what it said.
    pub not_safe: Option<String>,
}

impl Report {
    /// True where nothing failed.
    #[must_use]
    pub fn is_green(&self) -> bool {
        self.not_safe.is_none() && self.rows.iter().all(|r| r.verdict.outcome != Outcome::Fail)
    }

    pub(super) fn add(&mut self, instrument: &str, row: &'static str, tried: Tried) {
        let verdict = tried.unwrap_or_else(Verdict::fail);
        tracing::info!(instrument, row, outcome = verdict.outcome.word(), "{}", verdict.said);
        self.rows.push(Row { instrument: instrument.to_owned(), row, verdict });
    }

    /// The measured times in the form in which a rig file has them; empty where nothing was measured.
    #[must_use]
    pub fn as_rig_lines(&self) -> String {
        let mut out = String::new();
        let ms = |seconds: f64| format!("\"{:.1} ms\"", (seconds * 1e4).ceil() / 10.0);
        for (action, time) in [
            (SafeAction::SourceOff, self.source_off_s),
            (SafeAction::AmplifierMute, self.amplifier_mute_s),
            (SafeAction::Relay, self.relay_s),
            (SafeAction::AmplifierWatchdog, self.amplifier_watchdog_s),
        ] {
            if let Some(time) = time {
                let action = action.word();
                out.push_str(&format!("[[safe_path]]\naction = \"{action}\"\ntime = {}\n\n", ms(time)));
            }
        }
        for (instrument, latency) in &self.latency_s {
            out.push_str(&format!(
                "# In [[instrument]] name = \"{instrument}\":\n# latency = {}\n\n",
                ms(*latency)
            ));
        }
        out
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// What becomes of tries that end so, and which of them the instrument was late for; and how many there were.
    fn tried(ends: &[(bool, bool)]) -> (Outcome, String, usize) {
        let now = std::cell::Cell::new(0);
        let verdict = while_in_time(
            || {
                let n = now.get();
                now.set(n + 1);
                match ends.get(n) {
                    Some((true, _)) => Ok(Verdict::pass("kept")),
                    _ => Err(format!("broken {n}")),
                }
            },
            || ends.get(now.get() - 1).is_none_or(|(_, late)| *late).then(|| "it was late".to_owned()),
        );
        let verdict = verdict.unwrap_or_else(Verdict::fail);
        (verdict.outcome, verdict.said, now.get())
    }

    #[test]
    fn a_promise_that_is_broken_twice_is_broken() {
        assert_eq!(tried(&[(true, false)]), (Outcome::Pass, "kept".to_owned(), 1));
        let (outcome, said, tries) = tried(&[(false, false), (true, false)]);
        assert_eq!((outcome, tries), (Outcome::Pass, 2));
        assert!(said.contains("the first: broken 0"), "{said}");
        assert_eq!(tried(&[(false, false), (false, false), (true, false)]).0, Outcome::Fail);
    }

    #[test]
    fn what_fails_while_the_instrument_is_late_is_tried_again_and_not_for_ever() {
        let (outcome, said, tries) = tried(&[(false, true), (false, true), (false, false), (true, false)]);
        assert_eq!((outcome, tries), (Outcome::Pass, 4));
        assert!(said.contains("broken 0 (but it was late)"), "{said}");
        // Late in between takes nothing from a driver that breaks its promise on an instrument that is in time.
        assert_eq!(tried(&[(false, false), (false, true), (false, false), (true, false)]).0, Outcome::Fail);
        let (outcome, said, tries) = tried(&[]);
        assert_eq!((outcome, tries), (Outcome::Fail, TRIES_OF_LATE + 2));
        assert!(said.contains("it was late, each time"), "{said}");
    }
}
