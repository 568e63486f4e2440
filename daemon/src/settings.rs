//! Settings of the program: defaults, then a file, then the environment, then flags; the last word counts.
//!
//! Owns what is the same for every job on this machine: where state lies, who the laboratory is, how certificates are
//! rendered. Must not hold anything about a rig or a job.

mod layer;
mod sense;

use crate::certificate::csv::CsvLocale;
use crate::certificate::data::Laboratory;
use crate::certificate::messages::Language;
use crate::http::settings::DoorSettings;
use crate::load::{self, LoadError};
use crate::log::LogFiles;
use crate::serve::outbox::OutboxSettings;
use crate::serve::settings::ServeSettings;
use figment::Figment;
use figment::providers::Serialized;
use layer::Layer;
use plan_schema::read::{Diagnostic, Diagnostics, Report};
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
    /// Folders of the programs that a rig file may name as plug-ins; nothing else of the kind is started.
    #[serde(default)]
    pub plug_in_folders: Vec<PathBuf>,
    /// Whether each real instrument runs in a process of its own, which makes it safe when this program dies. Only to look
    /// for mistakes in a driver is there a reason to say no; plug-ins always do.
    #[serde(default = "yes")]
    pub driver_hosts: bool,
    /// What is logged: a level, or levels by module.
    #[serde(default = "default_log")]
    pub log: String,
    /// Files that the daemon logs to, in place of standard error.
    #[serde(default)]
    pub log_files: LogFiles,
    /// The laboratory as it stands on certificates.
    #[serde(default = "default_laboratory")]
    pub laboratory: Laboratory,
    /// How certificates are rendered.
    #[serde(default)]
    pub certificate: CertificateSettings,
    /// How certificates are released.
    #[serde(default)]
    pub release: ReleaseSettings,
    /// Which programs are told that a run finished, a job waits for a person, or a rig tripped.
    #[serde(default)]
    pub outbox: OutboxSettings,
    /// The daemon: its rig, its data, and how a simulated rig goes.
    #[serde(default)]
    pub serve: ServeSettings,
    /// Where the daemon listens, and who may come in.
    #[serde(default)]
    pub doors: DoorSettings,
    /// File with the scope of the laboratory's accreditation; null where it has none. Nothing better is stated.
    #[serde(default)]
    pub scope: Option<PathBuf>,
}

/// How certificates are released.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, default)]
pub struct ReleaseSettings {
    /// Pattern of certificate numbers: `{year}`, and `{n}` for the count within the year.
    pub number: String,
    /// Whether the person who ran the job may approve it.
    pub by_operator: bool,
    /// File of the private key that releases are signed with.
    pub key: Option<PathBuf>,
    /// File of the public key that releases are verified with.
    pub public_key: Option<PathBuf>,
}

impl Default for ReleaseSettings {
    fn default() -> Self {
        Self { number: "{year}-{n}".to_owned(), by_operator: false, key: None, public_key: None }
    }
}

/// How certificates are rendered.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, default)]
pub struct CertificateSettings {
    /// The language that certificates are written in.
    pub language: Language,
    /// How columns and numbers are parted in CSV.
    pub csv: CsvLocale,
    /// Whether the budgets behind the uncertainties are printed as an annex.
    pub budgets: bool,
    /// Folder of font files beyond the embedded ones, for letters of scripts that those don't have, such as Chinese.
    pub fonts: Option<PathBuf>,
    /// A template of the laboratory's own instead of the built-in one.
    pub template: Option<PathBuf>,
    /// Longest time for all certificates of a run.
    pub render_s_max: u32,
    /// Most memory for rendering, in MiB.
    pub memory_mib_max: u32,
}

impl Default for CertificateSettings {
    fn default() -> Self {
        Self {
            language: Language::English,
            csv: CsvLocale::Point,
            budgets: false,
            fonts: None,
            template: None,
            render_s_max: 60,
            memory_mib_max: 2048,
        }
    }
}

impl Default for Settings {
    fn default() -> Self {
        Self {
            state_dir: None,
            plug_in_folders: Vec::new(),
            driver_hosts: true,
            log: default_log(),
            log_files: LogFiles::default(),
            laboratory: default_laboratory(),
            certificate: CertificateSettings::default(),
            release: ReleaseSettings::default(),
            outbox: OutboxSettings::default(),
            serve: ServeSettings::default(),
            doors: DoorSettings::default(),
            scope: None,
        }
    }
}

fn yes() -> bool {
    true
}

fn default_log() -> String {
    "warn".to_owned()
}

impl Settings {
    /// What a file says by itself, over the defaults.
    ///
    /// # Errors
    /// Everything that is wrong with it, each in its line.
    pub fn from_text(name: &str, text: &str) -> Result<Self, Report> {
        let layer = Layer::of_text(name, text)?;
        let found = layer.mistakes();
        let figment =
            Figment::from(Serialized::defaults(Self::default())).merge(Serialized::globals(&layer.says));
        match figment.extract() {
            Ok(settings) if found.is_empty() => Ok(settings),
            _ => Err(Report(Diagnostics(found))),
        }
    }

    /// Folder of the daemon's database and runs.
    #[must_use]
    pub fn data_dir(&self) -> PathBuf {
        self.serve.data_dir.clone().unwrap_or_else(|| self.state_dir().join("data"))
    }

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
        country: None,
        contact: None,
        place_of_work: None,
        mark: None,
    }
}

/// Reads the settings. `file` is what `--settings` names; without it `calwright.toml` here is read where it exists.
///
/// # Errors
/// Everything that is wrong, each with the file, environment variable or flag that says it.
pub fn read(file: Option<&Path>, state_dir: Option<&Path>) -> Result<Settings, LoadError> {
    let layers = layers(file, state_dir)?;
    let path = named(file);
    let found: Vec<Diagnostic> = layers.iter().flat_map(Layer::mistakes).collect();
    if !found.is_empty() {
        return Err(LoadError::Input(Report(Diagnostics(found))));
    }
    let mut figment = Figment::from(Serialized::defaults(Settings::default()));
    for layer in &layers {
        figment = figment.merge(Serialized::globals(&layer.says));
    }
    figment
        .extract()
        .map_err(|e| LoadError::File { path, detail: format!("the settings can't be used: {e}") })
}

/// Looks whether the files that certificates need are there: template, fonts and mark.
///
/// # Errors
/// Each that is not, with the file, environment variable or flag that names it.
pub fn files_are_there(file: Option<&Path>) -> Result<(), LoadError> {
    let found: Vec<Diagnostic> = layers(file, None)?.iter().flat_map(Layer::absent).collect();
    if found.is_empty() { Ok(()) } else { Err(LoadError::Input(Report(Diagnostics(found)))) }
}

/// The settings file: the one that is named, or the customary one.
fn named(file: Option<&Path>) -> PathBuf {
    file.map_or_else(|| PathBuf::from("calwright.toml"), Path::to_owned)
}

/// Every source of settings, the strongest last.
fn layers(file: Option<&Path>, state_dir: Option<&Path>) -> Result<Vec<Layer>, LoadError> {
    let path = match file {
        Some(path) if !path.is_file() => {
            let detail = "the settings file does not exist; name one that does".to_owned();
            return Err(LoadError::File { path: path.to_owned(), detail });
        }
        Some(_) | None => named(file),
    };
    let mut layers = Vec::new();
    if path.is_file() {
        let text = load::text(&path)?;
        layers.push(Layer::of_text(&path.display().to_string(), &text).map_err(LoadError::Input)?);
    }
    layers.extend(Layer::of_environment());
    layers.extend(state_dir.map(|dir| Layer::of_flag("--state-dir", "state_dir", dir)));
    Ok(layers)
}

#[cfg(test)]
mod tests;
