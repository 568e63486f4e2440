//! Settings of the program: defaults, then a file, then the environment, then flags; the last word counts.
//!
//! Owns what is the same for every job on this machine: where state lies, who the laboratory is, how certificates are
//! rendered. Must not hold anything about a rig or a job.

use crate::certificate::data::Laboratory;
use figment::Figment;
use figment::providers::{Env, Format, Serialized, Toml};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use std::path::{Path, PathBuf};

/// Prefix of environment variables: `CALWRIGHT_STATE_DIR`; two underscores go one level down.
const PREFIX: &str = "CALWRIGHT_";

/// Settings of the program.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Settings {
    /// Folder of what outlives a run: latches and locks; null for the customary place of this user.
    #[serde(default)]
    pub state_dir: Option<PathBuf>,
    /// What is logged to standard error: a level, or levels by module.
    #[serde(default = "default_log")]
    pub log: String,
    /// The laboratory as it stands on certificates.
    #[serde(default = "default_laboratory")]
    pub laboratory: Laboratory,
    /// How certificates are rendered.
    #[serde(default)]
    pub certificate: CertificateSettings,
    /// File with the scope of the laboratory's accreditation; null where it has none. Nothing better is stated.
    #[serde(default)]
    pub scope: Option<PathBuf>,
}

/// How certificates are rendered.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, default)]
pub struct CertificateSettings {
    /// A template of the laboratory's own instead of the built-in one.
    pub template: Option<PathBuf>,
    /// Longest time for all certificates of a run.
    pub render_s_max: u32,
    /// Most memory for rendering, in MiB.
    pub memory_mib_max: u32,
}

impl Default for CertificateSettings {
    fn default() -> Self {
        Self { template: None, render_s_max: 60, memory_mib_max: 2048 }
    }
}

impl Default for Settings {
    fn default() -> Self {
        Self {
            state_dir: None,
            log: default_log(),
            laboratory: default_laboratory(),
            certificate: CertificateSettings::default(),
            scope: None,
        }
    }
}

fn default_log() -> String {
    "warn".to_owned()
}

impl Settings {
    /// Folder of what outlives a run.
    #[must_use]
    pub fn state_dir(&self) -> PathBuf {
        self.state_dir.clone().unwrap_or_else(default_state_dir)
    }
}

/// The customary place for state of a user's programs, or a folder here where there is no home.
fn default_state_dir() -> PathBuf {
    let base = std::env::var_os("XDG_STATE_HOME").map(PathBuf::from).filter(|p| p.is_absolute());
    let home = || std::env::var_os("HOME").map(|h| PathBuf::from(h).join(".local").join("state"));
    base.or_else(home).map_or_else(|| PathBuf::from(".calwright"), |p| p.join("calwright"))
}

fn default_laboratory() -> Laboratory {
    Laboratory {
        name: "Laboratory not named in the settings".to_owned(),
        address: Vec::new(),
        contact: None,
        place_of_work: None,
    }
}

/// Reads the settings. `file` is what `--settings` names; without it `calwright.toml` here is read where it exists.
///
/// # Errors
/// What is wrong, and in which file or variable.
pub fn read(file: Option<&Path>, state_dir: Option<&Path>) -> Result<Settings, String> {
    let path = match file {
        Some(path) if !path.is_file() => {
            return Err(format!("settings file {} does not exist; name one that does", path.display()));
        }
        Some(path) => path.to_owned(),
        None => PathBuf::from("calwright.toml"),
    };
    let mut figment = Figment::from(Serialized::defaults(Settings::default()));
    if path.is_file() {
        figment = figment.merge(Toml::file_exact(&path));
    }
    figment = figment.merge(Env::prefixed(PREFIX).split("__").ignore(&["settings"]));
    if let Some(dir) = state_dir {
        figment = figment.merge(("state_dir", dir));
    }
    figment.extract().map_err(|errors| {
        let lines: Vec<String> = errors.into_iter().map(|e| describe(&e)).collect();
        format!("the settings can't be used:\n  {}", lines.join("\n  "))
    })
}

fn describe(error: &figment::Error) -> String {
    let key = error.path.join(".");
    let place = error.metadata.as_ref().map_or_else(String::new, |m| match &m.source {
        Some(source) => format!(" ({source})"),
        None => format!(" ({})", m.name),
    });
    if key.is_empty() { format!("{}{place}", error.kind) } else { format!("{key}: {}{place}", error.kind) }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn mistakes_name_key_and_source() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("s.toml");
        std::fs::write(&path, "log = 3\n").unwrap();
        let message = read(Some(&path), None).unwrap_err();
        assert!(message.contains("log: ") && message.contains("s.toml"), "{message}");
        std::fs::write(&path, "colour = true\n").unwrap();
        assert!(read(Some(&path), None).unwrap_err().contains("colour"));
        assert!(read(Some(&dir.path().join("none.toml")), None).unwrap_err().contains("does not exist"));
    }

    #[test]
    fn a_flag_goes_before_the_file() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("s.toml");
        std::fs::write(&path, "state_dir = \"from-file\"\n").unwrap();
        assert_eq!(read(Some(&path), None).unwrap().state_dir(), PathBuf::from("from-file"));
        let flag = Path::new("from-flag");
        assert_eq!(read(Some(&path), Some(flag)).unwrap().state_dir(), flag);
    }
}
