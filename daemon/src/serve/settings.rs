//! Settings of the daemon: its rig, its data, and how a simulated rig goes.

use crate::record::UtcTime;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use std::path::PathBuf;

/// Settings of the daemon.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, default)]
pub struct ServeSettings {
    /// The rig's file.
    pub rig: Option<PathBuf>,
    /// Folder of what is kept: the database, and below `runs` a folder a run; null for `data` in the state folder.
    pub data_dir: Option<PathBuf>,
    /// Run every job on the simulated rig, whatever drivers the rig file names.
    pub simulate: bool,
    /// A simulated rig goes at most this many times real time; null for as fast as it can.
    pub speed: Option<f64>,
    /// Seed of a simulated rig for jobs that name none.
    pub seed: Option<u64>,
    /// The wall time at which runs on a simulated rig begin; null for the day of dry runs.
    #[schemars(with = "Option<String>")]
    pub day: Option<UtcTime>,
}
