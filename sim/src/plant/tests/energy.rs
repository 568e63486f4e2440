//! Nothing comes from nothing: the energy of bent rigs, left alone and driven.

use super::{Driven, Facts, LONG, MIDDLE, PERIOD, PORTABLE};
use crate::bend::Bend;
use crate::plant::Plant;
use crate::shaker::{AIM, CURRENT, Coil, ShakerTruth, VELOCITY};
use std::f64::consts::{FRAC_PI_2, TAU};

/// Energy of coil, mass, spring and height, in J. The suspension's is `½ k y² + ¼ k β y⁴/x_r²`.
fn energy(facts: &Facts, bend: &Bend, plant: &Plant) -> f64 {
    let [i, x, v, _] = *plant.state();
    let y = x - bend.rest;
    let spring =
        0.5 * facts.stiffness * y * y * (1.0 + 0.5 * bend.hardening * (y / bend.rated_stroke).powi(2));
    // ∫ g sin(θ₀ + τ x) dx
    let (tilt, along) = bend.tilt;
    let height = 9.80665 * (tilt.cos() - (tilt + along * x).cos()) / along;
    0.5 * facts.inductance * i * i + 0.5 * facts.mass * v * v + spring + facts.mass * height
        - bend.preload * x
}

/// Nothing comes from nothing: with the coil shorted or open, a bent rig loses energy at every sample, hits included.
#[test]
fn energy_only_goes() {
    for facts in [LONG, PORTABLE, MIDDLE] {
        for coil in [Coil::Shorted, Coil::Open] {
            let bend = Bend {
                hardening: 0.3,
                droop: 0.2,
                rated_stroke: facts.rated,
                rest: 0.1 * facts.rated,
                tilt: (FRAC_PI_2 - 0.1, 0.05),
                preload: 9.7 * facts.mass,
            };
            let shaker = ShakerTruth { bend: bend.clone(), ..facts.shaker() };
            let mut plant = Plant::new(shaker, facts.amplifier(), None, coil, PERIOD);
            plant.state[VELOCITY] = 3.0 * facts.stop * (facts.stiffness / facts.mass).sqrt();
            plant.state[CURRENT] = if coil == Coil::Open { 0.0 } else { 1.0 };
            plant.fit();
            let first = energy(&facts, &bend, &plant);
            let mut before = first;
            for n in 0..50_000 {
                plant.step(&[0.0; 5]);
                let now = energy(&facts, &bend, &plant);
                assert!(now <= before + 1e-9 * first, "{coil:?} at {n}: {now:e} after {before:e}");
                before = now;
            }
            assert!(before < 0.2 * first, "{before} of {first}");
            assert!(coil == Coil::Shorted || plant.extremes.stop_hits > 0);
        }
    }
}

/// Driven, a bent rig has no more energy than the amplifier put in: `∫ u i dt`, by the trapezoidal rule.
#[test]
fn energy_comes_from_the_amplifier() {
    for facts in [LONG, PORTABLE, MIDDLE] {
        let bend = Bend {
            hardening: 0.3,
            droop: 0.2,
            rated_stroke: facts.rated,
            rest: 0.05 * facts.rated,
            tilt: (1e-3, 0.02),
            preload: 0.0,
        };
        let shaker = ShakerTruth { bend: bend.clone(), ..facts.shaker() };
        let mut plant = Plant::new(shaker, facts.amplifier(), None, Coil::Driven, PERIOD);
        let frequency = 1.2 * (facts.stiffness / facts.mass).sqrt() / TAU;
        plant.retune(Coil::Driven, TAU * frequency);
        let mut driven = Driven {
            plant,
            frequency,
            amplitude: facts.voltage_for(frequency, 0.8 * facts.rated),
            sample: 0,
        };
        let first = energy(&facts, &bend, &driven.plant);
        let power = |plant: &Plant| plant.state()[CURRENT] * plant.state()[AIM];
        let (mut given, mut before, mut largest) = (0.0, 0.0, 0.0f64);
        for n in 0..100_000 {
            driven.step();
            let now = power(&driven.plant);
            given += 0.5 * (before + now) * PERIOD;
            before = now;
            let gained = energy(&facts, &bend, &driven.plant) - first;
            largest = largest.max(gained);
            assert!(gained <= given + 1e-3 * largest, "at {n}: {gained:e} J of {given:e} J");
        }
        assert!(largest > 0.1 * 0.5 * facts.stiffness * facts.rated.powi(2), "{largest}");
    }
}
