//! What the output makes of a sine, as it was measured with a known voltage. Never extrapolated.
//!
//! The lines have the form of a channel's `response` in the rig file, and are read between as those are: straight over the
//! logarithm of frequency.

use plan_schema::chain::{Chain, Transfer};
use plan_schema::rig::{Channel, ResponsePoint};
use plan_schema::units::{Hertz, Peak, Volts, engineering};

/// Output of a sound interface.
#[derive(Debug, Clone, PartialEq)]
pub struct Characterised {
    chain: Chain,
    full_scale: Volts<Peak>,
    lowest: Hertz,
    highest: Hertz,
    /// Magnitude of the weakest line.
    weakest: f64,
}

impl Characterised {
    /// From volts at full scale, and lines that ascend in frequency; `None` without lines.
    #[must_use]
    pub fn new(full_scale: Volts<Peak>, response: &[ResponsePoint]) -> Option<Self> {
        let (lowest, highest) = (response.first()?.frequency, response.last()?.frequency);
        let weakest = response.iter().map(|p| p.magnitude.si()).fold(f64::INFINITY, f64::min);
        let channel = Channel { response: response.to_vec(), ..Channel::plain("output", 0, full_scale) };
        Some(Self { chain: Chain::of(&channel, false), full_scale, lowest, highest, weakest })
    }

    /// Lowest and highest frequency at which it is known.
    #[must_use]
    pub fn known(&self) -> (Hertz, Hertz) {
        (self.lowest, self.highest)
    }

    /// The same, known in a narrower band only.
    #[must_use]
    pub fn within(self, lowest: Hertz, highest: Hertz) -> Self {
        Self { lowest: self.lowest.max(lowest), highest: self.highest.min(highest), ..self }
    }

    /// Largest amplitude that it makes at every frequency.
    #[must_use]
    pub fn amplitude_max(&self) -> Volts<Peak> {
        self.full_scale * self.weakest
    }

    /// Volts of a share of 1, and by how much they lag, at a frequency.
    ///
    /// # Errors
    /// Where it is not known there: why, and what to do.
    pub fn at(&self, frequency: Hertz) -> Result<Transfer, String> {
        if frequency.si() <= 0.0 {
            return Err(format!(
                "it is coupled for AC and makes no steady voltage, so neither an offset nor a point at 0 Hz; take another source \
                 for that. It makes sines from {} on",
                engineering(self.lowest.si(), "Hz")
            ));
        }
        if !(frequency >= self.lowest && frequency <= self.highest) {
            return Err(format!(
                "{} lies outside of {} to {}, where output and inputs were characterised; measure them there with a known \
                 voltage and add the lines to settings.output.response and settings.inputs, or leave the point out",
                engineering(frequency.si(), "Hz"),
                engineering(self.lowest.si(), "Hz"),
                engineering(self.highest.si(), "Hz")
            ));
        }
        let Transfer { magnitude, phase } = self.chain.electrical(frequency);
        Ok(Transfer { magnitude: magnitude * self.full_scale.si(), phase })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use plan_schema::units::{Fraction, Radians};
    use proptest::prelude::*;

    fn line(hz: f64, magnitude: f64, phase: f64) -> ResponsePoint {
        ResponsePoint {
            frequency: Hertz::new(hz),
            magnitude: Fraction::new(magnitude),
            phase: Radians::new(phase),
        }
    }

    fn output() -> Characterised {
        let lines = [line(10.0, 0.9, 0.2), line(100.0, 1.0, 0.0), line(10_000.0, 0.95, -0.4)];
        Characterised::new(Volts::new(2.0), &lines).unwrap()
    }

    #[test]
    fn between_two_lines_it_is_straight_over_the_logarithm() {
        let output = output();
        let near = |hz: f64, volts: f64, phase: f64| {
            let at = output.at(Hertz::new(hz)).unwrap();
            assert!(
                (at.magnitude - volts).abs() < 1e-12 && (at.phase.si() - phase).abs() < 1e-12,
                "{hz}: {at:?}"
            );
        };
        near(10.0, 1.8, 0.2);
        near(10.0 * 10_f64.sqrt(), 1.9, 0.1);
        near(1000.0, 1.95, -0.2);
        near(10_000.0, 1.9, -0.4);
        assert!((output.amplitude_max().si() - 1.8).abs() < 1e-12);
        assert!(Characterised::new(Volts::new(1.0), &[]).is_none());
    }

    #[test]
    fn what_it_does_not_know_it_refuses_with_a_remedy() {
        let said = |hz: f64| output().at(Hertz::new(hz)).unwrap_err();
        insta::assert_snapshot!([said(0.0), said(9.99), said(20_000.0)].join("\n"));
        assert!(output().within(Hertz::new(20.0), Hertz::new(1e6)).at(Hertz::new(15.0)).is_err());
        assert!(output().at(Hertz::new(f64::NAN)).is_err());
    }

    proptest! {
        #[test]
        fn nothing_is_extrapolated(hz in prop_oneof![0.0..10.0_f64, 10_000.1..1e9_f64, -1e3..0.0_f64]) {
            prop_assert!(output().at(Hertz::new(hz)).is_err());
        }

        #[test]
        fn between_it_stays_between(hz in 10.0..10_000.0_f64) {
            let at = output().at(Hertz::new(hz)).unwrap();
            prop_assert!(at.magnitude >= 1.8 - 1e-12 && at.magnitude <= 2.0 + 1e-12);
        }
    }
}
