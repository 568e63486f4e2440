//! A source that stops on its way to 0 V and holds what it puts out: a direct voltage while no tone is expected any more.
//!
//! Owns: the moments from the end of a dwell to the mute, and the count of what is answered wrongly. A voltage that lets the
//! armature stay where it may lie anyway needs no answer; another one has to trip before a stop is touched.

use super::place::Place;
use super::{in_parallel, places_of};
use crate::figure::Figure;
use crate::quick::Ran;
use anyhow::Result;
use plan_schema::faults::{Fault, FaultKind, Moment};
use plan_schema::units::Seconds;

/// Reasons that name the source.
const RIGHT: [&str; 3] = ["source_dc", "source_not_following", "stroke_limit"];

/// Counts the moments at which a held source is not answered as it must be.
///
/// # Errors
/// If an example can't be read, or a point can't be run without a fault.
pub fn held(full: bool) -> Result<Figure> {
    let seed = 1;
    // The longest stroke, since its armature has the farthest to go unseen.
    let places = if full { super::places(true, seed)? } else { places_of(&[("low-frequency", 6..7)], seed)? };
    let moments = if full { 64 } else { 16 };
    let answers = in_parallel(places.len(), |n| places.get(n).map(|place| at_place(place, seed, moments)));
    let mut failed = Vec::new();
    let (mut ran, mut tripped) = (0, 0);
    for answer in answers.into_iter().flatten() {
        let (at_place, wrong) = answer?;
        ran += at_place.0;
        tripped += at_place.1;
        failed.extend(wrong);
    }
    let shown: String = failed.iter().take(40).map(String::as_str).collect();
    Ok(Figure {
        what: "sources held on their way to 0 V that are not answered as they must be".to_owned(),
        value: failed.len() as f64,
        limit: 0.0,
        unit: "",
        sample: format!(
            "{ran} moments from the end of a dwell on, at {} points; {tripped} tripped, the others moved nothing{shown}",
            places.len()
        ),
        seeds: vec![seed],
    })
}

/// How many ran and tripped at one place, and what was wrong.
type Count = ((usize, usize), Vec<String>);

fn at_place(place: &Place, seed: u64, moments: u32) -> Result<Count> {
    let end = place.dwell + Seconds::new(f64::from(super::CYCLES) / place.frequency());
    let way = place.setup.plant.transition(place.frequency_of_point());
    let at = |n: u32| Moment::Time(end + way * (1.5 * f64::from(n) / f64::from(moments)));
    let fault =
        |n| Fault { kind: FaultKind::SourceHoldsLast, at: at(n), channel: None, value: None, lasts: None };
    let faults: Vec<Fault> = (0..moments).map(fault).collect();
    let ((mut ran, mut tripped), mut failed) = ((0, 0), Vec::new());
    let mut wrong = Ok(());
    place.with_each(seed, &faults, |number, outcome| match outcome {
        Ok(outcome) => {
            ran += 1;
            tripped += usize::from(outcome.trip().is_some());
            let said = says(place, &outcome);
            failed.extend(said.map(|said| format!("\n{} at moment {number}: {said}", place.name)));
        }
        Err(error) => wrong = Err(error),
    })?;
    wrong?;
    Ok(((ran, tripped), failed))
}

fn says(place: &Place, ran: &Ran) -> Option<String> {
    let (trip, far) = (ran.trip(), ran.truth.displacement_m_peak_max);
    if ran.truth.stop_hits > 0 {
        return Some(format!("a stop was touched (trip {trip:?})"));
    }
    if !ran.at_rest {
        return Some("the rig was left with drive on".to_owned());
    }
    let ceiling = place.setup.forecasts.first().map_or(0.0, |f| f.ceiling.stroke.si());
    match trip {
        Some(reason) => (!RIGHT.contains(&reason)).then(|| format!("trip {reason}")),
        None => (far > ceiling).then(|| format!("no trip, and the armature went {:.3} mm", far * 1e3)),
    }
}
