//! `test-host`: a driver host with the instrument of the tests. With `client NOTES` it is the daemon's side instead: it
//! opens the instrument in a host, drives it, says the host's number, and judges on until somebody stops it.

use anyhow::{Context, Result};
use drivers::client::{Hosted, HostedOptions, Program};
use drivers::host::{End, serve};
use drivers::{PermitIssuer, Registry, Tone, Transition};
use plan_schema::units::{Hertz, SampleIndex, Seconds, Volts};
use std::io::Write;
use std::path::Path;
use std::process::ExitCode;
use std::time::Duration;
use tests::host::{factory, instrument};

fn main() -> ExitCode {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    if let [word, notes] = arguments.as_slice()
        && word == "client"
    {
        return ExitCode::from(u8::from(client(Path::new(notes)).is_err()));
    }
    let mut registry = Registry::default();
    registry.add(factory());
    match serve(registry, std::io::stdin(), std::io::stdout()) {
        Ok(End::Safe | End::NeverOpen) => ExitCode::SUCCESS,
        Ok(End::NotSafe(_)) | Err(_) => ExitCode::from(4),
    }
}

fn client(notes: &Path) -> Result<()> {
    let runtime = tokio::runtime::Builder::new_current_thread().enable_time().build()?;
    runtime.block_on(async {
        let registry = Registry::default();
        let hosts = registry.hosts().clone();
        let options = HostedOptions { reply_limit: Seconds::new(5.0), heartbeat_limit: Seconds::new(0.5) };
        let program = Program::new(std::env::current_exe()?, []);
        let hosted = Hosted::new(factory(), program, hosts.clone(), options);
        let factory: &dyn drivers::DriverFactory = &hosted;
        let mut opened = factory.open(&instrument(notes, serde_json::json!({}))).await?;
        let (mut issuer, _gate) = PermitIssuer::new();
        let permit = issuer.grant(Volts::new(1.0));
        hosts.leave(permit.generation());
        let tone = Tone { frequency: Hertz::new(80.0), amplitude: Volts::new(1.0) };
        hosts.judged(SampleIndex(1));
        let source = opened.source.as_mut().context("no source")?;
        source.set_tone(&permit, Transition { tone, over: Seconds::new(0.1) }).await?;
        let mut out = std::io::stdout();
        writeln!(out, "{}", opened.identity.firmware)?;
        out.flush()?;
        for end in 2_u64.. {
            hosts.judged(SampleIndex(end));
            tokio::time::sleep(Duration::from_millis(10)).await;
        }
        Ok(())
    })
}
