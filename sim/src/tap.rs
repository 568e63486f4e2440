//! The reference's output, tapped for other channels than its own.
//!
//! Owns: what its conditioner makes of the signal. Must not: know which channels are connected to it now.

use crate::acquisition::STRETCH;
use crate::channel::Source;
use crate::conditioner::{Conditioner, Response};
use crate::spread::Unknowns;
use plan_schema::resolve::ResolvedJob;
use plan_schema::units::SamplesPerSecond;

/// The reference's output on its way to other channels than its own: its signal times a scale, then its conditioner.
#[derive(Clone)]
pub(crate) struct Tap {
    scale: f64,
    conditioner: Option<Conditioner>,
    under_test: usize,
    volts: Vec<f64>,
}

impl Tap {
    /// The tap of a job's reference, of which `source` tells what it puts out.
    pub(crate) fn of(
        job: &ResolvedJob,
        unknowns: &Unknowns,
        rate: SamplesPerSecond,
        source: &Source,
    ) -> Self {
        let chain = job.reference.chain.before_channel();
        let name = job.columns.get(job.reference.column).map_or("", |c| c.name.as_str());
        // The same conditioner as before the reference's own channel, so the same draws.
        let off = |what: &str, u: f64| unknowns.stated(&format!("{what} of channel {name}"), u);
        let gain = chain.conditioner().map_or(1.0, |g| g.value * (1.0 + off("conditioner", g.u)));
        Self {
            scale: source.scale * gain,
            conditioner: Response::of(&chain, off).map(|response| Conditioner::new(response, rate.si())),
            under_test: job.sensors.len(),
            volts: vec![0.0; STRETCH],
        }
    }

    /// The tone has another frequency: the phase of its conditioner is turned there.
    pub(crate) fn retune(&mut self, frequency: f64) {
        if let Some(conditioner) = &mut self.conditioner {
            conditioner.retune(frequency);
        }
    }

    /// Takes in a stretch of the reference's signal: its conditioner goes on all the time.
    pub(crate) fn take(&mut self, signal: Option<&[f64]>, samples: usize) {
        let (Some(volts), Some(signal)) =
            (self.volts.get_mut(..samples), signal.and_then(|s| s.get(..samples)))
        else {
            return;
        };
        for (to, from) in volts.iter_mut().zip(signal) {
            *to = from * self.scale;
        }
        if let Some(conditioner) = &mut self.conditioner {
            conditioner.pass(volts);
        }
    }

    /// What a sensor's channel gets of it; `None` where the channel is not one of those under test.
    pub(crate) fn to(&self, sensor: usize, samples: usize) -> Option<&[f64]> {
        if sensor < self.under_test { self.volts.get(..samples) } else { None }
    }
}
