//! The database: locked by another program, moved, deleted. A run does not notice; what is asked meanwhile is refused with the
//! remedy; and the end of the run is in the index as soon as that can be written.

use super::{JOB, RIG, RUN, RUNS, ended_whole, in_mid_run, says, until, whole};
use crate::Bench;
use crate::daemon::{Daemon, idle, run_of};
use anyhow::{Context, Result, ensure};
use sqlx::{Connection, Executor, SqliteConnection};
use std::fs;
use std::path::Path;

const DATABASE: &str = "state/calwright/data/calwright.sqlite";

/// True once the run has written its end.
fn is_over(bench: &Bench) -> bool {
    bench.path(&format!("{RUNS}/{RUN}/result.json")).exists()
}

pub(super) fn locked() -> Result<()> {
    let bench = Bench::new()?;
    let daemon = in_mid_run(&bench)?;
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build()?;
    let path = bench.path(DATABASE);
    let mut other = runtime.block_on(locked_by(&path))?;
    let refused = daemon.run(&["hold", "--reason", "while it is locked"])?;
    ensure!(
        refused.status == Some(5) && refused.stderr.contains("database can't be used"),
        "not refused: {refused:?}"
    );
    until("the end of the run", || Ok(is_over(&bench)))?;
    says(&bench, "is in its folder and not in the index yet")?;
    runtime.block_on(async { other.execute("ROLLBACK").await })?;
    ended_whole(&bench, &daemon, RUN)?;
    ensure!(daemon.terminate()? == Some(0), "the daemon did not end well");
    Ok(())
}

async fn locked_by(path: &Path) -> Result<SqliteConnection> {
    let url = format!("sqlite://{}", path.display());
    let mut connection = SqliteConnection::connect(&url).await?;
    connection.execute("BEGIN IMMEDIATE").await?;
    Ok(connection)
}

pub(super) fn moved_and_back() -> Result<()> {
    let bench = Bench::new()?;
    let daemon = in_mid_run(&bench)?;
    let (path, elsewhere) = (bench.path(DATABASE), bench.path("elsewhere.sqlite"));
    fs::rename(&path, &elsewhere)?;
    let refused = daemon.run(&["submit", JOB])?;
    ensure!(
        refused.status == Some(5) && refused.stderr.contains("database can't be used"),
        "not refused: {refused:?}"
    );
    says(&bench, "put the file back")?;
    ensure!(!path.exists(), "another database was made in its place");
    until("the end of the run", || Ok(is_over(&bench)))?;
    says(&bench, "is in its folder and not in the index yet")?;
    fs::rename(&elsewhere, &path)?;
    ended_whole(&bench, &daemon, RUN)?;
    daemon.submit(JOB, &["--seed", "2"])?;
    let runs = daemon.until("the job after it", idle)?;
    ensure!(run_of(&runs, "common-practice-2")["outcome"] == "done", "{runs:#}");
    ensure!(daemon.terminate()? == Some(0), "the daemon did not end well");
    Ok(())
}

/// The queue is lost with it, and nothing else: the next start makes the index again from the runs.
pub(super) fn deleted() -> Result<()> {
    let bench = Bench::new()?;
    let daemon = in_mid_run(&bench)?;
    let folder = bench.path("state/calwright/data");
    for entry in fs::read_dir(&folder)?.flatten() {
        if entry.file_name().to_string_lossy().starts_with("calwright.sqlite") {
            fs::remove_file(entry.path())?;
        }
    }
    until("the end of the run", || Ok(is_over(&bench)))?;
    says(&bench, "is in its folder and not in the index yet")?;
    ensure!(daemon.terminate()? == Some(0), "the daemon did not end well");
    let daemon = Daemon::start(&bench, RIG, &[])?;
    let runs = daemon.json(&["runs"])?;
    ensure!(run_of(&runs, RUN)["outcome"] == "done", "the run is not in the index: {runs:#}");
    whole(&bench, RUN).context("its records")?;
    ensure!(daemon.terminate()? == Some(0), "the daemon did not end well");
    Ok(())
}
