//! Tests of the whole system: the program as a person runs it, its records, and the house it lives in.
//!
//! Owns what only shows from outside. Must not look inside the program where command line and record files tell.

#[cfg(test)]
mod assessor;
#[cfg(test)]
mod channel_ratio;
mod conformance;
#[cfg(test)]
mod doctor;
#[cfg(test)]
mod doors;
#[cfg(test)]
mod gated;
#[cfg(test)]
mod golden;
#[cfg(test)]
mod host;
#[cfg(test)]
mod inputs;
#[cfg(test)]
mod leave;
#[cfg(test)]
mod log_files;
#[cfg(test)]
mod main_job;
#[cfg(test)]
mod migrate;
#[cfg(test)]
mod notices;
#[cfg(test)]
mod old_records;
#[cfg(test)]
mod operators;
#[cfg(test)]
mod real_runs;
#[cfg(test)]
mod records;
#[cfg(test)]
mod release;
#[cfg(test)]
mod rig_sim;
mod room;
#[cfg(test)]
mod serve;
#[cfg(test)]
mod sound;
#[cfg(test)]
mod stops;
#[cfg(test)]
mod substitution;
#[cfg(test)]
mod tidy;
#[cfg(test)]
mod trips;
#[cfg(test)]
mod upkeep;
#[cfg(test)]
mod wrong_inputs;
