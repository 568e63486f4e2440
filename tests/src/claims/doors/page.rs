//! The page in headless Chromium: a person's whole way, at three widths, light and dark, with axe-core.

use super::{runs, wrong};
use crate::doors::House;
use crate::doors::desk::PlayDesk;
use crate::doors::played::Played;
use crate::figure::Figure;
use crate::program::{Built, other, root};
use crate::python;
use anyhow::{Context, Result};
use serde_json::{Value, json};
use std::fs;

/// Steps of the way that have to be gone, and places that have to be looked at.
const STEPS: usize = 19;

/// Goes the whole way. Pictures are left in the build folder, below `page/`, to be looked at by a person.
///
/// # Errors
/// If Chromium, axe-core or Python are not there.
pub fn page(_full: bool) -> Result<Vec<Figure>> {
    let ready = other::<&str>(&root().join("tests/outside/prepare-browser"), [])?
        .expect_status(0)
        .context("the browser can't be made ready")?;
    let mut lines = ready.stdout.lines();
    let (chromium, axe) = (lines.next().context("no Chromium")?, lines.next().context("no axe-core")?);
    let (bench, folders) = runs(&["portable-night", "low-frequency"])?;
    let house = House::open(PlayDesk::new(&folders)?, |doors| doors.arm_over_port = true)?;
    let played = Played::of(&folders[0])?;
    house.runtime().spawn(house.desk.clone().play_under_leave(played, 40));

    let shots = Built::here()?.folder.join("page");
    let example = |name: &str| bench.path(&format!("examples/{name}"));
    let asked = json!({
        "url": house.url()?,
        "token": house.token("admin"),
        "chromium": chromium,
        "axe": axe,
        "shots": shots,
        "job": example("portable.toml"),
        "files": [example("plans/portable.toml")],
        "faults": null,
    });
    let file = bench.path("asked.json");
    fs::write(&file, asked.to_string())?;
    let finished = python::run("browser.py", [&file])?;
    let line = finished.stdout.lines().next_back().unwrap_or_default();
    let said: Value = serde_json::from_str(line)
        .with_context(|| format!("the check broke down: {}{}", finished.stdout, finished.stderr))?;

    let list = |name: &str| -> Vec<String> {
        let all = said[name].as_array().into_iter().flatten();
        all.map(|v| v.as_str().map_or_else(|| v.to_string(), str::to_owned)).collect()
    };
    let gone = list("steps").len();
    let mut missing: Vec<String> = said["failed"].as_str().map(str::to_owned).into_iter().collect();
    if gone < STEPS && missing.is_empty() {
        missing.push(format!("only {gone} of {STEPS} steps were gone"));
    }
    let looks = format!("{} looks, pictures in {}", list("pictures").len(), shots.display());
    Ok(vec![
        wrong("steps of a person's way through the page that fail", format!("{gone} steps"), &missing),
        wrong("errors in the browser's console", looks.clone(), &list("errors")),
        wrong("serious findings of axe-core 4.14.1", looks.clone(), &list("axe")),
        wrong("looks that are wider than the window", looks, &list("wide")),
    ])
}
