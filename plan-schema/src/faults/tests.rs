//! Every kind has the unit, the range and the default that it documents.

use super::*;
use crate::units::{Fraction, Kelvins, Volts};
use SizedFault as Is;

fn fault(kind: FaultKind, value: Option<&str>) -> Fault {
    Fault {
        kind,
        at: Moment::Time(Seconds::new(1.0)),
        channel: None,
        value: value.map(|text| Size(text.to_owned())),
        lasts: None,
    }
}

fn sized(kind: FaultKind, value: &str) -> SizedFault {
    fault(kind, Some(value)).sized().unwrap()
}

fn refused(kind: FaultKind, value: Option<&str>) -> (String, String) {
    let error = fault(kind, value).sized().unwrap_err();
    (error.message, error.remedy)
}

/// Kinds that have a size: a size that fits, one that is too large, one that has the wrong unit, and the default.
const SIZED: [(FaultKind, &str, &str, &str, Option<SizedFault>); 8] = [
    (FaultKind::AmbientExcursion, "-30 K", "31 K", "5 %", Some(Is::AmbientExcursion(Kelvins::new(10.0)))),
    (FaultKind::GainJump, "-100 %", "-101 %", "1 V", None),
    (FaultKind::SensorClipped, "1 V pk", "101 V pk", "1 V", None),
    (FaultKind::LooseMount, "100 %", "101 %", "1 K", Some(Is::LooseMount(Fraction::new(0.05)))),
    (FaultKind::Hum, "5 V rms", "0 V pk", "5 %", Some(Is::Hum(Volts::new(0.05)))),
    (FaultKind::CoilOverheating, "1 K", "-1 K", "40 °C", Some(Is::CoilOverheating(Kelvins::new(20.0)))),
    (FaultKind::SlowDrift, "-0.5 %", "200 %", "1 V pk", Some(Is::SlowDrift(Fraction::new(0.005)))),
    (FaultKind::CableIntermittent, "0.1 %", "0 %", "1 s", Some(Is::CableIntermittent(Fraction::new(0.5)))),
];

#[test]
fn sizes_have_their_unit_range_and_default() {
    for (kind, fits, beyond, wrong, usual) in SIZED {
        sized(kind, fits);
        let (message, remedy) = refused(kind, Some(beyond));
        assert!(message.contains("lies outside") && remedy.contains("between them"), "{message}; {remedy}");
        let (message, remedy) = refused(kind, Some(wrong));
        assert!(!message.contains("lies outside") && !remedy.is_empty(), "{message}; {remedy}");
        match usual {
            Some(usual) => assert_eq!(fault(kind, None).sized(), Ok(usual)),
            None => {
                let (message, remedy) = refused(kind, None);
                assert!(
                    message.contains("needs its size") && remedy.contains("add value"),
                    "{message}; {remedy}"
                );
            }
        }
    }
}

#[test]
fn a_size_is_read_in_its_unit() {
    assert_eq!(sized(FaultKind::GainJump, "0.3 %"), Is::GainJump(Fraction::new(0.003)));
    assert_eq!(sized(FaultKind::SensorClipped, "250 mV pk"), Is::SensorClipped(Volts::new(0.25)));
    // Peak-to-peak is halved.
    assert_eq!(sized(FaultKind::Hum, "250 mV pk-pk"), Is::Hum(Volts::new(0.125)));
}

#[test]
fn other_kinds_have_no_size() {
    for kind in FaultKind::ALL {
        if SIZED.iter().any(|(sized, ..)| sized == kind) {
            continue;
        }
        assert!(fault(*kind, None).sized().is_ok());
        let (message, remedy) = refused(*kind, Some("5 %"));
        assert_eq!(message, format!("{} has no size", kind.word()));
        assert_eq!(remedy, "remove the value");
    }
}
