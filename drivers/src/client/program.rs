//! Which program a host is, and starting it: the one place of the product that starts drivers.

use std::ffi::OsString;
use std::fmt;
use std::os::unix::process::CommandExt;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};

/// A program with its arguments.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Program {
    path: PathBuf,
    arguments: Vec<OsString>,
}

/// Why a program is not started.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ProgramError(String);

impl fmt::Display for ProgramError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.0)
    }
}

impl std::error::Error for ProgramError {}

impl Program {
    /// A program of our own.
    #[must_use]
    pub fn new(path: PathBuf, arguments: impl IntoIterator<Item = OsString>) -> Self {
        Self { path, arguments: arguments.into_iter().collect() }
    }

    /// A plug-in: `name` has to be a file's name and nothing else, and to lie in one of `folders`.
    ///
    /// # Errors
    /// Where it is no file's name, lies in none of them, or can't be run.
    pub fn plug_in(name: &str, folders: &[PathBuf]) -> Result<Self, ProgramError> {
        check_name(name)?;
        if folders.is_empty() {
            let detail = format!(
                "no plug-in is started before the settings list their folders: plug_in_folders = [\"…\"], with {name} in \
                 one of them"
            );
            return Err(ProgramError(detail));
        }
        let path = folders.iter().map(|folder| folder.join(name)).find(|path| path.is_file());
        let Some(path) = path else {
            let listed: Vec<String> = folders.iter().map(|f| f.display().to_string()).collect();
            return Err(ProgramError(format!(
                "{name} lies in none of the plug-in folders: {}",
                listed.join(", ")
            )));
        };
        if !is_executable(&path) {
            let detail = format!("{} can't be run; make it executable (chmod +x)", path.display());
            return Err(ProgramError(detail));
        }
        Ok(Self { path, arguments: Vec::new() })
    }

    /// Starts it with pipes for its standard streams.
    ///
    /// In a process group of its own: Ctrl-C at the terminal is for the daemon, which winds down with its instruments.
    #[expect(clippy::disallowed_methods, reason = "the one place that starts drivers")]
    pub(crate) fn start(&self) -> std::io::Result<Child> {
        Command::new(&self.path)
            .args(&self.arguments)
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .process_group(0)
            .spawn()
    }
}

/// What may stand in a rig file.
pub(super) fn check_name(name: &str) -> Result<(), ProgramError> {
    let only_a_name = Path::new(name).file_name().is_some_and(|file| file == name);
    if only_a_name && !name.contains(['/', '\\', '\0']) {
        return Ok(());
    }
    let detail =
        format!("'{name}' is no plain file name; a rig file names the program, the settings its folder");
    Err(ProgramError(detail))
}

fn is_executable(path: &Path) -> bool {
    use std::os::unix::fs::PermissionsExt;
    path.metadata().is_ok_and(|m| m.permissions().mode() & 0o111 != 0)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_rig_file_can_only_name_what_the_settings_allow() {
        let folder = std::env::temp_dir();
        for bad in ["", ".", "..", "/bin/sh", "../sh", "a/b", "a\\b", "sh/", "./sh"] {
            assert!(Program::plug_in(bad, std::slice::from_ref(&folder)).is_err(), "{bad}");
        }
        let bin = [PathBuf::from("/bin")];
        assert!(Program::plug_in("sh", &bin).is_ok());
        assert!(Program::plug_in("sh", &[]).unwrap_err().0.contains("plug_in_folders"));
        assert!(Program::plug_in("there-is-no-such-program", &bin).unwrap_err().0.contains("/bin"));
        let here = PathBuf::from(env!("CARGO_MANIFEST_DIR"));
        assert!(Program::plug_in("Cargo.toml", &[here]).unwrap_err().0.contains("chmod"));
    }
}
