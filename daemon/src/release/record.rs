//! `release.json`: what was released, by whom, and the hash of everything that it rests on.

use crate::record::UtcTime;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

/// Name and version of the format.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub enum ReleaseSchema {
    /// The first version.
    #[serde(rename = "calwright.release/1")]
    V1,
}

/// A release of a run.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct ReleaseRecord {
    /// Name and version of this format.
    pub schema: ReleaseSchema,
    /// The run.
    pub run: String,
    /// True if the instruments were simulated: a rehearsal, no calibration of a real object.
    pub simulated: bool,
    /// Who approved.
    pub approved_by: String,
    /// When; also the date of issue.
    pub approved_utc: UtcTime,
    /// The certificates.
    pub certificates: Vec<ReleasedCertificate>,
    /// Why certificates are issued anew; null for first ones.
    pub amendment: Option<String>,
    /// The run before an adjustment that stands beside this one; null where there is none.
    #[serde(default)]
    pub as_found: Option<AsFoundRun>,
    /// Points that the approver took out.
    pub exclusions: Vec<Exclusion>,
    /// Name of the key: SHA-256 of the public key.
    pub key: String,
    /// SHA-256 of every file of the run directory as it was, by its path; those of releases left out.
    pub run_files: BTreeMap<String, String>,
    /// SHA-256 of every file of this release by its name; this one and its signature left out.
    pub files: BTreeMap<String, String>,
}

/// A certificate that was issued.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct ReleasedCertificate {
    /// Serial number of the sensor.
    pub serial: String,
    /// Number of the certificate.
    pub number: String,
    /// Number of the certificate that it replaces.
    pub replaces: Option<String>,
}

/// A run before an adjustment.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct AsFoundRun {
    /// Its name.
    pub run: String,
    /// SHA-256 of the last line of its journal, which everything in it hangs on.
    pub journal_head: String,
}

/// A point that a person took out.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Exclusion {
    /// Serial number of the sensor.
    pub serial: String,
    /// Number of the point in the sensor's results, from 1.
    pub point: usize,
    /// Why.
    pub reason: String,
}
