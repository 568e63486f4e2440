//! The ledger of certificates: one line each, chained to the line before and signed.
//!
//! Owns numbers: which were given, and the next one. It lies in the state folder, apart from the runs, so that a run that
//! was taken away is missed. Invariant: a line is durable before its certificate is made; a number without a certificate
//! shows that something failed, a certificate without a number can't be.

use super::key::{PrivateKey, PublicKey};
use crate::files::Files;
use crate::hash::sha256;
use crate::record::UtcTime;
use crate::record::journal::GENESIS;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use std::io;
use std::path::Path;

/// Name of the file in the state folder.
pub const FILE: &str = "certificates.jsonl";

/// Whether a pattern of numbers can be used.
///
/// # Errors
/// In words: a brace that means nothing, or nothing that counts.
pub fn check_pattern(pattern: &str) -> Result<(), String> {
    let mut rest = pattern;
    let mut counts = false;
    while let Some(at) = rest.find(['{', '}']) {
        let after = rest.get(at..).unwrap_or_default();
        let end = after.strip_prefix('{').and_then(|inner| inner.find('}'));
        let name = end.and_then(|end| after.get(1..=end));
        match name {
            Some("n") => counts = true,
            Some("year") => {}
            Some(other) => return Err(format!("{{{other}}} stands for nothing")),
            None => return Err("a brace is alone".to_owned()),
        }
        rest = after.get(name.map_or(0, str::len) + 2..).unwrap_or_default();
    }
    if counts {
        Ok(())
    } else {
        Err("nothing in it counts, so the second number would be the first again".to_owned())
    }
}

/// One certificate.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Line {
    /// Number of the line, from 0.
    pub seq: u64,
    /// When it was written.
    pub t_utc: UtcTime,
    /// Number of the certificate.
    pub number: String,
    /// Serial number of the sensor.
    pub serial: String,
    /// The run.
    pub run: String,
    /// SHA-256 of the last line of the run's journal.
    pub journal_head: String,
    /// SHA-256 of the line before; zeros for the first.
    pub prev: String,
}

/// A line as it lies in the file: what is signed are the bytes of `line`.
#[derive(Debug, Clone, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct Signed {
    line: String,
    signature: String,
}

/// The lines of a ledger.
#[derive(Debug, Clone, Default)]
pub struct Ledger {
    /// In the order in which they were written.
    pub lines: Vec<Line>,
    signed: Vec<(String, String)>,
    head: Option<String>,
}

impl Ledger {
    /// Reads the ledger of a state folder; empty where there is none yet.
    ///
    /// # Errors
    /// In words, with the line: anything that is not chained as it was written.
    pub fn read(path: &Path, files: &dyn Files) -> Result<Self, String> {
        let bytes = match files.read(path) {
            Ok(bytes) => bytes,
            Err(error) if error.kind() == io::ErrorKind::NotFound => return Ok(Self::default()),
            Err(error) => return Err(format!("{}: {error}", path.display())),
        };
        let text = String::from_utf8(bytes).map_err(|error| format!("{}: {error}", path.display()))?;
        if !text.is_empty() && !text.ends_with('\n') {
            return Err(format!("{}: the last line is torn", path.display()));
        }
        let mut ledger = Self::default();
        for (n, text) in text.lines().enumerate() {
            ledger.take(n, text).map_err(|what| format!("{}, line {}: {what}", path.display(), n + 1))?;
        }
        Ok(ledger)
    }

    fn take(&mut self, n: usize, text: &str) -> Result<(), String> {
        let signed: Signed = serde_json::from_str(text).map_err(|error| error.to_string())?;
        let line: Line = serde_json::from_str(&signed.line).map_err(|error| error.to_string())?;
        if line.seq != n as u64 {
            return Err(format!("its number is {}, so lines were taken out or put elsewhere", line.seq));
        }
        if line.prev != self.head.as_deref().unwrap_or(GENESIS) {
            return Err("it does not follow the line before".to_owned());
        }
        if self.lines.iter().any(|other| other.number == line.number) {
            return Err(format!("the number {} was given before", line.number));
        }
        self.head = Some(sha256(text.as_bytes()));
        self.lines.push(line);
        self.signed.push((signed.line, signed.signature));
        Ok(())
    }

    /// The lines that were not signed with this key, by their number from 1.
    #[must_use]
    pub fn unsigned(&self, key: &PublicKey) -> Vec<usize> {
        let each = self.signed.iter().enumerate();
        each.filter(|(_, (line, signature))| !key.verifies(line.as_bytes(), signature))
            .map(|(n, _)| n + 1)
            .collect()
    }

    /// Adds a line and makes it durable.
    ///
    /// # Errors
    /// If the number was given before, or of the disk.
    pub fn add(
        &mut self,
        path: &Path,
        files: &dyn Files,
        key: &PrivateKey,
        entry: NewLine<'_>,
    ) -> Result<(), String> {
        if self.has(entry.number) {
            return Err(format!("the number {} was given before; take another one", entry.number));
        }
        let line = Line {
            seq: self.lines.len() as u64,
            t_utc: entry.at,
            number: entry.number.to_owned(),
            serial: entry.serial.to_owned(),
            run: entry.run.to_owned(),
            journal_head: entry.journal_head.to_owned(),
            prev: self.head.clone().unwrap_or_else(|| GENESIS.to_owned()),
        };
        let line = serde_json::to_string(&line).map_err(|error| error.to_string())?;
        let signature = key.sign(line.as_bytes());
        let text = serde_json::to_string(&Signed { line, signature }).map_err(|error| error.to_string())?;
        files.append(path, format!("{text}\n").as_bytes()).map_err(|e| format!("{}: {e}", path.display()))?;
        self.take(self.lines.len(), &text)
    }

    /// True if a number was given before.
    #[must_use]
    pub fn has(&self, number: &str) -> bool {
        self.lines.iter().any(|line| line.number == number)
    }

    /// The next number by a pattern, in which `{year}` is the year and `{n}` counts this year's certificates in four
    /// digits; `meant` are those that will be given before it.
    #[must_use]
    pub fn next_number(&self, pattern: &str, at: UtcTime, meant: &[String]) -> String {
        let year = at.civil().year();
        let given = self.lines.iter().filter(|line| line.t_utc.civil().year() == year).count();
        let filled =
            |n: usize| pattern.replace("{year}", &year.to_string()).replace("{n}", &format!("{n:04}"));
        let taken = |number: &String| self.has(number) || meant.contains(number);
        (given + meant.len() + 1..)
            .map(filled)
            .find(|number| !taken(number) || !pattern.contains("{n}"))
            .unwrap_or_default()
    }
}

/// What a new line says.
#[derive(Debug, Clone, Copy)]
pub struct NewLine<'a> {
    /// When.
    pub at: UtcTime,
    /// Number of the certificate.
    pub number: &'a str,
    /// Serial number of the sensor.
    pub serial: &'a str,
    /// The run.
    pub run: &'a str,
    /// SHA-256 of the last line of the run's journal.
    pub journal_head: &'a str,
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::files::Disk;

    fn filled(path: &Path, key: &PrivateKey) -> Ledger {
        let mut ledger = Ledger::default();
        for n in 1..=3 {
            let at: UtcTime = "2000-03-01T10:00:00Z".parse().unwrap();
            let number = ledger.next_number("X{year}-{n}", at, &[]);
            assert_eq!(number, format!("X2000-000{n}"));
            let entry = NewLine { at, number: &number, serial: "S", run: "r", journal_head: GENESIS };
            ledger.add(path, &Disk, key, entry).unwrap();
        }
        ledger
    }

    #[test]
    fn patterns_that_can_t_count_are_refused() {
        for good in ["{year}-{n}", "{n}", "LAB {n}/{year} ä"] {
            assert_eq!(check_pattern(good), Ok(()), "{good}");
        }
        for (bad, why) in [
            ("{year}", "counts"),
            ("", "counts"),
            ("{month}-{n}", "{month}"),
            ("{n", "alone"),
            ("n}", "alone"),
            ("{}{n}", "{}"),
        ] {
            assert!(check_pattern(bad).unwrap_err().contains(why), "{bad}");
        }
    }

    #[test]
    fn numbers_are_given_once() {
        let dir = tempfile::tempdir().unwrap();
        let (path, key) = (dir.path().join(FILE), PrivateKey::generate().unwrap());
        let mut ledger = filled(&path, &key);
        let at = "2000-03-01T10:00:00Z".parse().unwrap();
        let again = NewLine { at, number: "X2000-0002", serial: "S", run: "r", journal_head: GENESIS };
        assert!(ledger.add(&path, &Disk, &key, again).unwrap_err().contains("given before"));
        assert_eq!(Ledger::read(&path, &Disk).unwrap().lines, ledger.lines);
        assert_eq!(
            ledger.next_number("X{year}-{n}", "2001-01-01T00:00:00Z".parse().unwrap(), &[]),
            "X2001-0001"
        );
    }

    #[test]
    fn lines_taken_out_swapped_or_chained_anew_are_seen() {
        let dir = tempfile::tempdir().unwrap();
        let (path, key) = (dir.path().join(FILE), PrivateKey::generate().unwrap());
        filled(&path, &key);
        let text = std::fs::read_to_string(&path).unwrap();
        let lines: Vec<&str> = text.lines().collect();
        let read = |lines: &[&str]| {
            std::fs::write(&path, lines.join("\n") + "\n").unwrap();
            Ledger::read(&path, &Disk)
        };
        assert!(read(&[lines[0], lines[2]]).is_err());
        assert!(read(&[lines[1], lines[0], lines[2]]).is_err());
        assert!(read(&lines).unwrap().unsigned(&key.public()).is_empty());
        // Another key chains anew without a flaw, and is told by the signatures.
        std::fs::remove_file(&path).unwrap();
        let other = PrivateKey::generate().unwrap();
        filled(&path, &other);
        assert_eq!(Ledger::read(&path, &Disk).unwrap().unsigned(&key.public()), [1, 2, 3]);
    }
}
