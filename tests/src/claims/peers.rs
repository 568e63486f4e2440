//! Claims about peers that no one here wrote: general libraries that speak SCPI and Modbus.

use crate::figure::Figure;
use crate::program::spawn;
use crate::python;
use crate::rig_sim::RigSim;
use anyhow::{Context, Result, ensure};
use drivers::{DriverError, DriverFactory, Opened};
use plan_schema::read::Document;
use plan_schema::rig::Instrument;
use serde_json::Value;
use std::io::{BufRead, BufReader};
use std::process::Child;

/// Our Modbus drivers against a pymodbus server, over TCP and as RTU on a pair of pseudo-terminals.
///
/// # Errors
/// If the server does not start.
pub fn drivers_on_a_foreign_unit() -> Result<Figure> {
    let peer = Peer::start()?;
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build()?;
    let mut wrong = Vec::new();
    let mut checks = 0;
    for (way, address) in [("tcp", &peer.tcp), ("serial", &peer.serial)] {
        let link = format!("link = {{ {way} = \"{address}\", baud = 115200, timeout = \"500 ms\" }}");
        let (done, found) = runtime.block_on(speak(&link))?;
        checks += done;
        wrong.extend(found.into_iter().map(|what| format!("{way}: {what}")));
    }
    Ok(figure("disagreements of our Modbus drivers with pymodbus' server", checks, &wrong))
}

/// The panels of rig-sim, driven by pyvisa with pyvisa-py and by pymodbus' client.
///
/// # Errors
/// If rig-sim or the check can't be carried out.
pub fn foreign_clients_on_our_panels() -> Result<Figure> {
    let rig = RigSim::start(1)?;
    let finished = python::run("panels.py", [rig.said.trim()])?;
    let line = finished.stdout.lines().next_back().unwrap_or_default();
    let said: Value = serde_json::from_str(line)
        .with_context(|| format!("the check broke down: {}{}", finished.stdout, finished.stderr))?;
    let passed = said["passed"].as_u64().context("panels.py does not say what passed")?;
    let failed = said["failed"].as_array().context("panels.py does not say what failed")?;
    let failed: Vec<String> = failed.iter().map(Value::to_string).collect();
    ensure!(passed + failed.len() as u64 > 20, "panels.py checked only {passed}");
    ensure!(rig.end()? == Some(0), "rig-sim did not end in good order");
    let what = "disagreements of rig-sim with pyvisa, pyvisa-py and pymodbus' client";
    Ok(figure(what, usize::try_from(passed)? + failed.len(), &failed))
}

fn figure(what: &str, checks: usize, wrong: &[String]) -> Figure {
    let mut sample = format!("{checks} checks");
    for what in wrong {
        sample.push_str(&format!("\n          {what}"));
    }
    Figure {
        what: what.to_owned(),
        value: f64::from(u32::try_from(wrong.len()).unwrap_or(u32::MAX)),
        limit: 0.0,
        unit: "",
        sample,
        seeds: vec![],
    }
}

/// Speaks to the unit by every driver; returns how many checks were made and which failed.
async fn speak(link: &str) -> Result<(usize, Vec<String>)> {
    use drivers::built_in::modbus::{ambient, amplifier, contacts};
    let mut made = 0;
    let mut wrong = Vec::new();
    let mut check = |what: &str, holds: bool| {
        made += 1;
        if !holds {
            wrong.push(what.to_owned());
        }
    };
    let map = format!(
        "{link}\nemergency_stop = \"discrete 0\"\ninputs = [\"discrete 1\", \"discrete 2\", \"not coil 9\"]\n\
         outputs = [\"coil 5\"]\nheartbeat = \"holding 3\""
    );
    let opened = open(&contacts::Factory, &map).await?;
    let mut panel = opened.contacts.context("no contacts")?;
    let reading = panel.read().await?;
    check("contacts", reading.emergency_stop_closed && reading.inputs == [false, true, true]);
    check("output on", panel.set_output(0, true).await?);
    check("output off", !panel.set_output(0, false).await?);
    drop((panel, opened.safe));

    let map = format!(
        "{link}\ntemperature = {{ register = \"input 23\", scale = 0.1 }}\n\
         humidity = {{ register = \"holding 40\", scale = 0.25 }}"
    );
    let opened = open(&ambient::Factory, &map).await?;
    let reading = opened.ambient.context("no ambient sensor")?.read().await?;
    check("temperature", (reading.temperature.si() - 12.3).abs() < 1e-9);
    check("humidity", reading.humidity.is_some_and(|h| (h.si() - 0.35).abs() < 1e-9));

    let map = format!(
        "{link}\nmute = \"coil 11\"\nheartbeat = \"holding 10\"\nwatchdog = {{ register = \"holding 11\", count = 500 }}\n\
         fault = [{{ at = \"coil 13\", means = \"a fault\" }}]\n\
         gain = {{ at = {{ register = \"input 20\", kind = \"u32\", words = \"low_first\" }}, value = 7929976 }}"
    );
    let opened = open(&amplifier::Factory, &map).await?;
    let mut power = opened.amplifier.context("no amplifier")?;
    check("made safe", opened.safe.make_safe(drivers::StopReason::Start).await?.is_safe());
    let permit = drivers::PermitIssuer::new().0.grant(plan_schema::units::Volts::new(1.0));
    check("unmuted", !power.unmute(&permit).await?.muted);
    check("no fault", !power.status().await?.fault);
    check("muted", power.mute().await?.muted);
    drop((power, opened.safe));

    let refused: Result<Opened, DriverError> =
        amplifier::Factory.open(&instrument(&format!("{link}\nmute = \"coil 200\""))?).await;
    check("a place that is not there is refused", refused.is_err());
    Ok((made, wrong))
}

async fn open(factory: &dyn DriverFactory, settings: &str) -> Result<Opened> {
    Ok(factory.open(&instrument(settings)?).await?)
}

fn instrument(settings: &str) -> Result<Instrument> {
    let text = format!("name = \"unit\"\ndriver = \"of the test\"\n[settings]\n{settings}\n");
    Ok(Document::<Instrument>::read("instrument", &text)?.value)
}

/// The server, in a process of its own that ends with us.
struct Peer {
    child: Child,
    tcp: String,
    serial: String,
}

impl Peer {
    fn start() -> Result<Self> {
        let mut child = spawn(&python::interpreter()?, ["tests/outside/modbus_peer.py"])?;
        let stdout = child.stdout.take().context("the server has no standard output")?;
        let mut said = String::new();
        BufReader::new(stdout).read_line(&mut said)?;
        let value: Value =
            serde_json::from_str(&said).with_context(|| format!("the server said '{said}'"))?;
        let text = |value: &Value| value.as_str().map(str::to_owned).context("an address is missing");
        Ok(Self { child, tcp: text(&value["tcp"])?, serial: text(&value["serial"])? })
    }
}

impl Drop for Peer {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}
