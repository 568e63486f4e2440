//! The command line: what a person types, what comes back, and the exit status.
//!
//! Owns arguments, exit status and everything that is printed. Must not decide anything about a run.

mod acknowledge;
mod affected;
mod approve;
mod arm;
mod certificates;
mod check;
mod confirm;
mod conform;
mod daemon;
mod doctor;
mod driver_host;
mod dry_run;
mod keeping;
mod keys;
mod migrate;
mod noted;
mod progress;
mod recompute;
mod rig_sim;
mod say;
mod schema;
mod serve;
mod stop;
mod summary;
mod thrifty;
mod token;
mod upkeep;
mod validate;
mod verify;
mod watch;
mod with_daemon;

use crate::certificate::csv::CsvLocale;
use crate::log;
use crate::record::UtcTime;
use crate::settings::{self, Settings};
use clap::{Args, Parser, Subcommand};
use std::path::PathBuf;
use std::process::ExitCode;

pub use schema::{KINDS, schema_of_kind};

/// How a command ended; the same numbers everywhere.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[repr(u8)]
pub enum Exit {
    /// Done; every sensor passes, every point was accepted.
    Done = 0,
    /// Done, but a sensor is not `pass` or a point was rejected.
    NotPass = 1,
    /// Written input or arguments are invalid or infeasible.
    Input = 2,
    /// Tripped, or refused because tripped or not armed.
    Tripped = 3,
    /// An instrument failed.
    Instrument = 4,
    /// Disk, port, or a mistake in the program.
    Environment = 5,
    /// Cancelled or interrupted.
    Cancelled = 6,
    /// A check of records failed.
    Records = 7,
}

/// Calibrates accelerometers by comparison with a reference on a shaker.
#[derive(Debug, Parser)]
#[command(name = "calwright", version, about, max_term_width = 100)]
struct Arguments {
    /// Settings file; without it calwright.toml in this folder, where it exists.
    #[arg(long, global = true, env = "CALWRIGHT_SETTINGS")]
    settings: Option<PathBuf>,
    /// Folder of what outlives a run: latches and locks.
    #[arg(long, global = true)]
    state_dir: Option<PathBuf>,
    /// Print results as JSON on standard output.
    #[arg(long, global = true)]
    json: bool,
    #[command(subcommand)]
    command: Command,
}

#[derive(Debug, Subcommand)]
enum Command {
    /// Say whether a job is feasible, point by point, without touching an instrument.
    Check {
        /// The job.
        job: PathBuf,
        /// The day of the measurement; without it now, or the day of dry runs where every instrument is simulated.
        #[arg(long)]
        at: Option<UtcTime>,
        /// Show everything about one point, by its number in the table.
        #[arg(long, value_name = "N")]
        point: Option<usize>,
    },
    /// Run a job on the simulated rig, faster than real time.
    DryRun(DryRunArguments),
    /// Derive every result again and verify the records.
    Recompute {
        /// A run directory, a folder of them, or the file that `export` wrote.
        run: PathBuf,
    },
    /// Make the certificates of a run directory again.
    Certificate {
        /// The run directory.
        run: PathBuf,
        /// Where they go.
        #[arg(long, default_value = ".")]
        out: PathBuf,
        /// The run of the same sensors as found: its results stand beside those as left. It is verified too.
        #[arg(long, value_name = "RUN")]
        as_found: Option<PathBuf>,
        /// Print the budgets behind the uncertainties as an annex, whatever the settings say.
        #[arg(long)]
        budgets: bool,
        /// How columns and numbers of the CSV are parted; without it as the settings say.
        #[arg(long, value_name = "KIND")]
        locale: Option<CsvLocale>,
    },
    /// Show what speaks for and against a draft; with a name, number, certify and sign it.
    Approve(approve::Arguments),
    /// Make a pair of keys to sign releases with: NAME.key, which only you can read, and NAME.pub.
    Keygen {
        /// Path without ending.
        name: PathBuf,
    },
    /// Verify a release: signature, certificates, records, result. With --runs a whole folder of runs, none missing.
    Verify {
        /// A release's folder, a file in it, its run, or with --runs the folder of runs.
        path: PathBuf,
        /// The public key; without it the one of the settings.
        #[arg(long, value_name = "FILE")]
        public_key: Option<PathBuf>,
        /// Every certificate of the ledger must be there and be right.
        #[arg(long)]
        runs: bool,
    },
    /// Clear a latched trip. Look at rig and amplifier first; name and reason are recorded.
    Acknowledge {
        /// Name of the rig, as its file says.
        rig: String,
        /// Your name.
        #[arg(long)]
        name: String,
        /// What you found and did.
        #[arg(long)]
        reason: String,
        /// The simulated rig of this name, not the real one.
        #[arg(long)]
        simulated: bool,
        /// After an instrument could not be made safe: the power was cut by hand, and the cause is found.
        #[arg(long)]
        made_safe_by_hand: bool,
    },
    /// Give leave to move a rig for some hours: by a named person, at the machine, with the rig in view.
    Arm(ArmArguments),
    /// Make a rig safe now, whatever runs on it, and take the leave to move away. No replacement for the emergency stop.
    Stop {
        /// Name of the rig, as its file says, or the file.
        rig: String,
        /// The simulated rig of this name, not the real one.
        #[arg(long)]
        simulated: bool,
    },
    /// Say that you did what the run on a rig asked for, such as moving the source's cable; the journal keeps name and time.
    Confirm {
        /// Name of the rig, as its file says, or the file.
        rig: String,
        /// Your name.
        #[arg(long)]
        name: String,
        /// The simulated rig of this name, not the real one.
        #[arg(long)]
        simulated: bool,
    },
    /// Say what this machine lacks: folders, disk, clock, keys, and whether a rig's instruments could be reached. Opens none.
    Doctor {
        /// Rig files.
        rigs: Vec<PathBuf>,
    },
    /// List the drivers; `conform` tries those of a rig on its instruments.
    Drivers {
        #[command(subcommand)]
        command: Option<DriversCommand>,
    },
    /// Serve the simulated rig in real time, behind the interfaces that its instruments have. On this machine only.
    RigSim(RigSimArguments),
    /// Let the installed program check itself against worked examples and reference waveforms; leaves a dated report.
    Validate(validate::Arguments),
    /// Print the JSON Schema of a file.
    Schema {
        /// Which file.
        #[arg(value_parser = clap::builder::PossibleValuesParser::new(KINDS))]
        kind: String,
    },
    /// What is asked of the daemon, and of what it keeps.
    #[command(flatten)]
    WithDaemon(with_daemon::Command),
    /// Speak for one instrument over the standard streams: internal, see drivers/PROTOCOL.md.
    #[command(hide = true)]
    DriverHost,
    /// Rewrite files of an older format in place; comments and layout stay, and each old file is kept beside the new one.
    Migrate {
        /// Plans, jobs, rigs, registers or faults.
        #[arg(required = true, value_name = "FILE")]
        files: Vec<PathBuf>,
    },
    /// Render certificates: internal, reads a request on standard input.
    #[command(hide = true)]
    Render,
}

#[derive(Debug, Subcommand)]
enum DriversCommand {
    /// Try whether the drivers of a rig keep what they promise, on the instruments themselves. Moves the armature a little,
    /// under leave given with `arm`, unless told otherwise.
    Conform(conform::Arguments),
}

#[derive(Debug, Args)]
struct ArmArguments {
    /// The rig's file.
    rig: PathBuf,
    /// Your name.
    #[arg(long)]
    name: String,
    /// For how many hours; without it 8, or the rig's leave_limit where that is less.
    #[arg(long, value_parser = hours)]
    hours: Option<f64>,
    /// A line of the rig's check-list that you looked at and found so; once for each line. Without it you are asked.
    #[arg(long, value_name = "TEXT")]
    confirm: Vec<String>,
    /// You looked at every line of the check-list and found it so.
    #[arg(long)]
    all_confirmed: bool,
}

fn hours(text: &str) -> Result<f64, String> {
    match text.parse::<f64>() {
        Ok(value) if value.is_finite() && value > 0.0 => Ok(value),
        _ => Err("write a number of hours above 0, such as 8 or 0.5".to_owned()),
    }
}

/// What a dry run takes for now, so that its outputs compare byte for byte.
pub(crate) const DAY_OF_DRY_RUNS: &str = "2000-01-01T00:00:00Z";

#[derive(Debug, Args)]
struct DryRunArguments {
    /// The job.
    job: PathBuf,
    /// Seed of everything that is drawn by chance.
    #[arg(long, default_value_t = 1)]
    seed: u64,
    /// Faults that strike.
    #[arg(long)]
    faults: Option<PathBuf>,
    /// The run directory; it must not hold a run yet. Without it a new folder below run/.
    #[arg(long)]
    out: Option<PathBuf>,
    /// At most this many times real time; 1 to watch it happen.
    #[arg(long, value_parser = speed)]
    speed: Option<f64>,
    /// The wall time that records carry.
    #[arg(long, default_value = DAY_OF_DRY_RUNS)]
    at: UtcTime,
    /// Leave the certificates out.
    #[arg(long)]
    no_certificates: bool,
}

fn speed(text: &str) -> Result<f64, String> {
    match text.parse::<f64>() {
        Ok(value) if value.is_finite() && value > 0.0 => Ok(value),
        _ => Err("write a number above 0, such as 1 or 20".to_owned()),
    }
}

#[derive(Debug, Args)]
struct RigSimArguments {
    /// The rig's file.
    rig: PathBuf,
    /// The job whose sensors stand on it; without it that which the rig file names under [simulation].
    #[arg(long)]
    job: Option<PathBuf>,
    /// Seed of everything that is drawn by chance.
    #[arg(long, default_value_t = 1)]
    seed: u64,
    /// Faults that strike, timed from the start.
    #[arg(long)]
    faults: Option<PathBuf>,
    /// Take any free ports in place of those of the rig file.
    #[arg(long)]
    free_ports: bool,
}

/// What every command is given.
struct Context {
    settings: Settings,
    json: bool,
}

/// Runs the program.
#[must_use]
pub fn main() -> ExitCode {
    let arguments = Arguments::parse();
    if let Command::Render = arguments.command {
        return ExitCode::from(crate::certificate::child::main(
            std::io::stdin().lock(),
            std::io::stdout().lock(),
        ));
    }
    if let Command::DriverHost = arguments.command {
        return ExitCode::from(driver_host::run() as u8);
    }
    // Before anything else is done: it begins anew.
    if let Command::WithDaemon(with_daemon::Command::Serve(_)) = arguments.command {
        thrifty::once_more();
    }
    let context = match prepared(&arguments) {
        Ok(context) => context,
        Err(exit) => return ExitCode::from(exit as u8),
    };
    let exit = match arguments.command {
        Command::Check { job, at, point } => check::run(&context, &job, at, point),
        Command::DryRun(arguments) => dry_run::run(&context, &arguments),
        Command::Recompute { run } => recompute::run(&context, &run),
        Command::Certificate { run, out, as_found, budgets, locale } => {
            let mut context = context;
            context.settings.certificate.csv = locale.unwrap_or(context.settings.certificate.csv);
            context.settings.certificate.budgets |= budgets;
            certificates::run(&context, &run, &out, as_found.as_deref())
        }
        Command::Approve(arguments) => approve::run(&context, &arguments),
        Command::Keygen { name } => keys::run(&name),
        Command::Verify { path, public_key, runs } => {
            verify::run(&context, &path, public_key.as_deref(), runs)
        }
        Command::Acknowledge { rig, name, reason, simulated, made_safe_by_hand } => {
            let (rig, name, reason) = (&rig, &name, &reason);
            acknowledge::run(
                &context,
                &acknowledge::Asked { rig, simulated, name, reason, made_safe_by_hand },
            )
        }
        Command::Arm(arguments) => arm::run(&context, &arguments),
        Command::Confirm { rig, name, simulated } => confirm::run(&context, &rig, &name, simulated),
        Command::Stop { rig, simulated } => stop::run(&context, &rig, simulated),
        Command::Doctor { rigs } => doctor::run(&context, &rigs),
        Command::Drivers { command: None } => schema::drivers(&context),
        Command::Drivers { command: Some(DriversCommand::Conform(arguments)) } => {
            conform::run(&context, &arguments)
        }
        Command::RigSim(arguments) => rig_sim::run(&context, &arguments),
        Command::Validate(arguments) => validate::run(&context, &arguments),
        Command::Schema { kind } => schema::print(&kind),
        Command::WithDaemon(command) => with_daemon::run(&context, command),
        Command::DriverHost | Command::Render => Exit::Environment,
        Command::Migrate { files } => migrate::run(&context, &files),
    };
    ExitCode::from(exit as u8)
}

/// Settings read, and the log begun.
fn prepared(arguments: &Arguments) -> Result<Context, Exit> {
    let file = arguments.settings.as_deref();
    let settings = settings::read(file, arguments.state_dir.as_deref()).map_err(|e| check::refuse(&e))?;
    let prints = matches!(
        arguments.command,
        Command::Check { .. }
            | Command::DryRun(_)
            | Command::WithDaemon(with_daemon::Command::Serve(_))
            | Command::Certificate { .. }
            | Command::Approve(_)
    );
    if prints {
        settings::files_are_there(file).map_err(|e| check::refuse(&e))?;
    }
    // The daemon begins its log once it knows its settings file.
    if !matches!(arguments.command, Command::WithDaemon(with_daemon::Command::Serve(_))) {
        log::to_standard_error(&settings.log).map_err(|error| {
            say::error(&format!("error: {error}"));
            Exit::Input
        })?;
    }
    Ok(Context { settings, json: arguments.json })
}
