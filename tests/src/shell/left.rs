//! What a run in the shell left, as the program would record it.

use super::Shell;
use crate::quick::{self, Ran};
use anyhow::{Context, Result};
use calibration::sequence::Outcome;
use calwright::station::Report;
use calwright::wiring::Simulated;
use jiff::{SignedDuration, Timestamp};
use plan_schema::units::{Mono, SampleCount, Seconds};

impl Shell {
    /// Goes on to the end, and says what the run left.
    ///
    /// # Errors
    /// As [`Self::block`], or if the result can't be evaluated.
    pub fn into_ran(mut self, seed: u64) -> Result<Ran> {
        let outcome = self.finish()?;
        let report = self.report(outcome)?;
        let simulated = Simulated::around(self.rig.clone(), &self.run.setup().job);
        simulated.run_out();
        quick::ran(self.run.setup(), seed, report, &self.facts, &simulated, self.begun)
    }

    fn report(&self, outcome: Outcome) -> Result<Report> {
        let started: Timestamp = quick::STARTED.parse()?;
        let after = |time: Seconds| SignedDuration::try_from_secs_f64(time.si()).context("the end of time");
        let ended = started + after(self.now().since(Mono(0)))?;
        let rate = self.run.setup().job.rig.acquisition.rate;
        Ok(Report {
            outcome,
            trip: self.run.trip().cloned(),
            tripped_at: None,
            started,
            ended,
            rig_time: SampleCount(self.last.0.0).duration(rate),
            waited: self.run.waited(),
            hold: self.run.hold().map(str::to_owned),
            refused: self.run.refused().map(str::to_owned),
            guard_opened: self.run.guard_opened(),
            ambient: self.ambient.clone(),
            failures: self.failures.clone(),
            store_failed: false,
        })
    }
}
