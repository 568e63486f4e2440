//! The process that carries out the run: the library as the daemon calls it, and its own hosts.

use anyhow::{Result, bail};
use calibration::sequence::Event;
use calwright::execution::{Begun, On, Order, ready};
use calwright::record::UtcTime;
use calwright::station::Observer;
use calwright::wiring::{DRIVER_HOST, built_in};
use calwright::{load, settings};
use drivers::host::{End, serve};
use plan_schema::units::{Mono, Seconds};
use std::io::{BufRead, Write};
use std::path::Path;
use std::process::ExitCode;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

/// The program of the tests that is both run and host.
#[must_use]
pub fn worker(arguments: &[String]) -> ExitCode {
    match arguments {
        [word] if word == DRIVER_HOST => match serve(built_in(), std::io::stdin(), std::io::stdout()) {
            Ok(End::Safe | End::NeverOpen) => ExitCode::SUCCESS,
            Ok(End::NotSafe(_)) | Err(_) => ExitCode::from(4),
        },
        [job, settings, state, out] => match run(job, settings, state, out) {
            Ok(()) => ExitCode::SUCCESS,
            Err(error) => {
                tell(&format!("error {error:#}"));
                ExitCode::from(1)
            }
        },
        _ => ExitCode::from(2),
    }
}

fn tell(line: &str) {
    // Who reads may be gone.
    let mut out = std::io::stdout().lock();
    let _ = writeln!(out, "{}", line.replace('\n', " ")).and_then(|()| out.flush());
}

/// Tells where the run is, and blocks it when it is told to.
struct Teller(Arc<AtomicBool>);

impl Observer for Teller {
    fn event(&mut self, _now: Mono, event: &Event) {
        tell(&format!("event {event:?}"));
    }

    fn block(&mut self, _now: Mono, _length: Seconds) {
        while self.0.load(Ordering::SeqCst) {
            std::thread::sleep(Duration::from_secs(1));
        }
    }
}

fn run(job: &str, settings: &str, state: &str, out: &str) -> Result<()> {
    let loaded = load::job(Path::new(job)).map_err(|e| anyhow::anyhow!("{e}"))?;
    // The invented calibrations of the examples are in force on the day of dry runs only.
    let day: UtcTime = "2000-01-01T00:00:00Z".parse().map_err(|e| anyhow::anyhow!("{e}"))?;
    let ready = ready(&loaded, day).map_err(|d| anyhow::anyhow!("{}", d.render(false)))?;
    let settings = settings::read(Some(Path::new(settings)), Some(Path::new(state)))
        .map_err(|e| anyhow::anyhow!("{e}"))?;
    let order = Order {
        continues: None,
        setup: ready.setup,
        run: "real".to_owned(),
        started: UtcTime::now(),
        directory: Path::new(out).to_owned(),
        on: On::Real,
    };
    let blocked = Arc::new(AtomicBool::new(false));
    let on_word = blocked.clone();
    std::thread::spawn(move || {
        for line in std::io::stdin().lock().lines().map_while(Result::ok) {
            if line == "block" {
                on_word.store(true, Ordering::SeqCst);
            }
        }
    });
    let begun = Begun::new(&settings, order).map_err(|e| anyhow::anyhow!("{e}"))?;
    let done = begun.carry_out(&settings, false, vec![Box::new(Teller(blocked))], |_| tell("started"));
    match done {
        Ok(done) => {
            let trip = done.report.trip.map(|t| format!("{:?}: {}", t.reason, t.message));
            let failures = done.report.failures.join("; ");
            tell(&format!("done {:?} {} {failures}", done.result.outcome, trip.unwrap_or_default()));
            Ok(())
        }
        Err(error) => bail!("{error}"),
    }
}
