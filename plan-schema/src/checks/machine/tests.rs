//! What is said of a shaker and an amplifier that do not hang together.

use crate::fixture::{Texts, edit};
use crate::resolve::ResolvedJob;

/// What is said of the valid job with lines added to its shaker and its amplifier.
fn said(shaker: &str, amplifier: &str) -> String {
    let mut texts = Texts::valid();
    texts.rig = edit(
        &texts.rig,
        "coil_inductance = \"0.2 mH\"\n",
        &format!("coil_inductance = \"0.2 mH\"\n{shaker}\n"),
    );
    texts.rig = edit(
        &texts.rig,
        "current_limit = \"10 A pk\"\n",
        &format!("current_limit = \"10 A pk\"\n{amplifier}\n"),
    );
    match ResolvedJob::resolve(&texts.files()) {
        Ok((_, warnings)) => format!("usable\n{}", warnings.render(false)),
        Err(report) => report.to_string(),
    }
}

#[test]
fn machines_by_themselves() {
    let cases = [
        ("softening", said("suspension_hardening = \"-3 %\"", "")),
        ("magnet without field at the stop", said("force_factor_droop = \"80 %\"", "")),
        ("centre beyond the stop", said("centre_error = \"-15 mm\"", "")),
        ("heat capacity alone", said("coil_heat_capacity = \"60 J/K\"", "")),
        ("heat resistance alone", said("coil_heat_resistance = \"2 K/W\"", "")),
        ("guard that acts at rest", said("coil_temperature_limit = \"20 °C\"", "")),
        (
            "one frequency twice",
            said(
                "[[shaker.transverse]]\nfrequency = \"100 Hz\"\nshare = \"3 %\"\n\
                 [[shaker.transverse]]\nfrequency = \"0.1 kHz\"\nshare = \"4 %\"",
                "",
            ),
        ),
        ("offset of another mode", said("", "offset_current = \"1 mA\"")),
        ("bandwidth of nothing", said("", "bandwidth = \"0 Hz\"")),
        ("watchdog that bites between questions", said("", "watchdog = \"50 ms\"")),
        (
            "allowance that is too small",
            said("centre_error = \"0.2 mm\"\ntilt = \"0.1 deg\"", "offset = \"-0.1 V\""),
        ),
    ];
    let text = cases.map(|(mistake, said)| format!("===== {mistake}\n{said}\n")).join("\n");
    insta::with_settings!({ omit_expression => true }, { insta::assert_snapshot!(text) });
}

/// A machine with everything stated is taken, and comes back in SI units.
#[test]
fn a_whole_machine_is_read() {
    let mut texts = Texts::valid();
    texts.rig = edit(
        &texts.rig,
        "coil_inductance = \"0.2 mH\"\n",
        "coil_inductance = \"0.2 mH\"\nsuspension_hardening = \"3 %\"\nforce_factor_droop = \"2 %\"\n\
         centre_error = \"0.1 mm\"\ntilt = \"0.2 mrad\"\ntilt_along_stroke = \"10 µrad/mm\"\n\
         resistance_coefficient = \"0.39 %/K\"\ncoil_heat_capacity = \"60 J/K\"\n\
         coil_heat_resistance = \"2 K/W\"\ncoil_temperature_limit = \"120 °C\"\n\
         transverse = [{ frequency = \"5 Hz\", share = \"2 %\" }, { frequency = \"1 kHz\", share = \"8 %\" }]\n",
    );
    let (job, warnings) = ResolvedJob::resolve(&texts.files()).unwrap_or_else(|r| panic!("{r}"));
    assert!(warnings.0.is_empty(), "{}", warnings.render(false));
    let shaker = &job.rig.shaker;
    let numbers = [
        shaker.suspension_hardening.si(),
        shaker.force_factor_droop.si(),
        shaker.centre_error.si(),
        shaker.tilt.si(),
        shaker.tilt_along_stroke.si(),
        shaker.resistance_coefficient.si(),
        shaker.coil_heat_capacity.unwrap().si(),
        shaker.coil_heat_resistance.unwrap().si(),
        shaker.coil_temperature_limit.unwrap().si(),
        shaker.transverse[1].frequency.si(),
        shaker.transverse[1].share.si(),
    ];
    let expected = [0.03, 0.02, 1e-4, 2e-4, 0.01, 0.0039, 60.0, 2.0, 120.0, 1000.0, 0.08];
    for (got, expected) in numbers.into_iter().zip(expected) {
        assert!((got / expected - 1.0).abs() < 1e-12, "{numbers:?}");
    }
}
