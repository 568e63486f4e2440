//! The schemas that editors use and the readers take the same documents; a validator of somebody else's is the judge.

use super::chance::Chance;
use super::documents::draw;
use crate::figure::Figure;
use crate::program::path_of_calwright;
use crate::python;
use anyhow::{Context, Result, ensure};
use plan_schema::faults::Faults;
use plan_schema::job::Job;
use plan_schema::plan::Plan;
use plan_schema::read::Written;
use plan_schema::record::from_json;
use plan_schema::registers::{ReferenceRegister, SensorRegister};
use plan_schema::rig::Rig;
use plan_schema::scope::Scope;
use plan_schema::{WRITTEN_KINDS, schema};
use serde_json::{Value, json};
use std::fmt::Write as _;
use std::path::Path;

/// Draws `count` documents and counts those that one takes and the other does not.
///
/// # Errors
/// If the check can't be carried out, or the documents are all of one sort.
pub fn documents(count: usize) -> Result<Figure> {
    let folder = tempfile::tempdir()?;
    let path = folder.path().join("documents.jsonl");
    let mut chance = Chance::new(1);
    let schemas: Vec<Value> =
        WRITTEN_KINDS.iter().map(|kind| schema(kind).context("no schema")).collect::<Result<_>>()?;
    let (mut lines, mut taken) = (String::new(), 0_usize);
    for n in 0..count {
        let (kind, schema) = (WRITTEN_KINDS[n % WRITTEN_KINDS.len()], &schemas[n % schemas.len()]);
        // Half of them are meant to be right.
        let wrong = if chance.in_percent(50) { 0 } else { chance.below(5) };
        let document = draw(schema, wrong, &mut chance);
        let accepted = takes(kind, &document);
        taken += usize::from(accepted);
        writeln!(lines, "{}", json!({ "kind": kind, "document": document, "accepted": accepted }))?;
    }
    std::fs::write(&path, lines)?;
    ensure!(
        taken * 20 > count && taken * 20 < 19 * count,
        "{taken} of {count} documents were taken: all of one sort"
    );
    let program = path_of_calwright()?;
    let finished = python::run("agreement.py", [program, Path::new(&path)])?;
    let line = finished.stdout.lines().next_back().unwrap_or_default();
    let said: Value = serde_json::from_str(line)
        .with_context(|| format!("the check broke down: {}{}", finished.stdout, finished.stderr))?;
    let compared = said["compared"].as_u64().context("nothing was compared")?;
    ensure!(compared == count as u64, "{compared} of {count} documents were compared");
    let words = finished.stderr.trim_end();
    let sample =
        format!("{count} documents of {} kinds, {taken} of them taken by the reader", WRITTEN_KINDS.len());
    Ok(Figure {
        what: "documents that the reader takes and the schema does not, or the other way round".to_owned(),
        value: said["differ"].as_f64().context("no count of differences")?,
        limit: 0.0,
        unit: "",
        sample: if words.is_empty() { sample } else { format!("{sample}\n{words}") },
        seeds: vec![1],
    })
}

/// Whether the reader of a kind takes a document.
fn takes(kind: &str, document: &Value) -> bool {
    fn read<T: Written>(document: &Value) -> bool {
        from_json::<T>("drawn", document).is_ok()
    }
    match kind {
        "plan" => read::<Plan>(document),
        "job" => read::<Job>(document),
        "rig" => read::<Rig>(document),
        "sensors" => read::<SensorRegister>(document),
        "references" => read::<ReferenceRegister>(document),
        "scope" => read::<Scope>(document),
        _ => read::<Faults>(document),
    }
}
