//! When the armature touches, against a closed form, and touch against coast.

use super::{long_stroke, mid_size, portable};
use crate::hazard::motion::Machine;
use crate::hazard::reach::{Halt, Reach};
use crate::hazard::touch::{Course, soonest};
use plan_schema::rig::Mute;
use plan_schema::units::{Displacement, Hertz};
use std::f64::consts::TAU;

/// An undamped armature whose coil opens is a harmonic oscillator: of all phases the farthest at time t is
/// `x √(cos² ω₀t + (ω/ω₀)² sin² ω₀t)`, elementary. So it first comes to L where `sin² ω₀t = ((L/x)² − 1)/((ω/ω₀)² − 1)`.
#[test]
fn an_opened_coil_touches_when_an_oscillator_does() {
    for (machine, frequency, displacement, stop) in [
        (portable(), 8.0, 5e-3, 6.5e-3),
        (portable(), 20.0, 5e-3, 6.5e-3),
        (mid_size(), 20.0, 12.5e-3, 14.5e-3),
        (long_stroke(), 2.0, 75e-3, 85e-3),
    ] {
        let machine = Machine { damping: 0.0, ..machine };
        let f = Hertz::new(frequency);
        let steady = machine.steady(f, Displacement::new(displacement).acceleration_at(f));
        let found = soonest(&machine, &steady, TAU * frequency, (Course::Muted, Mute::Opens), stop).unwrap();
        let ratio = frequency * machine.period();
        let sine = (((stop / displacement).powi(2) - 1.0) / (ratio * ratio - 1.0)).sqrt();
        let expected = sine.asin() * machine.period() / TAU;
        // 64 phases come later by little; chords by less.
        assert!(found > expected * 0.999 && found < expected * 1.01, "{frequency} Hz: {found} {expected}");
    }
}

/// What is said to be reached is touched, and a little more is not; whatever the stop.
#[test]
fn what_is_reached_is_touched() {
    for (machine, frequency, displacement) in
        [(portable(), 20.0, 5e-3), (mid_size(), 20.0, 12.5e-3), (long_stroke(), 2.0, 75e-3)]
    {
        let f = Hertz::new(frequency);
        let steady = machine.steady(f, Displacement::new(displacement).acceleration_at(f));
        for mute in [Mute::Shorts, Mute::Opens] {
            for (halt, course) in
                [(Halt::Muted(mute), Course::Muted), (Halt::Zeroed(0.004, mute), Course::Zeroed(0.004))]
            {
                let reached = Reach::new(&machine, halt).worst(&steady);
                let at = |limit| soonest(&machine, &steady, TAU * frequency, (course, mute), limit);
                assert!(at(reached * 0.98).is_some(), "{frequency} Hz, {halt:?}: {reached}");
                assert_eq!(at(reached * 1.02), None, "{frequency} Hz, {halt:?}: {reached}");
            }
        }
        // A ramp ends at rest: it leads no farther than the steady motion.
        let ramp = |limit| {
            soonest(
                &machine,
                &steady,
                TAU * frequency,
                (Course::Ramped(1.5 / frequency), Mute::Shorts),
                limit,
            )
        };
        assert_eq!(ramp(displacement * 1.05), None);
        assert!(ramp(displacement * 0.99).is_some());
    }
}
