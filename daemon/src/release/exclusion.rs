//! Taking a point out of a certificate: by a named person, for a reason, and visibly.

use super::record::Exclusion;
use crate::record::ResultRecord;
use crate::record::words::{Decision, PointStatus};

/// Reads `SERIAL:POINT=REASON`, the point by its number from 1.
///
/// # Errors
/// In words, with what to write.
pub fn parse(text: &str) -> Result<Exclusion, String> {
    let form = "write SERIAL:POINT=REASON, such as 'BW-1:3=sensor was touched'";
    let (at, reason) = text.split_once('=').ok_or(form)?;
    let (serial, point) = at.rsplit_once(':').ok_or(form)?;
    let point: usize = point.trim().parse().map_err(|_| form.to_owned())?;
    if point == 0 || serial.trim().is_empty() || reason.trim().is_empty() {
        return Err(form.to_owned());
    }
    Ok(Exclusion { serial: serial.trim().to_owned(), point, reason: reason.trim().to_owned() })
}

/// Takes points out of a result: they are excluded, with name and reason; a sensor so judged is undecided at best.
///
/// # Errors
/// If there is no such point.
pub fn apply(result: &mut ResultRecord, exclusions: &[Exclusion], by: &str) -> Result<(), String> {
    for Exclusion { serial, point, reason } in exclusions {
        let sensor = result.sensors.iter_mut().find(|s| s.serial == *serial);
        let sensor = sensor.ok_or_else(|| format!("the run has no sensor {serial}"))?;
        let count = sensor.points.len();
        let record = sensor.points.get_mut(point - 1);
        let record =
            record.ok_or_else(|| format!("sensor {serial} has {count} points, so none of number {point}"))?;
        record.status = PointStatus::Excluded;
        record.decision = Decision::None;
        // No words of a language: whoever prints it says what it is.
        record.reason = Some(format!("{by}: {reason}"));
        let fails = |d: Decision| sensor.points.iter().any(|p| p.decision == d);
        sensor.decision = if fails(Decision::Fail) {
            Decision::Fail
        } else if fails(Decision::ConditionalFail) {
            Decision::ConditionalFail
        } else {
            Decision::None
        };
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::certificate::fixture;

    #[test]
    fn a_point_taken_out_is_never_passed_over_in_silence() {
        let mut result = fixture::released().result;
        let serial = result.sensors[0].serial.clone();
        result.sensors[0].decision = Decision::Pass;
        let exclusion = parse(&format!("{serial}:3=the sensor was touched")).unwrap();
        apply(&mut result, &[exclusion], "A. Person").unwrap();
        let sensor = &result.sensors[0];
        assert_eq!((sensor.decision, sensor.points[2].status), (Decision::None, PointStatus::Excluded));
        assert_eq!(sensor.points[2].reason.as_deref(), Some("A. Person: the sensor was touched"));
        assert!(apply(&mut result, &[parse("X:1=y").unwrap()], "A").unwrap_err().contains("no sensor"));
        let beyond = parse(&format!("{serial}:99=y")).unwrap();
        assert!(apply(&mut result, &[beyond], "A").unwrap_err().contains("none of number 99"));
    }

    #[test]
    fn what_is_incomplete_is_refused() {
        for text in ["", "A:1", "A=x", ":1=x", "A:0=x", "A:one=x", "A:1= "] {
            assert!(parse(text).is_err(), "{text}");
        }
        assert_eq!(parse("A:B:2=x=y").unwrap().serial, "A:B");
    }
}
