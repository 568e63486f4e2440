//! Every reader against mangled and drawn input: none may panic, and whoever refuses says where and what to write.

use super::chance::Chance;
use super::documents::draw;
use super::mangle::mangle;
use crate::bench::Bench;
use crate::figure::Figure;
use crate::program::root;
use anyhow::{Context, Result, ensure};
use calwright::record::journal::Journal;
use calwright::record::{ResultRecord, RunRecord};
use calwright::settings::Settings;
use plan_schema::faults::Faults;
use plan_schema::job::Job;
use plan_schema::migrate::migrate;
use plan_schema::plan::Plan;
use plan_schema::read::{Document, Report, Written};
use plan_schema::record::from_json;
use plan_schema::registers::{Date, OutputSensitivity, ReferenceRegister, SensorRegister};
use plan_schema::rig::Rig;
use plan_schema::units::{
    Accel, Amplitude, Celsius, Fraction, Hertz, Kilograms, Peak, Quantity, QuantityError, Rms, Sensitivity,
    Volts,
};
use serde_json::Value;
use std::fmt::Display;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::str::FromStr;
use std::sync::atomic::{AtomicU64, Ordering};

/// One in so many refusals is printed, as the command line would.
const PRINTED: u64 = 64;

/// What a reader does with a text: whether it takes it, or what is wrong with the way it refuses.
type Reads = fn(&str, bool) -> Result<bool, String>;

/// A reader, texts that it takes, and the schema to draw others from.
struct Reader {
    name: &'static str,
    reads: Reads,
    texts: Vec<String>,
    schema: Option<Value>,
}

/// How often a reader was tried, and what was found.
#[derive(Debug, Default)]
struct Tally {
    tried: u64,
    taken: u64,
    found: u64,
    /// The first of them.
    findings: Vec<String>,
}

/// Findings of a reader that are told.
const TOLD: usize = 5;

impl Tally {
    fn add(&mut self, other: Self) {
        self.tried += other.tried;
        self.taken += other.taken;
        self.found += other.found;
        let room = TOLD.saturating_sub(self.findings.len());
        self.findings.extend(other.findings.into_iter().take(room));
    }
}

/// Tries every reader `count` times.
///
/// # Errors
/// If the texts to start from can't be had.
pub fn readers(count: u64) -> Result<Figure> {
    let readers = all()?;
    let hook = std::panic::take_hook();
    // A panic is a finding, told with the others.
    std::panic::set_hook(Box::new(|_| {}));
    let tallies = try_all(&readers, count);
    std::panic::set_hook(hook);
    let mut findings = 0;
    let mut sample = Vec::new();
    for (reader, tally) in readers.iter().zip(&tallies) {
        ensure!(tally.tried >= count && tally.taken > 0, "{} was not tried: {tally:?}", reader.name);
        findings += tally.found;
        sample.push(format!("{} {} ({} taken)", reader.name, tally.tried, tally.taken));
        sample.extend(tally.findings.iter().cloned());
    }
    Ok(Figure {
        what: "inputs that make a reader panic, or that it refuses without place or words".to_owned(),
        value: findings as f64,
        limit: 0.0,
        unit: "",
        sample: sample.join("\n          "),
        seeds: (1..=count.div_ceil(PIECE)).collect(),
    })
}

/// Executions with one seed: what a thread takes at a time.
const PIECE: u64 = 50_000;

/// Reader after reader, in pieces that are shared out to all processors; each piece has a seed of its own, so that what is
/// tried does not depend on how many there are. What a reader came to is told as soon as it is done: the full form takes
/// hours.
#[expect(clippy::print_stderr, reason = "progress of hours")]
fn try_all(readers: &[Reader], count: u64) -> Vec<Tally> {
    let pieces = count.div_ceil(PIECE);
    let each = count.div_ceil(pieces.max(1));
    let threads = std::thread::available_parallelism().map_or(1, std::num::NonZero::get);
    readers
        .iter()
        .map(|reader| {
            let next = AtomicU64::new(1);
            let worker = || {
                let mut tally = Tally::default();
                loop {
                    let seed = next.fetch_add(1, Ordering::Relaxed);
                    if seed > pieces {
                        return tally;
                    }
                    tally.add(try_one(reader, each, seed));
                }
            };
            let tally = std::thread::scope(|scope| {
                let others: Vec<_> = (1..threads).map(|_| scope.spawn(worker)).collect();
                let mut tally = worker();
                others.into_iter().filter_map(|other| other.join().ok()).for_each(|other| tally.add(other));
                tally
            });
            eprintln!("{}: {} tried, {} taken, {} found", reader.name, tally.tried, tally.taken, tally.found);
            tally
        })
        .collect()
}

fn try_one(reader: &Reader, count: u64, seed: u64) -> Tally {
    let mut chance = Chance::new(seed);
    let mut tally = Tally::default();
    for n in 0..count {
        let text = match &reader.schema {
            // One in eight is drawn from the grammar, with a mistake here and there; the others are mangled.
            Some(schema) if n % 8 == 0 => {
                let wrong = chance.below(6);
                toml_of(&draw(schema, wrong, &mut chance))
            }
            _ => {
                let which = chance.below(reader.texts.len());
                let text = reader.texts.get(which).cloned().unwrap_or_default();
                if n % 64 == 1 { text } else { mangle(&text, &mut chance) }
            }
        };
        let print = n % PRINTED == 0;
        let outcome = catch_unwind(AssertUnwindSafe(|| (reader.reads)(&text, print)))
            .unwrap_or_else(|panic| Err(format!("panicked: {}", words_of(&*panic))));
        tally.tried += 1;
        match outcome {
            Ok(taken) => tally.taken += u64::from(taken),
            Err(finding) => {
                tally.found += 1;
                if tally.findings.len() < TOLD {
                    tally.findings.push(format!("{}: {finding}: {text:?}", reader.name));
                }
            }
        }
    }
    tally
}

fn words_of(panic: &(dyn std::any::Any + Send)) -> String {
    let text =
        panic.downcast_ref::<String>().map(String::as_str).or_else(|| panic.downcast_ref::<&str>().copied());
    text.unwrap_or("without words").to_owned()
}

/// A drawn document as the TOML that it means.
fn toml_of(value: &Value) -> String {
    toml::to_string(value).unwrap_or_else(|_| value.to_string())
}

fn written<T: Written>(text: &str, print: bool) -> Result<bool, String> {
    refusal(Document::<T>::read("any.toml", text).map(|_| ()), print)
}

/// Whether a refusal says where and what.
fn refusal(outcome: Result<(), Report>, print: bool) -> Result<bool, String> {
    let Err(report) = outcome else { return Ok(true) };
    if report.0.error_count() == 0 {
        return Err("refused without an error".to_owned());
    }
    for d in &report.0.0 {
        let lines = d.source.text.lines().count().max(1);
        let (line, column) = d.line_column();
        if d.message.is_empty() || d.remedy.as_ref().is_none_or(String::is_empty) {
            return Err(format!("an error without words or remedy: {d:?}"));
        }
        if line == 0 || line > lines + 1 || column == 0 {
            return Err(format!("an error at no place of the text: {line}:{column} of {lines} lines"));
        }
    }
    if print && !report.0.render(true).contains("any.toml") {
        return Err("a message that does not name the file".to_owned());
    }
    Ok(false)
}

fn quantity<T: FromStr<Err = QuantityError> + Display + PartialEq>(text: &str) -> Result<bool, String> {
    match text.parse::<T>() {
        Ok(value) => match value.to_string().parse::<T>() {
            Ok(again) if again == value => Ok(true),
            _ => Err(format!("{value} does not read back")),
        },
        Err(error) if error.message.is_empty() || error.remedy.is_empty() => {
            Err("refused without words".to_owned())
        }
        Err(_) => Ok(false),
    }
}

fn quantities(text: &str, _: bool) -> Result<bool, String> {
    let taken = [
        quantity::<Hertz>(text)?,
        quantity::<Accel<Peak>>(text)?,
        quantity::<Amplitude>(text)?,
        quantity::<Volts<Rms>>(text)?,
        quantity::<Kilograms>(text)?,
        quantity::<Celsius>(text)?,
        quantity::<Fraction>(text)?,
        quantity::<Sensitivity>(text)?,
        quantity::<OutputSensitivity>(text)?,
        quantity::<Quantity<plan_schema::units::PerKelvin>>(text)?,
        text.parse::<Date>().is_ok(),
    ];
    Ok(taken.contains(&true))
}

fn migrated(text: &str, print: bool) -> Result<bool, String> {
    match migrate("any.toml", text) {
        Ok(first) => match migrate("any.toml", &first.text) {
            Ok(again) if again.text == first.text && again.changes.is_empty() => Ok(true),
            _ => Err("migrating twice is not migrating once".to_owned()),
        },
        Err(report) => refusal(Err(report), print),
    }
}

fn run_record(text: &str, print: bool) -> Result<bool, String> {
    match serde_json::from_str::<RunRecord>(text) {
        Ok(record) => record.job().map(|_| true).or_else(|report| {
            let _ = print;
            refusal(Err(report), false)
        }),
        Err(error) => told(error.line(), &error),
    }
}

fn result_record(text: &str, _: bool) -> Result<bool, String> {
    match serde_json::from_str::<ResultRecord>(text) {
        Ok(_) => Ok(true),
        Err(error) => told(error.line(), &error),
    }
}

fn told(line: usize, error: &dyn Display) -> Result<bool, String> {
    if error.to_string().is_empty() {
        Err(format!("refused without words in line {line}"))
    } else {
        Ok(false)
    }
}

fn journal(text: &str, _: bool) -> Result<bool, String> {
    match Journal::read(text.as_bytes()) {
        Ok(_) => Ok(true),
        Err(words) if words.is_empty() => Err("refused without words".to_owned()),
        Err(_) => Ok(false),
    }
}

fn part<T: Written>(text: &str, _: bool) -> Result<bool, String> {
    let Ok(value) = serde_json::from_str::<Value>(text) else { return Ok(false) };
    refusal(from_json::<T>("any.toml", &value).map(|_| ()), false)
}

/// Every reader with texts of the examples, and of the records of a short run.
fn all() -> Result<Vec<Reader>> {
    let examples = |names: &[&str]| -> Result<Vec<String>> {
        let read = |name: &&str| {
            std::fs::read_to_string(root().join("examples").join(name))
                .with_context(|| format!("examples/{name}"))
        };
        names.iter().map(read).collect()
    };
    let (run, result, entries) = records()?;
    let rig = |names| {
        Ok::<_, anyhow::Error>(Reader {
            name: "rig",
            reads: written::<Rig>,
            texts: examples(names)?,
            schema: plan_schema::schema("rig"),
        })
    };
    let of = |name, reads, names: &[&str]| -> Result<Reader> {
        Ok(Reader { name, reads, texts: examples(names)?, schema: plan_schema::schema(name) })
    };
    let plain = |name, reads, texts| Reader { name, reads, texts, schema: None };
    let settings_schema = calwright::cli::schema_of_kind("settings");
    let quantities_of = [
        "0.5 Hz",
        "1 g pk",
        "10 m/s² rms",
        "8 mm pk-pk",
        "5 %",
        "12 mV/g",
        "25 g",
        "−5 °C",
        "100 µg/√Hz",
        "0.01 %/K",
        "2 mV/V/g",
        "1 1",
        "3.2e-5 V rms",
        "2026-03-31",
        "1,000.5 Hz",
        "5 ± 1 %",
        "1 000 Hz",
        "8 mm pp",
    ];
    let small = ["plans/portable.toml", "portable.toml", "faults/hum.toml"];
    Ok(vec![
        of("plan", written::<Plan>, &["plans/portable.toml", "plans/portable-night.toml"])?,
        of("job", written::<Job>, &["portable.toml", "portable-night.toml", "workshop.toml"])?,
        rig(&["rigs/portable-night.toml", "rigs/workshop.toml"])?,
        of("sensors", written::<SensorRegister>, &["registers/workshop-sensors.toml"])?,
        of("references", written::<ReferenceRegister>, &["registers/workshop-references.toml"])?,
        of("faults", written::<Faults>, &["faults/hum.toml", "faults/gain-jump.toml"])?,
        Reader {
            name: "settings",
            reads: |text, print| refusal(Settings::from_text("any.toml", text).map(|_| ()), print),
            texts: examples(&["settings/laboratory.toml"])?,
            schema: settings_schema,
        },
        plain("migrate", migrated, examples(&small)?),
        plain("quantities", quantities, quantities_of.map(str::to_owned).to_vec()),
        plain("plan in a record", part::<Plan>, vec![run.get("plan").context("no plan")?.to_string()]),
        plain("run.json", run_record, vec![run.to_string()]),
        plain("result.json", result_record, vec![result]),
        plain("journal", journal, entries),
    ])
}

/// run.json, result.json and entries of the journal of a short dry run.
fn records() -> Result<(Value, String, Vec<String>)> {
    let bench = Bench::new()?;
    let plan = "format = 1\nname = \"short\"\n[[point]]\nfrequency = \"16 Hz\"\namplitude = \"0.5 g pk\"\n";
    std::fs::write(bench.path("examples/plans/portable.toml"), plan)?;
    let arguments = ["dry-run", "examples/portable.toml", "--no-certificates", "--out", "out"];
    let finished = bench.run(&arguments)?;
    let run = bench.run_dir("out");
    let text = |name: &str| -> Result<String> {
        let bytes = run.bytes(name).with_context(|| format!("the short run failed: {}", finished.stderr))?;
        Ok(String::from_utf8(bytes)?)
    };
    let journal = text("journal.jsonl")?;
    let mut entries: Vec<String> = journal.lines().take(1).map(|line| format!("{line}\n")).collect();
    entries.push(journal);
    Ok((serde_json::from_str(&text("run.json")?)?, text("result.json")?, entries))
}
