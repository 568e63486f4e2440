//! Claims about the doors of the daemon: the description of the API, the page in a browser, and a crowd of clients.

mod crowd;
mod description;
mod page;

pub use crowd::{client as crowd_client, crowd};
pub use description::description;
pub use page::page;

use crate::bench::Bench;
use anyhow::{Context, Result};
use std::path::PathBuf;

/// Run directories of dry runs, certificates and all, in a place to work in.
fn runs(jobs: &[&str]) -> Result<(Bench, Vec<PathBuf>)> {
    let bench = Bench::new()?;
    let mut folders = Vec::new();
    for job in jobs {
        let (file, out) = (format!("examples/{job}.toml"), format!("run/{job}"));
        let done = bench.run(&["dry-run", &file, "--out", &out])?;
        let folder = bench.path(&out);
        let complete = folder.join("result.json").is_file();
        complete.then_some(()).with_context(|| format!("{job} left no result: {}", done.stderr))?;
        folders.push(folder);
    }
    Ok((bench, folders))
}

/// A number of things that are wrong, each told.
fn wrong(what: &str, sample: String, found: &[String]) -> crate::Figure {
    let told: String = found.iter().map(|f| format!("\n          {f}")).collect();
    crate::Figure {
        what: what.to_owned(),
        value: f64::from(u32::try_from(found.len()).unwrap_or(u32::MAX)),
        limit: 0.0,
        unit: "",
        sample: sample + &told,
        seeds: vec![1],
    }
}
