//! The figures of a certificate: deviation and phase over frequency.
//!
//! Owns which marks go into which figure, and the captions. Must not draw: that is the plot's.

use serde::Serialize;

use super::{MissingMessage, Source, judgement};
use crate::certificate::plot::{self, Mark};
use crate::record::result::PointRecord;
use crate::record::words::PointStatus;

/// The figures that exist.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Figures {
    /// Deviation in percent; null if no accepted point has one.
    pub deviation: Option<PlacedFigure>,
    /// Phase in degrees; null if no accepted point has one.
    pub phase: Option<PlacedFigure>,
}

/// A figure and the words under it.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct PlacedFigure {
    /// Caption.
    pub caption: String,
    /// File under which the template finds it.
    pub file: &'static str,
    /// The drawing; handed to the template as a file of its own.
    #[serde(skip)]
    pub svg: String,
}

/// Draws what there is to draw.
pub(super) fn figures(source: &Source<'_>) -> Result<Figures, MissingMessage> {
    let word = |section: &str, key: &str| source.messages.text(section, key).map(str::to_owned);
    let lost_hz: Vec<_> =
        source.sensor.points.iter().filter(|p| !accepted(p)).map(|p| p.frequency_hz).collect();
    let tolerance = tolerance(source);
    let base = judgement::deviation_base(source)?;
    let mut caption = source.messages.filled("figure", "deviation", &[("base", &base)])?;
    let mut phase_caption = word("figure", "phase")?;
    if !tolerance.is_empty() {
        caption.push_str(&word("figure", "tolerance")?);
    }
    if !lost_hz.is_empty() {
        let lost = word("figure", "lost")?;
        caption.push_str(&lost);
        phase_caption.push_str(&lost);
    }
    let axis = |key: &str, unit: &str| {
        let quantity = source.messages.text("column", key)?;
        source.messages.filled("figure", "axis", &[("quantity", quantity), ("unit", unit)])
    };
    let x_label = axis("frequency", "Hz")?;
    let deviation = plot::Figure {
        x_label: x_label.clone(),
        y_label: axis("deviation", "%")?,
        marks: marks(source, |p| p.deviation_percent, |p| p.u_deviation_percent),
        tolerance,
        lost_hz: lost_hz.clone(),
        decimal_mark: source.print.decimal_mark,
    };
    let phase = plot::Figure {
        x_label,
        y_label: axis("phase", "°")?,
        marks: unwrapped(marks(source, |p| p.phase_deg, |p| p.u_phase_deg)),
        tolerance: Vec::new(),
        lost_hz,
        decimal_mark: source.print.decimal_mark,
    };
    let placed = |figure: &plot::Figure, caption: String, file: &'static str| {
        plot::svg(figure).map(|svg| PlacedFigure { caption: format!("{caption}."), file, svg })
    };
    Ok(Figures {
        deviation: placed(&deviation, caption, "/calwright/deviation.svg"),
        phase: placed(&phase, phase_caption, "/calwright/phase.svg"),
    })
}

fn accepted(point: &PointRecord) -> bool {
    point.status == PointStatus::Accepted
}

fn marks(
    source: &Source<'_>,
    value: fn(&PointRecord) -> Option<f64>,
    uncertainty: fn(&PointRecord) -> Option<f64>,
) -> Vec<Mark> {
    let accepted = source.sensor.points.iter().filter(|point| accepted(point));
    accepted
        .filter_map(|point| {
            let value = value(point)?;
            Some(Mark { frequency_hz: point.frequency_hz, value, uncertainty: uncertainty(point) })
        })
        .collect()
}

fn tolerance(source: &Source<'_>) -> Vec<(f64, f64)> {
    let tolerances = &source.request.judgement.tolerance_percent;
    let pairs = source.sensor.points.iter().zip(tolerances);
    pairs.filter_map(|(point, tolerance)| tolerance.map(|t| (point.frequency_hz, t))).collect()
}

/// Turns phases by whole circles, so that the curve does not jump where the convention wraps.
fn unwrapped(mut marks: Vec<Mark>) -> Vec<Mark> {
    marks.sort_by(|a, b| a.frequency_hz.total_cmp(&b.frequency_hz));
    let mut before: Option<f64> = None;
    for mark in &mut marks {
        if let Some(before) = before {
            mark.value -= 360.0 * ((mark.value - before) / 360.0).round();
        }
        before = Some(mark.value);
    }
    marks
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn phases_do_not_jump_at_the_wrap() {
        let at = |frequency_hz, value| Mark { frequency_hz, value, uncertainty: None };
        let turned = unwrapped(vec![at(2.0, -179.5), at(1.0, 179.8), at(3.0, -178.0)]);
        let values: Vec<_> = turned.iter().map(|m| m.value).collect();
        assert_eq!(values, [179.8, 180.5, 182.0]);
    }
}
