//! The conformance kit on the host of a sound interface, with a null sink in place of a card. What moves the armature is left out:
//! there is none.

use super::{CODE_ONLY, TRIES};
use crate::figure::Figure;
use crate::program::{Finished, calwright, root};
use crate::sound::NullSink;
use anyhow::{Context, Result, ensure};
use serde_json::Value;
use std::os::unix::fs::PermissionsExt;
use std::path::Path;
use tempfile::TempDir;

/// The example's rig on a null sink: what is written there, and what instead. Long buffers and a patient daemon, since the kit is
/// to judge the driver and not the machine.
const OTHERWISE: [(&str, &str); 6] = [
    ("device = \"hw:CARD=Bench\"", "device = \"loop\"\nsoftware = \"the conformance kit\""),
    ("playback_channels = 2", "playback_channels = 1"),
    ("period_samples = 128", "period_samples = 960"),
    ("periods = 3", "periods = 16"),
    ("block = \"5 ms\"", "block = \"20 ms\""),
    ("[roles]", "[timing]\nblock_limit = \"2 s\"\n\n[roles]"),
];
/// The row that a busy machine spoils, since a null sink has no clock of its own: it is tried again.
const ON_TIME: &str = "samples in order";

/// Rows that are red.
///
/// # Errors
/// If the kit comes to no table.
pub(super) fn figure(sink: &NullSink, program: &Path) -> Result<Figure> {
    let folder = TempDir::new()?;
    let host = folder.path().join("calwright-sound");
    std::fs::write(&host, sink.plug_in(program))?;
    std::fs::set_permissions(&host, std::fs::Permissions::from_mode(0o755))?;
    let mut rig = std::fs::read_to_string(root().join("examples/sound/rig.toml"))?;
    for (written, instead) in OTHERWISE {
        ensure!(rig.contains(written), "the example's rig has no '{written}' any more");
        rig = rig.replacen(written, instead, 1);
    }
    std::fs::write(folder.path().join("rig.toml"), rig)?;
    let listed = format!("plug_in_folders = [\"{}\"]\n", folder.path().display());
    std::fs::write(folder.path().join("settings.toml"), listed)?;
    // A true converter is never without noise, and the kit looks for it.
    let _noise = sink.noise()?;
    let mut rows = conform(folder.path(), None)?;
    let mut tries = 1;
    while tries < TRIES && rows.iter().any(|(row, outcome, _)| row == ON_TIME && outcome == "fail") {
        rows.retain(|(row, ..)| row != ON_TIME);
        rows.extend(conform(folder.path(), Some(ON_TIME))?);
        tries += 1;
    }
    let count = |outcome: &str| rows.iter().filter(|(_, o, _)| o == outcome).count();
    ensure!(count("pass") > 5, "only {} rows passed: {rows:?}", count("pass"));
    let red: String = rows
        .iter()
        .filter(|(_, outcome, _)| outcome == "fail")
        .map(|(row, _, message)| format!("\n    {row}: {message}"))
        .collect();
    Ok(Figure {
        what: "rows of the conformance kit that are red on a sound interface".to_owned(),
        value: count("fail") as f64,
        limit: 0.0,
        unit: "",
        sample: format!(
            "{} pass, {} not supported; '{ON_TIME}' tried {tries} times. {CODE_ONLY}{red}",
            count("pass"),
            count("not supported")
        ),
        seeds: vec![],
    })
}

/// Row, outcome and message of each row.
fn conform(folder: &Path, only: Option<&str>) -> Result<Vec<(String, String, String)>> {
    let mut command = calwright()?;
    command.arg("--settings").arg(folder.join("settings.toml"));
    command.arg("--state-dir").arg(folder.join("state"));
    command.args(["--json", "drivers", "conform"]).arg(folder.join("rig.toml"));
    command
        .args(["--without-motion", "--instrument", "interface", "--out"])
        .arg(folder.join("measured.toml"));
    if let Some(row) = only {
        command.args(["--only", row]);
    }
    let done = Finished::of(&command.current_dir(root()).output()?);
    let said: Value = serde_json::from_str(&done.stdout)
        .with_context(|| format!("no table: {}{}", done.stdout, done.stderr))?;
    let text = |row: &Value, key: &str| row[key].as_str().unwrap_or_default().to_owned();
    let rows = said["rows"].as_array().context("no rows")?;
    Ok(rows.iter().map(|row| (text(row, "row"), text(row, "outcome"), text(row, "message"))).collect())
}
