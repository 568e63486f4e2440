//! Real runs: the station in a process of its own, its hosts, true sockets and lines, and behind them the simulated rig in this
//! process, whose truth can be looked at while the run goes on.

mod proxy;
mod worker;

pub use proxy::Way;
pub use worker::worker;

use crate::program::{calwright, own, root};
use crate::rig_sim::{JOB, RIG, readdressed};
use anyhow::{Context, Result, bail, ensure};
use calwright::load;
use plan_schema::faults::Faults;
use sim::SimulatedRig;
use sim::front::{Address, Ports, Served, serve};
use std::collections::{BTreeMap, BTreeSet};
use std::io::{BufRead, BufReader, Write};
use std::path::PathBuf;
use std::process::{Child, ChildStdin, Stdio};
use std::sync::mpsc::{Receiver, channel};
use std::sync::{Condvar, Mutex, MutexGuard, PoisonError};
use std::time::Duration;
use tempfile::TempDir;
use tokio::runtime::Runtime;

/// How many rigs may run in real time beside each other, and how many do.
static PLACES: (Mutex<(usize, usize)>, Condvar) = (Mutex::new((1, 0)), Condvar::new());

/// A rig's place among those that run in real time; free again when this is dropped.
#[derive(Debug)]
pub struct Place(());

impl Drop for Place {
    fn drop(&mut self) {
        places().1 -= 1;
        PLACES.1.notify_all();
    }
}

fn places() -> MutexGuard<'static, (usize, usize)> {
    PLACES.0.lock().unwrap_or_else(PoisonError::into_inner)
}

/// Waits for a place: one after the other, unless [`side_by_side`] said otherwise, since rigs in real time on one small
/// machine are late for each other.
#[must_use]
pub fn place() -> Place {
    let mut now = places();
    while now.1 >= now.0 {
        now = PLACES.1.wait(now).unwrap_or_else(PoisonError::into_inner);
    }
    now.1 += 1;
    Place(())
}

/// From now on so many rigs may run beside each other. Each has ports and folders of its own.
pub fn side_by_side(rigs: usize) {
    places().0 = rigs.max(1);
    PLACES.1.notify_all();
}

/// A real run of the example job.
#[derive(Clone, Copy)]
pub struct Order {
    /// Seed of the rig.
    pub seed: u64,
    /// Points of this frequency and above, Hz.
    pub lowest: f64,
    /// Amplitude of all points, where it is to be another than the plan's.
    pub amplitude: Option<&'static str>,
    /// Length of a dwell in s, so that noise is small beside what is compared.
    pub dwell_s: f64,
    /// With times for a machine that has much else to do.
    pub patient: bool,
    /// What is changed in the rig file that the panels are made from.
    pub serves: fn(String) -> String,
    /// What is changed beyond that in the rig file that the run is given.
    pub change: fn(String) -> String,
}

impl Order {
    /// The example as it is, from a frequency on.
    #[must_use]
    pub fn from(lowest: f64, patient: bool) -> Self {
        Self { seed: 1, lowest, amplitude: None, dwell_s: 8.0, patient, serves: |rig| rig, change: |rig| rig }
    }
}

/// A rig that serves in this process, and the files of a job on it.
pub struct Shop {
    /// The rig; its truth is looked at while it is moved.
    pub rig: SimulatedRig,
    /// The way to the amplifier.
    pub amplifier: Way,
    folder: TempDir,
    _served: Served,
    _runtime: Runtime,
    _place: Place,
}

impl Shop {
    /// The example job as an order has it. Leave is given.
    ///
    /// # Errors
    /// If a file does not do, or a panel does not come up.
    pub fn open(order: &Order) -> Result<Self> {
        let Order { seed, patient, serves, change, .. } = *order;
        let _place = place();
        let folder = TempDir::new()?;
        let examples = root().join("examples");
        // The lamp's five seconds before each motion are tried with the interlocks; here they would only be waited for.
        let rig = std::fs::read_to_string(root().join(RIG))?.replace("warning_output = 0\n", "");
        let served = serves(rig);
        let write = |name: &str, text: &str| std::fs::write(folder.path().join(name), text);
        write(
            "plan.toml",
            &at_least(&std::fs::read_to_string(examples.join("plans/portable.toml"))?, order),
        )?;
        write("rig.toml", &served)?;
        let job = std::fs::read_to_string(root().join(JOB))?
            .replace("plans/portable.toml", "plan.toml")
            .replace("rigs/portable-network.toml", "rig.toml")
            .replace("\"registers/", &format!("\"{}/registers/", examples.display()));
        write("job.toml", &job)?;
        let listed = format!("plug_in_folders = [\"{}\"]\n", examples.join("plug-ins").display());
        write("settings.toml", &listed)?;
        let loaded = load::job(&folder.path().join("job.toml")).map_err(|e| anyhow::anyhow!("{e}"))?;
        let none = Faults { format: loaded.job.plan.format, faults: Vec::new() };
        let rig = SimulatedRig::new(&loaded.job, seed, &none).map_err(|e| anyhow::anyhow!("{e}"))?;
        let runtime = tokio::runtime::Builder::new_multi_thread().worker_threads(2).enable_all().build()?;
        let panels = runtime.block_on(serve(&rig, &loaded.job.rig.instruments, Ports::Free));
        let panels = panels.map_err(|e| anyhow::anyhow!("{e}"))?;
        let mut addresses: BTreeMap<String, String> = BTreeMap::new();
        for (name, address) in &panels.addresses {
            let (Address::Tcp(place) | Address::Serial(place)) = address;
            addresses.insert(name.clone(), place.clone());
        }
        let amplifier = Way::to(addresses.get("power-amplifier").context("no amplifier")?)?;
        addresses.insert("power-amplifier".to_owned(), amplifier.address().to_owned());
        let written = change(if patient { crate::conform::patient(&served) } else { served.clone() });
        write("rig.toml", &readdressed(&served, &written, &addresses)?)?;
        let shop = Self { rig, amplifier, folder, _served: panels, _runtime: runtime, _place };
        let armed = calwright()?
            .arg("--state-dir")
            .arg(shop.path("state"))
            .arg("arm")
            .arg(shop.path("rig.toml"))
            .args(["--name", "A. Person", "--all-confirmed"])
            .output()?;
        ensure!(armed.status.success(), "no leave: {}", String::from_utf8_lossy(&armed.stderr));
        Ok(shop)
    }

    /// A file of it.
    #[must_use]
    pub fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    /// Begins the run in a process of its own.
    ///
    /// # Errors
    /// If it can't be started.
    pub fn begin(&self) -> Result<Running> {
        self.begin_in(&[])
    }

    /// The same with variables of the environment.
    ///
    /// # Errors
    /// As [`Self::begin`].
    pub fn begin_in(&self, environment: &[(&str, PathBuf)]) -> Result<Running> {
        let mut child = own("real-run")?
            .envs(environment.iter().map(|(name, value)| (name, value)))
            .args(["job.toml", "settings.toml", "state", "run"].map(|name| self.path(name)))
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .context("no run")?;
        let stdout = child.stdout.take().context("the run has no standard output")?;
        let input = child.stdin.take();
        let (sender, lines) = channel();
        std::thread::spawn(move || {
            for line in BufReader::new(stdout).lines().map_while(Result::ok) {
                if sender.send(line).is_err() {
                    return;
                }
            }
        });
        Ok(Running { child, input, lines, hosts: BTreeSet::new() })
    }

    /// True while the armature is driven.
    #[must_use]
    pub fn is_driven(&self) -> bool {
        let truth = self.rig.truth();
        !truth.muted && truth.final_drive.si().abs() > 0.0
    }
}

/// The plan with the points, amplitudes and dwells of an order.
fn at_least(plan: &str, order: &Order) -> String {
    let (lowest, amplitude) = (order.lowest, order.amplitude);
    let mut parts = plan.split("[[point]]");
    let head = parts.next().unwrap_or_default().to_owned();
    let kept = parts.filter_map(|part| {
        let hz =
            part.split('"').nth(1)?.strip_suffix(" Hz")?.parse::<f64>().ok().filter(|hz| *hz >= lowest)?;
        let written = amplitude.map(|a| format!("\nfrequency = \"{hz} Hz\"\namplitude = \"{a}\""));
        let written = written.unwrap_or_else(|| part.trim_end().to_owned());
        Some(format!("[[point]]{written}\ndwell_cycles = {:.0}\n\n", (hz * order.dwell_s).ceil()))
    });
    kept.fold(head, |text, part| text + &part)
}

/// A run that goes on.
pub struct Running {
    child: Child,
    input: Option<ChildStdin>,
    lines: Receiver<String>,
    /// Every host that was seen.
    hosts: BTreeSet<u32>,
}

impl Running {
    /// Number of its process.
    #[must_use]
    pub fn process(&self) -> u32 {
        self.child.id()
    }

    /// Its hosts in the order in which they were started, which is that of the rig file; keeps them in mind.
    pub fn hosts(&mut self) -> Vec<u32> {
        let now = children(self.child.id());
        self.hosts.extend(&now);
        now
    }

    /// Every host that was ever seen and is still there.
    #[must_use]
    pub fn left(&self) -> Vec<u32> {
        self.hosts.iter().copied().filter(|host| crate::host::is_alive(*host)).collect()
    }

    /// Waits for a line that holds one of these; gives it.
    ///
    /// # Errors
    /// If the run ends first, or says nothing for a long time.
    pub fn wait_for(&self, words: &[&str]) -> Result<String> {
        let mut last = Vec::new();
        while let Ok(line) = self.lines.recv_timeout(Duration::from_secs(120)) {
            if words.iter().any(|w| line.contains(w)) {
                return Ok(line);
            }
            last.push(line);
        }
        last.reverse();
        last.truncate(5);
        bail!("the run said none of {words:?}; its last words: {last:?}")
    }

    /// Blocks the task of the run for good.
    ///
    /// # Errors
    /// If it does not listen.
    pub fn block(&mut self) -> Result<()> {
        let input = self.input.as_mut().context("it has no input")?;
        writeln!(input, "block")?;
        Ok(input.flush()?)
    }

    /// Ends it, whatever it does.
    pub fn kill(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

impl Drop for Running {
    fn drop(&mut self) {
        self.hosts();
        self.kill();
    }
}

/// Processes whose parent this is, in the order of their numbers.
fn children(parent: u32) -> Vec<u32> {
    let list = std::fs::read_dir("/proc").into_iter().flatten().flatten();
    let numbers = list.filter_map(|entry| entry.file_name().to_str()?.parse::<u32>().ok());
    let mut found: Vec<u32> = numbers
        .filter(|process| {
            let stat = std::fs::read_to_string(format!("/proc/{process}/stat")).unwrap_or_default();
            // Field 4 of proc(5); the name in brackets may hold anything.
            let of = stat.rsplit_once(") ").and_then(|(_, rest)| rest.split(' ').nth(1)?.parse().ok());
            of == Some(parent) && crate::host::is_alive(*process)
        })
        .collect();
    found.sort_unstable();
    found
}
