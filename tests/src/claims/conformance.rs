//! The conformance kit: green on every driver there is, red with the right row on drivers that are broken on purpose.

use crate::conform::{BROKEN, Bench, Laboratory, of_every_driver};
use crate::figure::Figure;
use crate::program::root;
use anyhow::Result;
use jiff::Timestamp;

/// Rows of the small form on good drivers: one that every family has, and one in which each failed once.
const SMALL: &[&str] = &["an empty answer", "again and again"];

/// Both halves.
///
/// # Errors
/// If a rig does not start, or the kit comes to no table.
pub fn figures(full: bool) -> Result<Vec<Figure>> {
    Ok(vec![good(full)?, broken(full)?])
}

/// Rows that are red on drivers that are right.
///
/// # Errors
/// As [`figures`].
pub fn good(full: bool) -> Result<Figure> {
    let (mut tried, mut not_supported, mut red) = (0, 0, Vec::new());
    for bench in of_every_driver(Timestamp::now()) {
        let laboratory = Laboratory::open(&bench, &root().join("examples/plug-ins"))?;
        let table = laboratory.conform(None, if full { &[] } else { SMALL })?;
        tried += table.lines.len();
        not_supported += table.with("not supported").len();
        red.extend(
            table
                .with("fail")
                .iter()
                .map(|l| format!("{}, {}, {}: {}", bench.name, l.instrument, l.row, l.message)),
        );
        if table.status != Some(0) && red.is_empty() {
            red.push(format!("{}: exit status {:?}", bench.name, table.status));
        }
    }
    Ok(Figure {
        what: "rows that are red on the built-in drivers and both plug-ins".to_owned(),
        value: red.len() as f64,
        limit: 0.0,
        unit: "",
        sample: format!("{tried} rows, {not_supported} not supported{}", list(&red)),
        seeds: vec![1],
    })
}

/// Broken drivers that the kit does not find out, or by another row.
///
/// # Errors
/// As [`figures`].
pub fn broken(full: bool) -> Result<Figure> {
    let mut wrong = Vec::new();
    let some = |n: usize| full || n % 6 == 5;
    let tried = BROKEN.iter().enumerate().filter(|(n, _)| some(*n)).map(|(_, b)| b);
    for broken in tried.clone() {
        let folder = broken.folder(&root().join("examples/plug-ins"))?;
        let laboratory = Laboratory::open(&Bench::with_plug_ins(broken.moves), folder.path())?;
        let table = laboratory.conform(Some(broken.instrument), &[broken.row])?;
        let red = table.lines.iter().any(|l| l.row == broken.row && l.outcome == "fail");
        if !red || table.status != Some(4) {
            let said: Vec<String> =
                table.lines.iter().map(|l| format!("{} {}: {}", l.row, l.outcome, l.message)).collect();
            wrong.push(format!("{} ({})", broken.name, said.join("; ")));
        }
    }
    Ok(Figure {
        what: "drivers broken on purpose that are not found out by their row".to_owned(),
        value: wrong.len() as f64,
        limit: 0.0,
        unit: "",
        sample: format!("{} of {} broken drivers{}", tried.count(), BROKEN.len(), list(&wrong)),
        seeds: vec![1],
    })
}

fn list(wrong: &[String]) -> String {
    wrong.iter().map(|w| format!("\n    {w}")).collect()
}
