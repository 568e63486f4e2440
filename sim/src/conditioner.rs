//! Response of a conditioner and of a channel's filter, beside their gain. Pure.
//!
//! Owns: [`Conditioner`]. A table is no filter. But the signal swings at the frequency of the source, so the response at that
//! frequency is applied to it as it is: everything is as large as the tone, whose phase alone is turned ([`Tuned`]).

use crate::tuned::Tuned;
use plan_schema::chain::Chain;
use plan_schema::units::Hertz;

/// What conditioner and filter truly do.
#[derive(Clone)]
pub(crate) struct Response {
    chain: Chain,
    /// Error of the conditioner's phase in rad.
    phase_error: f64,
}

impl Response {
    /// Of a chain, off by what `draw` gives for a figure's name and expanded uncertainty; `None` where there is nothing but a
    /// gain.
    pub(crate) fn of(chain: &Chain, draw: impl Fn(&str, f64) -> f64) -> Option<Self> {
        let phase_error = draw("conditioner's phase", chain.conditioner_u_phase().si());
        if !chain.has_response() && phase_error == 0.0 {
            return None;
        }
        let filter = chain.filter().map_or(0.0, |f| draw("filter corner", f.u));
        Some(Self { chain: chain.clone().with_filter_off(filter), phase_error })
    }
}

/// A conditioner's response at the frequency of the drive.
#[derive(Clone)]
pub(crate) struct Conditioner {
    response: Response,
    rate: f64,
    magnitude: f64,
    tuned: Tuned,
}

impl Conditioner {
    /// At `rate` samples per second; before the first drive everything passes.
    pub(crate) fn new(response: Response, rate: f64) -> Self {
        Self { response, rate, magnitude: 1.0, tuned: Tuned::default() }
    }

    /// Takes up the frequency of the drive in Hz; 0 leaves it as it is.
    pub(crate) fn retune(&mut self, frequency: f64) {
        // Half of the rate and above are no frequencies of a point.
        if frequency <= 0.0 || frequency >= 0.5 * self.rate {
            return;
        }
        let at = self.response.chain.electrical(Hertz::new(frequency));
        self.magnitude = at.magnitude;
        self.tuned.retune(frequency, at.phase.si() + self.response.phase_error, self.rate);
    }

    /// Replaces a stretch by what comes out.
    pub(crate) fn pass(&mut self, signal: &mut [f64]) {
        for value in signal {
            *value = self.magnitude * self.tuned.pass(*value);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use plan_schema::rig::{Channel, ResponsePoint};
    use plan_schema::units::{Fraction, Radians, Volts};
    use std::f64::consts::TAU;

    /// Magnitude and phase of what comes out, against what was asked for: 97 % and −5° of the table, and a first-order
    /// low-pass at a tenth of its corner (1/√1.01, −atan 0.1).
    #[test]
    fn it_has_the_response_of_its_table() {
        let (rate, frequency) = (20_000.0, 80.0);
        let line = |hz: f64, magnitude: f64, degrees: f64| ResponsePoint {
            frequency: Hertz::new(hz),
            magnitude: Fraction::new(magnitude),
            phase: Radians::new(f64::to_radians(degrees)),
        };
        let channel = Channel {
            response: vec![line(10.0, 1.0, 0.0), line(80.0, 0.97, -5.0), line(1000.0, 0.9, -40.0)],
            filter_corner: Some(Hertz::new(800.0)),
            ..Channel::plain("c", 0, Volts::new(10.0))
        };
        let response = Response::of(&Chain::of(&channel, false), |_, _| 0.0).unwrap();
        let mut conditioner = Conditioner::new(response, rate);
        conditioner.retune(frequency);
        let omega = TAU * frequency / rate;
        let mut signal: Vec<f64> = (0..20_000).map(|n| (omega * f64::from(n)).cos()).collect();
        let (first, last) = signal.split_at_mut(777);
        conditioner.pass(first);
        conditioner.pass(last);
        let (mut cos, mut sin) = (0.0, 0.0);
        // 0.5 s at the end: whole cycles
        for (n, value) in signal.iter().enumerate().skip(10_000) {
            cos += value * (omega * n as f64).cos() / 5e3;
            sin -= value * (omega * n as f64).sin() / 5e3;
        }
        assert!((f64::hypot(cos, sin) - 0.97 / 1.01f64.sqrt()).abs() < 1e-9, "{cos} {sin}");
        let wanted = -5f64.to_radians() - 0.1f64.atan();
        assert!((sin.atan2(cos) - wanted).abs() < 1e-9, "{cos} {sin}");
    }

    #[test]
    fn of_a_gain_there_is_no_response() {
        let channel = Channel::plain("c", 0, Volts::new(10.0));
        assert!(Response::of(&Chain::of(&channel, false), |_, _| 0.0).is_none());
    }
}
