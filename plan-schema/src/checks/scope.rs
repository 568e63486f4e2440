//! Checks of a scope by itself.

use super::Checker;
use crate::read::{Diagnostics, Document, Report};
use crate::scope::{Scope, ScopeBand};

/// Checks a scope.
///
/// # Errors
/// Everything that is wrong with it.
pub fn check_scope(document: &Document<Scope>) -> Result<(), Report> {
    let mut checker = Checker::new(document);
    let scope = &document.value;
    checker.named("accreditation", &scope.accreditation);
    checker.named("granted_by", &scope.granted_by);
    checker.named("quantity", &scope.quantity);
    if scope.bands.is_empty() {
        checker.error("band", "the scope holds nothing", "add a table [[band]] for each band of frequency");
    }
    for (n, band) in scope.bands.iter().enumerate() {
        let path = |key: &str| format!("band[{n}].{key}");
        checker.positive(&path("from"), band.from.si());
        checker.positive(&path("u"), band.u.si());
        checker.positive_if_any(&path("u_phase"), band.u_phase.map(|u| u.si()));
        checker.positive_if_any(&path("amplitude_min"), band.amplitude_min.map(|a| a.si()));
        checker.band(&format!("band[{n}]"), band.from, band.to);
        if band.amplitude_min.zip(band.amplitude_max).is_some_and(|(least, most)| least > most) {
            checker.error(
                &path("amplitude_max"),
                "the largest amplitude lies below the smallest",
                "write the smaller amplitude as 'amplitude_min'",
            );
        }
        if band.sensors.is_empty() {
            checker.error(
                &path("sensors"),
                "the band holds no kind of sensor",
                "name at least one, such as sensors = [\"iepe\"]",
            );
        }
    }
    overlaps(&mut checker, scope);
    if checker.found.is_empty() { Ok(()) } else { Err(Report(Diagnostics(checker.found))) }
}

/// Two bands that hold the same point of one kind of sensor, with two capabilities for it. Bands may share an end.
fn overlaps(checker: &mut Checker<'_, Scope>, scope: &Scope) {
    let amplitudes = |band: &ScopeBand| {
        let (least, most) = (band.amplitude_min.map(|a| a.si()), band.amplitude_max.map(|a| a.si()));
        (least.unwrap_or(0.0), most.unwrap_or(f64::INFINITY))
    };
    for (n, band) in scope.bands.iter().enumerate() {
        let same = |other: &&ScopeBand| {
            let ((least, most), (other_least, other_most)) = (amplitudes(band), amplitudes(other));
            other.from < band.to
                && band.from < other.to
                && least < other_most
                && other_least < most
                && other.sensors.iter().any(|kind| band.sensors.contains(kind))
        };
        if scope.bands.iter().take(n).any(|other| same(&other)) {
            checker.error(
                &format!("band[{n}].from"),
                "the band overlaps an earlier one for the same kind of sensor",
                "part the bands as the annex of the accreditation does: each begins where the one before ends",
            );
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::registers::{Date, SensorKind};
    use crate::units::{Accel, Hertz};

    const TEXT: &str = include_str!("../../../examples/settings/scope.toml");

    fn read(text: &str) -> Result<Scope, Report> {
        let document: Document<Scope> = Document::read("scope.toml", text)?;
        check_scope(&document).map(|()| document.value)
    }

    #[test]
    fn a_point_is_found_in_its_band() {
        let scope = read(TEXT).unwrap();
        let band = |kind, hz, a| scope.band(kind, Hertz::new(hz), Accel::new(a)).map(|b| b.u.percent());
        assert_eq!(band(SensorKind::DcMems, 0.5, 1.0), Some(1.5));
        assert_eq!(band(SensorKind::DcMems, 10.0, 1.0), Some(0.8));
        assert_eq!(band(SensorKind::Iepe, 0.5, 1.0), None);
        assert_eq!(band(SensorKind::DcMems, 0.05, 1.0), None);
        let day = |year| Date { year, month: 6, day: 30 };
        assert!(scope.in_force(day(2001)) && !scope.in_force(day(2002)));
    }

    #[test]
    fn mistakes_are_pointed_at() {
        let mistakes = [
            ("u = \"0.8 %\"", "u = \"0 %\""),
            ("to = \"5 Hz\"", "to = \"0.05 Hz\""),
            ("sensors = [\"dc_mems\", \"piezoresistive\", \"servo\"]", "sensors = []"),
            ("accreditation = \"XL-00000\"", "accreditation = \" \""),
            ("valid_until = 2001-06-30", "valid_until = \"soon\""),
        ];
        let said: Vec<String> = mistakes
            .iter()
            .map(|(old, new)| {
                assert!(TEXT.contains(old), "{old}");
                read(&TEXT.replacen(old, new, 1)).unwrap_err().to_string()
            })
            .collect();
        insta::assert_snapshot!(said.join("\n"));
    }
}
