//! The page in headless Chromium: a person's whole way, at three widths, light and dark, with axe-core.

use super::{runs, wrong};
use crate::bench::Bench;
use crate::daemon::Daemon;
use crate::doors::House;
use crate::doors::desk::PlayDesk;
use crate::doors::played::Played;
use crate::figure::Figure;
use crate::program::{Built, other, root};
use crate::python;
use anyhow::{Context, Result};
use serde_json::{Value, json};
use std::fs;

/// Steps of each way that have to be gone, and places that have to be looked at.
const STEPS_SERVED: usize = 27;
const STEPS_PLAYED: usize = 24;

/// Goes the whole way twice: through a daemon that runs, and through a house that is played, where a rig asks for leave. Pictures
/// are left in the build folder, below `page/`, to be looked at by a person.
///
/// # Errors
/// If Chromium, axe-core or Python are not there, or the daemon does not start.
pub fn page(_full: bool) -> Result<Vec<Figure>> {
    let ready = other::<&str>(&root().join("tests/outside/prepare-browser"), [])?
        .expect_status(0)
        .context("the browser can't be made ready")?;
    let mut lines = ready.stdout.lines();
    let (chromium, axe) = (lines.next().context("no Chromium")?, lines.next().context("no axe-core")?);
    let tools = json!({ "chromium": chromium, "axe": axe });
    let mut figures = served(&tools)?;
    figures.extend(played(&tools)?);
    Ok(figures)
}

/// A daemon on a simulated rig, at eight times real time so that there is something to watch.
fn served(tools: &Value) -> Result<Vec<Figure>> {
    let bench = Bench::new()?;
    bench.run(&["keygen", "laboratory"])?.expect_status(0)?;
    bench.settle(
        "[doors]\narm_over_port = true\n[serve]\nspeed = 8.0\n[release]\nkey = \"laboratory.key\"\n",
    )?;
    let token = bench.run(&["token", "add", "A. Admin", "--role", "admin"])?.expect_status(0)?;
    let daemon = Daemon::start(&bench, "examples/rigs/common-practice.toml", &[])?;
    let example = |name: &str| bench.path(&format!("examples/{name}"));
    let mut asked = tools.clone();
    asked["url"] = json!(daemon.url());
    asked["token"] = json!(token.stdout.trim());
    asked["job"] = json!(example("common-practice.toml"));
    asked["files"] = json!([
        example("plans/common-practice.toml"),
        example("registers/sensors.toml"),
        example("registers/references.toml"),
    ]);
    asked["faults"] = json!(example("faults/emergency-stop.toml"));
    asked["pause"] = json!(example("faults/ambient-excursion.toml"));
    let figures = walked(&bench, asked, "served", STEPS_SERVED)?;
    daemon.terminate()?;
    Ok(figures)
}

fn played(tools: &Value) -> Result<Vec<Figure>> {
    let (bench, folders) = runs(&["portable-night", "low-frequency"])?;
    let house = House::open(PlayDesk::new(&folders)?, |doors| doors.arm_over_port = true)?;
    let played = Played::of(&folders[0])?;
    house.runtime().spawn(house.desk.clone().play_under_leave(played, 40));
    let mut asked = tools.clone();
    asked["url"] = json!(house.url()?);
    asked["token"] = json!(house.token("admin"));
    asked["job"] = json!(bench.path("examples/portable.toml"));
    asked["files"] = json!([bench.path("examples/plans/portable.toml")]);
    asked["faults"] = Value::Null;
    walked(&bench, asked, "played", STEPS_PLAYED)
}

/// Lets the browser walk, and says what it found.
fn walked(bench: &Bench, mut asked: Value, way: &str, steps: usize) -> Result<Vec<Figure>> {
    let shots = Built::here()?.folder.join("page").join(way);
    asked["shots"] = json!(shots);
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
    if gone < steps && missing.is_empty() {
        missing.push(format!("only {gone} of {steps} steps were gone"));
    }
    let looks = format!("{} looks, pictures in {}", list("pictures").len(), shots.display());
    Ok(vec![
        wrong(
            &format!("steps of a person's way through the page that fail, {way}"),
            format!("{gone} steps"),
            &missing,
        ),
        wrong("errors in the browser's console", looks.clone(), &list("errors")),
        wrong("serious findings of axe-core 4.14.1", looks.clone(), &list("axe")),
        wrong("looks that are wider than the window", looks, &list("wide")),
    ])
}
