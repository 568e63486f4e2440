//! The closed amplitude loop of one point: approach from below, correct on the reference, judge settled.
//!
//! Works in windows of max(1 cycle, 0.25 s). A window that begins after the last change of drive took effect gives
//! an amplitude; two of them in a row say whether it stands still.

use plan_schema::units::{Accel, Hertz, Peak, Seconds, Volts};

/// What the loop wants next.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Progress {
    /// Look at another window at the same drive.
    Look,
    /// Go to this drive.
    Drive(Volts<Peak>),
    /// The amplitude is there and stands still.
    Settled(Settled),
}

/// The amplitude at the moment it counted as settled.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Settled {
    /// Amplitude of the last window.
    pub amplitude: Accel<Peak>,
    /// Deviation from the target as a share of it.
    pub error: f64,
}

/// Closed loop on the amplitude of the reference.
#[derive(Debug, Clone, PartialEq)]
pub struct AmplitudeLoop {
    target: f64,
    band: f64,
    window: f64,
    dwell: f64,
    ceiling: f64,
    drive: f64,
    previous: Option<f64>,
}

/// Largest change of amplitude over a dwell that counts as standing still.
const TREND_LIMIT: f64 = 0.003;

/// The first move of a point aims at this share of the target where the response is known from a point before.
const KNOWN_APPROACH: f64 = 0.95;

/// And at this share where it is only foreseen: a response three times as large stays well below the target.
const UNKNOWN_APPROACH: f64 = 0.2;

impl AmplitudeLoop {
    /// A loop for one point. `foreseen` is the drive that should give the target; `known` says whether the response
    /// was measured before in this run.
    #[must_use]
    pub fn new(
        target: Accel<Peak>,
        frequency: Hertz,
        band: f64,
        dwell: Seconds,
        foreseen: Volts<Peak>,
        ceiling: Volts<Peak>,
        known: bool,
    ) -> Self {
        let share = if known { KNOWN_APPROACH } else { UNKNOWN_APPROACH };
        Self {
            target: target.si(),
            band,
            window: window(frequency).si(),
            dwell: dwell.si(),
            ceiling: ceiling.si(),
            drive: (foreseen.si() * share).min(ceiling.si()),
            previous: None,
        }
    }

    /// The drive in force.
    #[must_use]
    pub fn drive(&self) -> Volts<Peak> {
        Volts::new(self.drive)
    }

    /// What was really applied: sources have steps.
    pub fn applied(&mut self, drive: Volts<Peak>) {
        self.drive = drive.si();
        self.previous = None;
    }

    /// Takes the amplitude of a window, with its standard deviation, and says what to do next.
    pub fn observe(&mut self, amplitude: Accel<Peak>, deviation: Accel<Peak>) -> Progress {
        let amplitude = amplitude.si();
        let error = (amplitude - self.target).abs();
        let within = error + 2.0 * deviation.si() <= self.band * self.target;
        if !within {
            return self.correct(amplitude);
        }
        match self.previous.replace(amplitude) {
            Some(before) => {
                let trend = (amplitude - before).abs() / self.window * self.dwell.max(self.window);
                if trend <= TREND_LIMIT * self.target {
                    Progress::Settled(Settled {
                        amplitude: Accel::new(amplitude),
                        error: (amplitude - self.target) / self.target,
                    })
                } else {
                    Progress::Look
                }
            }
            None => Progress::Look,
        }
    }

    /// The response is taken as proportional around the amplitude just seen. A step up is at most fivefold: what is
    /// seen at a tiny amplitude may be noise.
    fn correct(&mut self, amplitude: f64) -> Progress {
        let factor = if amplitude > 0.0 { (self.target / amplitude).clamp(0.05, 5.0) } else { 5.0 };
        let next = (self.drive * factor).min(self.ceiling);
        if (next - self.drive).abs() <= self.drive * 1e-7 {
            // At the ceiling, or nothing left to correct: only time can tell.
            self.previous = None;
            return Progress::Look;
        }
        Progress::Drive(Volts::new(next))
    }
}

/// Length of the window that amplitude and settling are judged by: max(1 cycle, 0.25 s), in whole cycles.
#[must_use]
pub fn window(frequency: Hertz) -> Seconds {
    let cycles = (0.25 * frequency.si()).ceil().max(1.0);
    Seconds::new(cycles / frequency.si())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn new_loop(known: bool) -> AmplitudeLoop {
        let (f, band) = (Hertz::new(10.0), 0.01);
        AmplitudeLoop::new(
            Accel::new(5.0),
            f,
            band,
            Seconds::new(1.0),
            Volts::new(1.0),
            Volts::new(1.5),
            known,
        )
    }

    /// A plant whose response is off by a third: one identifying move, one correction, two looks.
    #[test]
    fn one_correction_is_enough_for_a_linear_plant() {
        let mut lp = new_loop(false);
        let plant = |drive: f64| Accel::new(drive * 5.0 * 1.33);
        let mut moves = 0;
        for _ in 0..6 {
            match lp.observe(plant(lp.drive().si()), Accel::ZERO) {
                Progress::Drive(d) => {
                    moves += 1;
                    lp.applied(d);
                }
                Progress::Look => {}
                Progress::Settled(s) => {
                    assert!(s.error.abs() < 1e-9);
                    assert_eq!(moves, 1);
                    return;
                }
            }
        }
        panic!("never settled");
    }

    #[test]
    fn the_first_move_stays_below_the_target_and_no_move_passes_the_ceiling() {
        for known in [false, true] {
            assert!(new_loop(known).drive().si() < 1.0);
        }
        let mut lp = new_loop(true);
        lp.applied(Volts::new(1.4));
        assert_eq!(lp.observe(Accel::new(1.0), Accel::ZERO), Progress::Drive(Volts::new(1.5)));
        lp.applied(Volts::new(1.5));
        assert_eq!(lp.observe(Accel::new(1.0), Accel::ZERO), Progress::Look);
    }

    /// Something that creeps is not settled, however near it is.
    #[test]
    fn a_trend_keeps_it_from_settling() {
        let mut lp = new_loop(true);
        assert_eq!(lp.observe(Accel::new(4.98), Accel::ZERO), Progress::Look);
        assert_eq!(lp.observe(Accel::new(5.00), Accel::ZERO), Progress::Look);
        assert!(matches!(lp.observe(Accel::new(5.001), Accel::ZERO), Progress::Settled(_)));
    }

    /// Noise counts against the band: 2 standard deviations.
    #[test]
    fn noise_counts() {
        let mut lp = new_loop(true);
        assert!(matches!(lp.observe(Accel::new(5.02), Accel::new(0.02)), Progress::Drive(_)));
    }
}
