//! Programs from outside: `calwright`, built once in the profile of whoever asks, and `cargo`.
//!
//! Owns the only place of this package that starts processes. Nothing of the person who runs the tests (settings,
//! state, colours) reaches the program.

use anyhow::{Context, Result, bail, ensure};
use std::ffi::{OsStr, OsString};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Output, Stdio};
use std::sync::OnceLock;

/// The folder of the workspace.
#[must_use]
pub fn root() -> &'static Path {
    static ROOT: OnceLock<PathBuf> = OnceLock::new();
    ROOT.get_or_init(|| {
        let here = Path::new(env!("CARGO_MANIFEST_DIR"));
        here.parent().unwrap_or(here).to_owned()
    })
}

/// Where this program was built: the profile as cargo calls it, and the folder of its outputs.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Built {
    /// Name of the profile, for `--profile`.
    pub profile: String,
    /// The folder of programs, such as `target/debug`.
    pub folder: PathBuf,
}

impl Built {
    /// From the path of a program: `target/debug/deps/x` and `target/debug/x` are of profile `dev`.
    fn of(program: &Path) -> Option<Self> {
        let mut folder = program.parent()?;
        if folder.file_name() == Some(OsStr::new("deps")) {
            folder = folder.parent()?;
        }
        let name = folder.file_name()?.to_str()?;
        let profile = if name == "debug" { "dev" } else { name };
        Some(Self { profile: profile.to_owned(), folder: folder.to_owned() })
    }

    /// Of the program that runs now.
    ///
    /// # Errors
    /// Where it lies in no folder of cargo's.
    pub fn here() -> Result<Self> {
        let program = std::env::current_exe().context("the path of this program is unknown")?;
        Self::of(&program).with_context(|| format!("{} lies in no build folder", program.display()))
    }
}

/// What a program left behind.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Finished {
    /// Exit status; `None` where a signal ended it.
    pub status: Option<i32>,
    /// Standard output.
    pub stdout: String,
    /// Standard error.
    pub stderr: String,
}

impl Finished {
    /// Takes over what the operating system gave.
    #[must_use]
    pub fn of(output: &Output) -> Self {
        let text = |bytes: &[u8]| String::from_utf8_lossy(bytes).into_owned();
        Self { status: output.status.code(), stdout: text(&output.stdout), stderr: text(&output.stderr) }
    }

    /// The same if it ended with this exit status.
    ///
    /// # Errors
    /// With everything that the program said, if not.
    pub fn expect_status(self, status: i32) -> Result<Self> {
        ensure!(
            self.status == Some(status),
            "exit status {:?} instead of {status}\n--- standard error\n{}\n--- standard output\n{}",
            self.status,
            self.stderr,
            self.stdout
        );
        Ok(self)
    }
}

#[expect(clippy::disallowed_methods, reason = "the one place of this package that starts processes")]
fn command(program: impl AsRef<OsStr>) -> Command {
    let mut command = Command::new(program);
    for (name, _) in std::env::vars_os() {
        if name.to_string_lossy().starts_with("CALWRIGHT_") {
            command.env_remove(name);
        }
    }
    command
}

/// The program, ready to be given arguments.
///
/// # Errors
/// If it can't be built.
pub fn calwright() -> Result<Command> {
    Ok(command(path_of_calwright()?))
}

/// Another program of this package, which cargo builds with whoever asks.
///
/// # Errors
/// If it is not there.
pub fn own(name: &str) -> Result<Command> {
    let path = Built::here()?.folder.join(format!("{name}{}", std::env::consts::EXE_SUFFIX));
    ensure!(path.is_file(), "{} is missing", path.display());
    Ok(command(path))
}

/// The path of the program, built on the first call in the profile of whoever asks.
///
/// # Errors
/// If it can't be built; the compiler's words are in the error.
pub fn path_of_calwright() -> Result<&'static Path> {
    static PATH: OnceLock<Result<PathBuf, String>> = OnceLock::new();
    match PATH.get_or_init(|| build().map_err(|error| format!("{error:#}"))) {
        Ok(path) => Ok(path),
        Err(message) => bail!("{message}"),
    }
}

fn build() -> Result<PathBuf> {
    let built = Built::here()?;
    cargo(["build", "--quiet", "--package", "calwright", "--profile", &built.profile])?
        .expect_status(0)
        .context("calwright can't be built")?;
    let path = built.folder.join(format!("calwright{}", std::env::consts::EXE_SUFFIX));
    ensure!(path.is_file(), "{} is missing after it was built", path.display());
    Ok(path)
}

/// Runs cargo in the workspace.
///
/// # Errors
/// If it can't be started; what it says by its exit status is the caller's to judge.
pub fn cargo<S: AsRef<OsStr>>(arguments: impl IntoIterator<Item = S>) -> Result<Finished> {
    run(command(env!("CARGO")).args(arguments).current_dir(root()).env("CARGO_TERM_COLOR", "never"))
}

/// Runs another program in the workspace.
///
/// # Errors
/// If it can't be started.
pub fn other<S: AsRef<OsStr>>(program: &Path, arguments: impl IntoIterator<Item = S>) -> Result<Finished> {
    other_in(root(), program, arguments)
}

/// Runs another program in a folder, such as one that leaves files behind.
///
/// # Errors
/// If it can't be started.
pub fn other_in<S: AsRef<OsStr>>(
    folder: &Path,
    program: &Path,
    arguments: impl IntoIterator<Item = S>,
) -> Result<Finished> {
    run(command(program).args(arguments).current_dir(folder))
}

/// Starts a program with pipes for its input and output; what it says for people is not looked at.
///
/// # Errors
/// If it can't be started.
pub fn spawn_piped(program: &Path, arguments: impl IntoIterator<Item = OsString>) -> Result<Child> {
    command(program)
        .args(arguments)
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::null())
        .spawn()
        .with_context(|| format!("{} can't be started", program.display()))
}

/// Starts another program in the workspace, with its standard input and output at our end.
///
/// # Errors
/// If it can't be started.
pub fn spawn<S: AsRef<OsStr>>(program: &Path, arguments: impl IntoIterator<Item = S>) -> Result<Child> {
    let mut command = command(program);
    command.args(arguments).current_dir(root()).stdin(Stdio::piped()).stdout(Stdio::piped());
    command.spawn().with_context(|| format!("{} can't be started", program.display()))
}

/// Runs a command to its end.
///
/// # Errors
/// If it can't be started.
pub fn run(command: &mut Command) -> Result<Finished> {
    let output =
        command.output().with_context(|| format!("{} can't be started", command.get_program().display()))?;
    Ok(Finished::of(&output))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_profile_follows_from_the_path() {
        let profile = |path: &str| Built::of(Path::new(path)).map(|b| b.profile);
        assert_eq!(profile("t/debug/deps/system-1a").as_deref(), Some("dev"));
        assert_eq!(profile("t/proof/proof").as_deref(), Some("proof"));
        assert_eq!(profile("t/release/proof").as_deref(), Some("release"));
        assert_eq!(profile("proof"), None);
    }
}
