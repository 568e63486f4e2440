//! `calwright rig-sim` as a process of its own, and the true drivers on its addresses.

use crate::program::{calwright, root};
use anyhow::{Context, Result, ensure};
use drivers::{Opened, Registry};
use plan_schema::read::Document;
use plan_schema::rig::{Instrument, Rig};
use serde_json::Value;
use std::collections::BTreeMap;
use std::io::{BufRead, BufReader};
use std::process::{Child, Stdio};
use tempfile::TempDir;

/// The rig with network instruments, and the job whose sensors stand on it.
pub const RIG: &str = "examples/rigs/portable-network.toml";
/// The job.
pub const JOB: &str = "examples/portable-network.toml";

/// A simulated rig that serves; it ends when this is dropped.
pub struct RigSim {
    child: Child,
    /// The file of the rig.
    folder: TempDir,
    /// Where each instrument listens: host and port, or the path of a line.
    pub addresses: BTreeMap<String, String>,
    /// What it printed, as it is.
    pub said: String,
}

impl RigSim {
    /// Starts one on free ports.
    ///
    /// # Errors
    /// If it does not start, or does not say where it listens.
    pub fn start(seed: u64) -> Result<Self> {
        Self::start_with(seed, |rig| rig)
    }

    /// The same with lines of the rig file changed.
    ///
    /// # Errors
    /// As [`Self::start`].
    pub fn start_with(seed: u64, change: impl FnOnce(String) -> String) -> Result<Self> {
        let folder = TempDir::new()?;
        let path = folder.path().join("rig.toml");
        // Who asks for the samples alone would be muted by the amplifier's watchdog.
        let rig = change(std::fs::read_to_string(root().join(RIG))?).replace("\nwatchdog = \"500 ms\"", "");
        std::fs::write(&path, rig)?;
        let mut child = calwright()?
            .args(["--json", "rig-sim", "--job", JOB, "--free-ports", "--seed", &seed.to_string()])
            .arg(&path)
            .current_dir(root())
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .context("rig-sim can't be started")?;
        let stdout = child.stdout.take().context("rig-sim has no standard output")?;
        let mut said = String::new();
        BufReader::new(stdout).read_line(&mut said)?;
        let value: Value = serde_json::from_str(&said).with_context(|| format!("rig-sim said '{said}'"))?;
        let instruments = value["instruments"].as_object().context("rig-sim names no instruments")?;
        let mut addresses = BTreeMap::new();
        for (name, place) in instruments {
            let address = place["tcp"].as_str().or(place["serial"].as_str());
            addresses.insert(name.clone(), address.context("an instrument has no address")?.to_owned());
        }
        Ok(Self { child, folder, addresses, said })
    }

    /// Opens every instrument of the rig file by its own driver, on the addresses here.
    ///
    /// # Errors
    /// If one can't be opened.
    pub async fn open(&self) -> Result<BTreeMap<String, Opened>> {
        let mut registry = Registry::default();
        drivers::built_in::all().into_iter().for_each(|factory| registry.add(factory));
        let mut opened = BTreeMap::new();
        for mut instrument in self.instruments()? {
            if let Some(address) = self.addresses.get(&instrument.name) {
                drivers::built_in::readdress(&mut instrument, address);
            }
            let factory = registry.find(&instrument)?;
            let problems = factory.check(&instrument);
            ensure!(problems.is_empty(), "{}", problems.join("\n"));
            opened.insert(instrument.name.clone(), factory.open(&instrument).await?);
        }
        Ok(opened)
    }

    /// The instruments of its rig file.
    fn instruments(&self) -> Result<Vec<Instrument>> {
        let text = std::fs::read_to_string(self.folder.path().join("rig.toml"))?;
        Ok(Document::<Rig>::read(RIG, &text)?.value.instruments)
    }

    /// Text of a rig file in which each instrument is found here: its own, or another with the same written addresses.
    ///
    /// # Errors
    /// If its own file can't be read.
    pub fn addressed(&self, other: Option<&str>) -> Result<String> {
        let own = std::fs::read_to_string(self.folder.path().join("rig.toml"))?;
        readdressed(&own, other.unwrap_or(&own), &self.addresses)
    }

    /// Ends it as Ctrl-C does; returns its exit status.
    ///
    /// # Errors
    /// If it can't be told or does not end.
    pub fn end(mut self) -> Result<Option<i32>> {
        let id = i32::try_from(self.child.id())?;
        let process = rustix::process::Pid::from_raw(id).context("a process has no number")?;
        rustix::process::kill_process(process, rustix::process::Signal::INT)?;
        Ok(self.child.wait()?.code())
    }
}

impl Drop for RigSim {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// Text of a rig file in which each instrument is found at another address than that which is written in `served`.
///
/// # Errors
/// If `served` is no rig file.
pub fn readdressed(served: &str, text: &str, addresses: &BTreeMap<String, String>) -> Result<String> {
    let mut text = text.to_owned();
    for instrument in Document::<Rig>::read(RIG, served)?.value.instruments {
        if let (Some(link), Some(address)) =
            (drivers::built_in::link_of(&instrument), addresses.get(&instrument.name))
        {
            text = text.replace(&format!("\"{}\"", link.address()), &format!("\"{address}\""));
        }
    }
    Ok(text)
}
