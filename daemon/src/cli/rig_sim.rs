//! `calwright rig-sim`: the simulated rig in real time behind network panels, until Ctrl-C.

use super::{Context, Exit, RigSimArguments, check, say};
use crate::driver_settings;
use crate::load;
use crate::wiring::{PanelAddress, Panels, Simulated};
use plan_schema::faults::Faults;
use serde_json::{Map, Value, json};
use std::path::{Path, PathBuf};

pub(super) fn run(context: &Context, arguments: &RigSimArguments) -> Exit {
    match serve(context, arguments) {
        Ok(()) => Exit::Done,
        Err(exit) => exit,
    }
}

fn serve(context: &Context, arguments: &RigSimArguments) -> Result<(), Exit> {
    let job = job(arguments)?;
    let loaded = load::job_on_rig(&job, Some(&arguments.rig)).map_err(|e| check::refuse(&e))?;
    say::error(&loaded.warnings.render(say::colour()));
    let settings = driver_settings::problems(&loaded.rig);
    if !settings.is_usable() {
        say::error(&settings.render(say::colour()));
        return Err(Exit::Input);
    }
    let job = &loaded.job;
    let faults = match &arguments.faults {
        Some(path) => load::faults(path, job).map_err(|e| check::refuse(&e))?,
        None => Faults { format: job.plan.format, faults: Vec::new() },
    };
    let fail = |exit: Exit, error: &dyn std::fmt::Display| {
        say::error(&format!("error: {error}"));
        exit
    };
    let simulated = Simulated::new(job, arguments.seed, &faults).map_err(|e| fail(Exit::Input, &e))?;
    let runtime = tokio::runtime::Builder::new_multi_thread().worker_threads(2).enable_all().build();
    let runtime = runtime.map_err(|e| fail(Exit::Environment, &e))?;
    runtime.block_on(async {
        let mut panels =
            simulated.panels(job, arguments.free_ports).await.map_err(|e| fail(Exit::Environment, &e))?;
        if panels.addresses().is_empty() {
            let says = "no instrument of this rig has a driver that speaks over a network or a line; name a rig such as \
                        examples/rigs/portable-network.toml";
            return Err(fail(Exit::Input, &says));
        }
        announce(context, &job.rig.name, arguments.seed, &panels);
        tokio::select! {
            stopped = until_stopped() => stopped.map_err(|e| fail(Exit::Environment, &e)),
            () = panels.ended() => Err(fail(Exit::Environment, &"a panel ended by itself; the log says why")),
        }
    })
}

/// The job that was named, or that which the rig file names.
fn job(arguments: &RigSimArguments) -> Result<PathBuf, Exit> {
    if let Some(job) = &arguments.job {
        return Ok(job.clone());
    }
    let (rig, _) = load::rig(&arguments.rig).map_err(|e| check::refuse(&e))?;
    let folder = arguments.rig.parent().unwrap_or(Path::new(""));
    let named = &rig.value.simulation.job;
    if named.is_empty() {
        say::error(
            "error: no job says which sensors stand on this rig; name it with --job, or write job = \"FILE\" under \
             [simulation] in the rig file",
        );
        return Err(Exit::Input);
    }
    Ok(folder.join(named))
}

/// Waits for Ctrl-C or the signal that ends programs.
async fn until_stopped() -> std::io::Result<()> {
    use tokio::signal::unix::{SignalKind, signal};
    let mut ended = signal(SignalKind::terminate())?;
    tokio::select! {
        pressed = tokio::signal::ctrl_c() => pressed,
        _ = ended.recv() => Ok(()),
    }
}

/// Says where each instrument listens: one line of JSON, or a table.
fn announce(context: &Context, rig: &str, seed: u64, panels: &Panels) {
    let place = |address: &PanelAddress| match address {
        PanelAddress::Tcp(address) => json!({ "tcp": address }),
        PanelAddress::Serial(path) => json!({ "serial": path }),
    };
    let addresses = panels.addresses();
    if context.json {
        let instruments: Map<String, Value> =
            addresses.iter().map(|(name, address)| (name.clone(), place(address))).collect();
        say::out(
            &json!({ "rig": rig, "seed": seed, "simulated": true, "instruments": instruments }).to_string(),
        );
        return;
    }
    say::out(&format!(
        "Rig {rig}, seed {seed}, SIMULATED, in real time on this machine only. Ctrl-C ends it."
    ));
    for (name, address) in addresses {
        let (PanelAddress::Tcp(place) | PanelAddress::Serial(place)) = address;
        say::out(&format!("{name:20} {place}"));
    }
}
