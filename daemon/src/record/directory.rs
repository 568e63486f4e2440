//! The run directory: `run.json`, `journal.jsonl`, `raw/`, and what is derived from them.
//!
//! Owns the order of writing: raw waveforms first, then the journal entry that names them by hash.
//! Invariant: a point that was reported as stored is on the disk with everything that its results need.

use super::channel_ratio::{ConfirmedEntry, RatioToneEntry};
use super::convert;
use super::earlier::Earlier;
use super::journal::{
    Chain, ClockSetEntry, FinishedEntry, FirstMotionEntry, LeaveEntry, PausedEntry, PointEntry, QuietEntry,
    StartedEntry, TakenOverEntry, TripEntry, UnreachedEntry, WentOnEntry, What,
};
use super::raw::Raw;
use super::run::RunRecord;
use super::substitution::SubstitutedEntry;
use super::time::UtcTime;
use crate::files::Files;
use crate::hash::sha256;
use crate::station::RunStore;
use crate::station::leave::Leave;
use calibration::evaluate::RunFacts;
use calibration::interlock::Trip;
use calibration::sequence::{
    Cable, FirstMotion, Measurement, Pause, PointEnd, QuietRecord, QuietTime, RatioTone, Recent, ToneOf,
};
use jiff::{SignedDuration, Timestamp};
use plan_schema::resolve::ResolvedJob;
use serde::Serialize;
use std::collections::BTreeMap;
use std::io;
use std::path::{Path, PathBuf};
use std::sync::Arc;

/// A run directory that is being written.
pub struct RunDirectory {
    path: PathBuf,
    files: Arc<dyn Files>,
    chain: Chain,
    /// Length of the journal's whole lines in bytes.
    whole: usize,
    /// The last line could not be written: the end of the journal may be torn.
    torn: bool,
    run: String,
    names: Vec<String>,
    rate: f64,
    harmonics: u32,
    /// Time constant of a sensor's high-pass in s, for each column that has one.
    decays: Vec<Option<f64>>,
    /// What is needed to evaluate the run when it is over.
    pub facts: RunFacts,
}

impl RunDirectory {
    /// Makes the directory and writes `run.json` and the first entry; `leave` is what the run moves under, none for a dry
    /// run.
    ///
    /// # Errors
    /// Of the disk; `AlreadyExists` where something lies there already: nothing is ever overwritten.
    pub fn create(
        path: &Path,
        files: Arc<dyn Files>,
        record: &RunRecord,
        job: &ResolvedJob,
        leave: Option<&Leave>,
    ) -> io::Result<Self> {
        let occupied = std::fs::read_dir(path).is_ok_and(|mut entries| entries.next().is_some());
        if occupied || path.is_file() {
            let message =
                format!("{} is not empty; name a folder that is, or does not exist yet", path.display());
            return Err(io::Error::new(io::ErrorKind::AlreadyExists, message));
        }
        files.create_dir(&path.join("raw"))?;
        files.create_dir(path)?;
        let text = pretty(record)?;
        files.write(&path.join("run.json"), text.as_bytes())?;
        let mut directory = Self {
            path: path.to_owned(),
            files,
            chain: Chain::default(),
            whole: 0,
            torn: false,
            run: record.run.clone(),
            names: job.columns.iter().map(|c| c.name.clone()).collect(),
            rate: job.rig.acquisition.rate.si(),
            harmonics: job.plan.harmonics,
            decays: decays(job),
            facts: RunFacts::default(),
        };
        let leave = leave.map(|l| LeaveEntry {
            name: l.name.clone(),
            given_utc: l.given_utc,
            until_utc: l.until_utc,
            checklist: l.checklist.clone(),
        });
        let entry = StartedEntry { run_sha256: sha256(text.as_bytes()), leave };
        directory.enter(record.started, What::Started(entry))?;
        Ok(directory)
    }

    /// Takes over what is complete of an earlier run: its waveforms, then its entries, each as it was.
    ///
    /// # Errors
    /// Of the disk.
    pub fn take_over(&mut self, at: UtcTime, from: &Path, earlier: &Earlier) -> io::Result<()> {
        for hash in earlier.entries.iter().filter_map(|entry| entry.what.raw_sha256()) {
            let name = format!("raw/{hash}.parquet");
            let bytes = self.files.read(&from.join(&name))?;
            self.files.write(&self.path.join(&name), &bytes)?;
        }
        let entry = TakenOverEntry {
            run: earlier.run.clone(),
            journal_sha256: earlier.head.clone(),
            entries: earlier.entries.len() as u64,
        };
        self.enter(at, What::TakenOver(entry))?;
        for entry in &earlier.entries {
            self.enter(entry.t_utc, entry.what.clone())?;
        }
        self.facts = earlier.facts.clone();
        Ok(())
    }

    /// Where it lies.
    #[must_use]
    pub fn path(&self) -> &Path {
        &self.path
    }

    fn enter(&mut self, at: UtcTime, what: What) -> io::Result<()> {
        let path = self.path.join("journal.jsonl");
        if self.torn {
            // What a failed write left of a line must not stand before the next one.
            let mut bytes = self.files.read(&path)?;
            bytes.truncate(self.whole);
            self.files.write(&path, &bytes)?;
            self.torn = false;
        }
        // The chain moves on only with a line that is on the disk.
        let mut chain = self.chain.clone();
        let line = chain.line(at, what).map_err(io::Error::other)?;
        self.torn = true;
        self.files.append(&path, line.as_bytes())?;
        self.torn = false;
        self.whole += line.len();
        self.chain = chain;
        Ok(())
    }

    /// Writes waveforms under the name of their hash, and returns it.
    fn keep(&self, columns: &[Vec<f32>], mut metadata: BTreeMap<String, String>) -> io::Result<String> {
        metadata.insert("rate_hz".to_owned(), self.rate.to_string());
        metadata.insert("channels".to_owned(), self.names.join(","));
        let raw = Raw { names: self.names.clone(), columns: columns.to_vec(), metadata };
        let bytes = raw.encode().map_err(io::Error::other)?;
        let hash = sha256(&bytes);
        self.files.write(&self.path.join("raw").join(format!("{hash}.parquet")), &bytes)?;
        Ok(hash)
    }

    /// Writes what is derived, then the last entry that vouches for it.
    ///
    /// # Errors
    /// Of the disk.
    pub fn finish<R: Serialize, T: Serialize>(
        &mut self,
        mut entry: FinishedEntry,
        result: &R,
        truth: Option<&T>,
    ) -> io::Result<()> {
        let text = pretty(result)?;
        self.files.write(&self.path.join("result.json"), text.as_bytes())?;
        entry.result_sha256 = sha256(text.as_bytes());
        if let Some(truth) = truth {
            let text = pretty(truth)?;
            self.files.write(&self.path.join("truth.json"), text.as_bytes())?;
            entry.truth_sha256 = Some(sha256(text.as_bytes()));
        }
        self.enter(entry.ended, What::Finished(Box::new(entry)))
    }

    fn measured(&mut self, at: Timestamp, m: Measurement) -> io::Result<()> {
        let raw_sha256 = self.keep(&m.samples, self.dwell_metadata(&m))?;
        let entry = PointEntry {
            point: m.point as u64 + 1,
            repeat: m.repeat + 1,
            closing: m.closing,
            first_sample: m.first_sample.0,
            applied_frequency_hz: m.applied_frequency.si(),
            start_frequency_hz: m.start_frequency.si(),
            drive_v_peak: m.drive.si(),
            settle_s: m.settle.si(),
            settled_error_percent: m.settled_error * 100.0,
            temperature_degc: m.temperature.map(|t| t.si()),
            findings: outside_findings(&m),
            raw_sha256,
        };
        self.enter(at.into(), What::Point(entry))?;
        // The waveforms are on the disk; a night's run must not keep them all in memory.
        self.facts.ends.push(PointEnd::Measured(Measurement { samples: Arc::default(), ..m }));
        Ok(())
    }
}

/// Findings that measuring the waveforms again does not give: they speak of the room, not of the samples.
fn outside_findings(m: &Measurement) -> Vec<super::result::Finding> {
    let outside =
        |f: &&calibration::sequence::Finding| f.kind == calibration::sequence::FindingKind::AmbientOut;
    m.findings.iter().filter(outside).map(convert::finding).collect()
}

impl RunDirectory {
    /// What is needed to fit a dwell again without this program.
    fn dwell_metadata(&self, m: &Measurement) -> BTreeMap<String, String> {
        let mut metadata = BTreeMap::from([
            ("content".to_owned(), "dwell".to_owned()),
            ("point".to_owned(), (m.point + 1).to_string()),
            ("repeat".to_owned(), (m.repeat + 1).to_string()),
            ("first_sample".to_owned(), m.first_sample.0.to_string()),
            ("applied_frequency_hz".to_owned(), m.applied_frequency.si().to_string()),
            ("start_frequency_hz".to_owned(), m.start_frequency.si().to_string()),
            ("model_harmonics".to_owned(), self.harmonics.max(1).to_string()),
            (
                "model_terms".to_owned(),
                "offset,drift,cosine and sine of each harmonic,cosine and sine of each line of the mains,decay from the \
                 first sample where a channel has one"
                    .to_owned(),
            ),
        ]);
        let Ok(estimate) = &m.estimate else {
            return metadata;
        };
        let bounds: Vec<String> =
            estimate.segments.iter().map(|s| format!("{}:{}", s.start, s.end)).collect();
        metadata.insert("segments".to_owned(), bounds.join(","));
        metadata.insert("fitted_frequency_hz".to_owned(), estimate.frequency.si().to_string());
        let lines = estimate.channels.first().map_or(&[][..], |c| &c.mains);
        let mains = self.facts.rest().and_then(|r| r.mains).map_or(0.0, |f| f.si());
        let lines: Vec<String> =
            lines.iter().map(|(line, _)| (mains * f64::from(*line)).to_string()).collect();
        metadata.insert("model_mains_hz".to_owned(), lines.join(","));
        let fitted = std::iter::zip(&estimate.channels, &self.decays);
        let decays: Vec<String> =
            fitted.map(|(c, decay)| c.decay.and(*decay).map_or(String::new(), |s| s.to_string())).collect();
        metadata.insert("model_decays_s".to_owned(), decays.join(","));
        metadata
    }
}

/// Time constants of sensors with a high-pass, by column.
fn decays(job: &ResolvedJob) -> Vec<Option<f64>> {
    let mut decays = vec![None; job.columns.len()];
    for sensor in &job.sensors {
        if let Some(slot) = decays.get_mut(sensor.column) {
            *slot = sensor.sensor.decay().map(|decay| decay.si());
        }
    }
    decays
}

impl RunStore for RunDirectory {
    fn quiet(&mut self, at: Timestamp, record: QuietRecord) -> io::Result<()> {
        let metadata = BTreeMap::from([
            ("content".to_owned(), "quiet".to_owned()),
            ("first_sample".to_owned(), record.first_sample.0.to_string()),
        ]);
        let raw_sha256 = self.keep(&record.samples, metadata)?;
        let before = record.when == QuietTime::Before;
        let entry = QuietEntry { before, first_sample: record.first_sample.0, raw_sha256 };
        self.enter(at.into(), What::Quiet(entry))?;
        self.facts.quiet.push(QuietRecord { samples: Arc::default(), ..record });
        Ok(())
    }

    fn first_motion(&mut self, at: Timestamp, motion: FirstMotion) -> io::Result<()> {
        let metadata = BTreeMap::from([
            ("content".to_owned(), "first_motion".to_owned()),
            ("first_sample".to_owned(), motion.first_sample.0.to_string()),
            ("applied_frequency_hz".to_owned(), motion.frequency.si().to_string()),
        ]);
        let raw_sha256 = self.keep(&motion.samples, metadata)?;
        let entry = FirstMotionEntry {
            first_sample: motion.first_sample.0,
            applied_frequency_hz: motion.frequency.si(),
            drive_v_peak: motion.drive.si(),
            began_samples: motion.began.map(|(earliest, latest)| (earliest.0, latest.0)),
            findings: motion.verdict.findings.iter().map(convert::finding).collect(),
            raw_sha256,
        };
        self.enter(at.into(), What::FirstMotion(entry))?;
        self.facts.first_motion = Some(FirstMotion { samples: Arc::default(), ..motion });
        Ok(())
    }

    fn point(&mut self, at: Timestamp, end: PointEnd) -> io::Result<()> {
        match end {
            PointEnd::Measured(m) => self.measured(at, m),
            PointEnd::Unreached { point, repeat, closing, settle, ref finding } => {
                let entry = UnreachedEntry {
                    point: point as u64 + 1,
                    repeat: repeat + 1,
                    closing,
                    settle_s: settle.si(),
                    finding: convert::finding(finding),
                };
                self.enter(at.into(), What::Unreached(entry))?;
                self.facts.ends.push(end);
                Ok(())
            }
        }
    }

    fn ratio_tone(&mut self, at: Timestamp, tone: RatioTone) -> io::Result<()> {
        let (content, number) = match tone.of {
            ToneOf::Source(_) => ("ratio_tone", "tone"),
            ToneOf::Reference => ("substituted", "point"),
        };
        let metadata = BTreeMap::from([
            ("content".to_owned(), content.to_owned()),
            (number.to_owned(), (tone.number + 1).to_string()),
            ("first_sample".to_owned(), tone.first_sample.0.to_string()),
            ("applied_frequency_hz".to_owned(), tone.applied_frequency.si().to_string()),
        ]);
        let raw_sha256 = self.keep(&tone.samples, metadata)?;
        let what = match tone.of {
            ToneOf::Source(_) => What::RatioTone(RatioToneEntry::of(&tone, raw_sha256)),
            ToneOf::Reference => What::Substituted(SubstitutedEntry::of(&tone, raw_sha256)),
        };
        self.enter(at.into(), what)?;
        self.facts.channels.push(RatioTone { samples: Arc::default(), ..tone });
        Ok(())
    }

    fn confirmed(&mut self, at: Timestamp, cable: Cable, name: &str) -> io::Result<()> {
        let entry = ConfirmedEntry { cable: convert::cable(cable), name: name.to_owned() };
        let at = UtcTime::from(at);
        self.enter(at, What::Confirmed(entry))?;
        self.facts.confirmed.push((cable, name.to_owned(), at.to_string()));
        Ok(())
    }

    fn pause(&mut self, at: Timestamp, pause: &Pause) -> io::Result<()> {
        let entry = match pause {
            Pause::Begins { point, finding } => What::Paused(PausedEntry {
                point: point.map(|n| n as u64 + 1),
                finding: convert::finding(finding),
            }),
            Pause::Ends { lasted } => What::WentOn(WentOnEntry { paused_s: lasted.si() }),
        };
        self.enter(at.into(), entry)
    }

    fn trip(&mut self, at: Timestamp, trip: &Trip, recent: &Recent) -> io::Result<()> {
        let first_sample = recent.first_sample().0;
        let metadata = BTreeMap::from([
            ("content".to_owned(), "trip".to_owned()),
            ("first_sample".to_owned(), first_sample.to_string()),
        ]);
        let raw_sha256 = self.keep(&recent.samples(), metadata)?;
        let entry = TripEntry { trip: convert::trip(trip, &self.run, at.into()), first_sample, raw_sha256 };
        self.enter(at.into(), What::Trip(entry))
    }

    fn clock_set(&mut self, at: Timestamp, by: SignedDuration) -> io::Result<()> {
        self.enter(at.into(), What::ClockSet(ClockSetEntry { set_by_s: by.as_secs_f64() }))
    }
}

/// A record as the text of its file.
pub(crate) fn pretty<T: Serialize>(value: &T) -> io::Result<String> {
    let mut text = serde_json::to_string_pretty(value).map_err(io::Error::other)?;
    text.push('\n');
    Ok(text)
}
