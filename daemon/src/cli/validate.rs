//! `calwright validate`.

use super::{Context, Exit, say};
use crate::files::{Disk, Files};
use crate::record::UtcTime;
use crate::record::directory::pretty;
use crate::validate::{Asked, kept, validate};
use clap::Args;
use std::io;
use std::path::{Path, PathBuf};

#[derive(Debug, Args)]
pub(super) struct Arguments {
    /// Where the dated report goes, as text and JSON.
    #[arg(long)]
    out: PathBuf,
    /// Your name; without it the name that you are logged in with.
    #[arg(long)]
    name: Option<String>,
    /// A rig file in use, once for each: a change of it is noticed from then on.
    #[arg(long, value_name = "FILE")]
    rig: Vec<PathBuf>,
    /// When; without it now.
    #[arg(long)]
    at: Option<UtcTime>,
}

pub(super) fn run(context: &Context, arguments: &Arguments) -> Exit {
    let logged_in = || ["USER", "LOGNAME"].iter().find_map(|name| std::env::var(name).ok());
    let Some(by) = arguments.name.clone().or_else(logged_in).filter(|name| !name.trim().is_empty()) else {
        say::error("error: a report says who ran the validation; give your name with --name");
        return Exit::Input;
    };
    let asked = Asked { by, at: arguments.at.unwrap_or_else(UtcTime::now), rigs: arguments.rig.clone() };
    let report = match validate(&context.settings, &asked) {
        Ok(report) => report,
        Err(error) => {
            say::error(&format!("error: {error}"));
            return Exit::Environment;
        }
    };
    let write = |ending: &str, text: &str| -> io::Result<PathBuf> {
        let path = arguments.out.join(format!("{}.{ending}", report.file_name()));
        Disk.write(&path, text.as_bytes())?;
        Ok(path)
    };
    let written = Disk
        .create_dir(&arguments.out)
        .and_then(|()| write("json", &pretty(&report)?))
        .and_then(|json| Ok([write("txt", &report.text())?, json]))
        .and_then(|paths| kept::keep(&context.settings.state_dir(), &report).map(|()| paths));
    let paths = match written {
        Ok(paths) => paths,
        Err(error) => {
            say::error(&format!("error: the report can't be written: {error}"));
            return Exit::Environment;
        }
    };
    if context.json {
        match serde_json::to_string(&report) {
            Ok(text) => say::out(&text),
            Err(error) => say::error(&format!("error: {error}")),
        }
    } else {
        say_shortly(&report, &paths.each_ref().map(PathBuf::as_path));
    }
    if report.passed { Exit::Done } else { Exit::NotPass }
}

fn say_shortly(report: &crate::validate::Report, paths: &[&Path]) {
    for group in &report.groups {
        let agree = group.checks.iter().filter(|c| c.passed).count();
        say::out(&format!("{}: {agree} of {} checks agree", group.name, group.checks.len()));
    }
    let verdict = if report.passed { "passed" } else { "NOT PASSED" };
    say::out(&format!("Validation of calwright {}: {verdict}", report.version));
    paths.iter().for_each(|path| say::out(&path.display().to_string()));
}
