//! Figures of a certificate as SVG: a quantity over frequency, with uncertainty bars and a tolerance band.
//!
//! Owns the drawing. Must not know what the quantity is: labels and numbers are handed in, in the units in
//! which they are shown. The text stays text, so that it is set in the certificate's own font.

use std::ops::Range;

use plotters::coord::Shift;
use plotters::coord::ranged1d::{BoldPoints, KeyPointHint, NoDefaultFormatting, Ranged, ValueFormatter};
use plotters::coord::types::RangedCoordf64;
use plotters::prelude::*;
use plotters::style::text_anchor::{HPos, Pos, VPos};

/// Canvas units per typographic point: plotters places things on whole units, so units must be fine.
const UNITS_PER_POINT: i32 = 20;
/// Size of the figure in points; the width is that of the text on the page.
const SIZE_PT: (i32, i32) = (493, 170);
/// Room for the labels of the vertical axis and its name.
const LABELS_PT: i32 = 40;
/// About how many labels the vertical axis has.
const Y_LABELS: usize = 7;
/// Sizes of text in points; plotters takes a size to be 1.24 times what SVG calls by that name.
const LABEL_PT: f64 = 8.5 * 1.24;
const CROSS_PT: f64 = 13.0 * 1.24;
const FONT: &str = "Libertinus Serif";

const INK: RGBColor = RGBColor(31, 42, 54);
const CURVE: RGBColor = RGBColor(27, 79, 114);
const BAND: RGBColor = RGBColor(226, 236, 229);
const BAND_EDGE: RGBColor = RGBColor(120, 156, 132);
const GRID: RGBColor = RGBColor(222, 226, 230);
const GRID_FINE: RGBColor = RGBColor(240, 242, 244);
const LOST: RGBColor = RGBColor(160, 44, 44);

/// A value at a frequency.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Mark {
    /// Frequency, positive.
    pub frequency_hz: f64,
    /// The value.
    pub value: f64,
    /// Expanded uncertainty, drawn as a bar to both sides.
    pub uncertainty: Option<f64>,
}

/// What to draw.
#[derive(Debug, Clone, PartialEq)]
pub struct Figure {
    /// Name and unit of the horizontal axis.
    pub x_label: String,
    /// Name and unit of the vertical axis.
    pub y_label: String,
    /// The values, in any order.
    pub marks: Vec<Mark>,
    /// Tolerance (±) around zero by frequency; may be empty.
    pub tolerance: Vec<(f64, f64)>,
    /// Frequencies that were wanted, but have no value.
    pub lost_hz: Vec<f64>,
    /// The decimal mark of labels.
    pub decimal_mark: char,
}

/// Draws a figure in the size of certificates. None when it has no mark, or a number in it can't be drawn.
#[must_use]
pub fn svg(figure: &Figure) -> Option<String> {
    drawing(figure, SIZE_PT, LABELS_PT)
}

/// Draws a figure so many points wide and high, for a page: with more room for the labels of the vertical axis, which are set in
/// whatever font the reader has.
#[must_use]
pub fn svg_of_size(figure: &Figure, size_pt: (i32, i32)) -> Option<String> {
    drawing(figure, size_pt, LABELS_PT + 12)
}

fn drawing(figure: &Figure, size_pt: (i32, i32), labels_pt: i32) -> Option<String> {
    let frequencies = figure.frequencies();
    let numbers = figure.marks.iter().flat_map(|m| [m.value, m.uncertainty.unwrap_or(0.0)]);
    let drawable = frequencies.iter().all(|f| f.is_finite() && *f > 0.0)
        && numbers.chain(figure.tolerance.iter().map(|t| t.1)).all(f64::is_finite);
    if figure.marks.is_empty() || !drawable {
        return None;
    }
    let mut text = String::new();
    let size = (points(size_pt.0), points(size_pt.1));
    {
        let area = SVGBackend::with_string(&mut text, (size.0.unsigned_abs(), size.1.unsigned_abs()))
            .into_drawing_area();
        // Why the error is dropped: a string as backend has no way to fail, and a figure is no result.
        draw(&area, figure, &frequencies, labels_pt).ok()?;
    }
    Some(text)
}

type Area<'a> = DrawingArea<SVGBackend<'a>, Shift>;
type Chart<'a, 'b> = ChartContext<'a, SVGBackend<'b>, Cartesian2d<Decades, RangedCoordf64>>;
type Drawn = Result<(), Box<dyn std::error::Error>>;

impl Figure {
    fn frequencies(&self) -> Vec<f64> {
        let tolerated = self.tolerance.iter().map(|t| t.0);
        self.marks
            .iter()
            .map(|m| m.frequency_hz)
            .chain(self.lost_hz.iter().copied())
            .chain(tolerated)
            .collect()
    }

    /// Values to show: marks with their bars, the band, and some air.
    fn value_range(&self) -> Range<f64> {
        let bars = self.marks.iter().flat_map(|m| {
            let bar = m.uncertainty.unwrap_or(0.0).abs();
            [m.value - bar, m.value + bar]
        });
        let band = self.tolerance.iter().flat_map(|t| [-t.1, t.1]);
        let (low, high) =
            bars.chain(band).fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), v| (l.min(v), h.max(v)));
        let air = ((high - low) * 0.12).max(high.abs().max(low.abs()) * 1e-3).max(1e-6);
        low - air..high + air
    }
}

/// A logarithmic axis with labels at 1, 2 and 5 times the powers of ten.
struct Decades {
    low: f64,
    high: f64,
}

impl Decades {
    /// Spans the frequencies, with air to both sides so that no mark sits on the frame.
    fn around(frequencies: &[f64]) -> Self {
        let low = frequencies.iter().copied().fold(f64::INFINITY, f64::min);
        let high = frequencies.iter().copied().fold(0.0, f64::max);
        let air = (high / low).powf(0.05).max(1.25);
        Self { low: low / air, high: high * air }
    }

    /// Steps times powers of ten within the axis.
    fn ticks(&self, steps: &[f64]) -> Vec<f64> {
        let mut ticks = Vec::new();
        let mut power = self.low.log10().floor();
        while power <= self.high.log10() {
            let decade = 10f64.powf(power);
            ticks.extend(steps.iter().map(|s| s * decade).filter(|t| (self.low..=self.high).contains(t)));
            power += 1.0;
        }
        ticks
    }
}

impl Ranged for Decades {
    type FormatOption = NoDefaultFormatting;
    type ValueType = f64;

    #[expect(clippy::cast_possible_truncation, reason = "a place on the canvas; a float cast saturates")]
    fn map(&self, value: &f64, limit: (i32, i32)) -> i32 {
        let share = (value / self.low).ln() / (self.high / self.low).ln();
        (f64::from(limit.0) + share * f64::from(limit.1 - limit.0)).round() as i32
    }

    fn key_points<Hint: KeyPointHint>(&self, hint: Hint) -> Vec<f64> {
        if hint.weight().allow_light_points() {
            return self.ticks(&[1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 7.0, 8.0, 9.0]);
        }
        self.ticks(&[1.0, 2.0, 5.0])
    }

    fn range(&self) -> Range<f64> {
        self.low..self.high
    }
}

impl ValueFormatter<f64> for Decades {
    fn format(value: &f64) -> String {
        let decimals =
            if *value < 0.0095 { 3 } else { usize::from(*value < 0.095) + usize::from(*value < 0.95) };
        format!("{value:.decimals$}")
    }
}

fn points(size: i32) -> i32 {
    size * UNITS_PER_POINT
}

fn font(size_pt: f64) -> FontDesc<'static> {
    (FONT, size_pt * f64::from(UNITS_PER_POINT)).into_font()
}

fn stroke(colour: RGBColor, tenths_of_a_point: i32) -> ShapeStyle {
    colour.stroke_width((tenths_of_a_point * UNITS_PER_POINT / 10).unsigned_abs())
}

fn draw(area: &Area<'_>, figure: &Figure, frequencies: &[f64], labels_pt: i32) -> Drawn {
    let values = RangedCoordf64::from(figure.value_range());
    let decimals = decimals_of(&values.key_points(BoldPoints(Y_LABELS)));
    let mut chart = ChartBuilder::on(area)
        .margin_top(points(4))
        .margin_right(points(4))
        .x_label_area_size(points(28))
        .y_label_area_size(points(labels_pt))
        .build_cartesian_2d(Decades::around(frequencies), values)?;
    draw_band(&mut chart, figure)?;
    let label = font(LABEL_PT).color(&INK);
    chart
        .configure_mesh()
        .bold_line_style(stroke(GRID, 5))
        .light_line_style(stroke(GRID_FINE, 4))
        .axis_style(stroke(INK, 5))
        .set_all_tick_mark_size(points(3))
        .x_labels(40)
        .y_labels(Y_LABELS)
        .y_max_light_lines(1)
        .label_style(label.clone())
        .axis_desc_style(label)
        .x_label_formatter(&|v| marked(&Decades::format(v), figure.decimal_mark))
        .y_label_formatter(&|v| marked(&signed(*v, decimals), figure.decimal_mark))
        .x_desc(figure.x_label.as_str())
        .y_desc(figure.y_label.as_str())
        .draw()?;
    draw_marks(&mut chart, figure)
}

/// Fewest decimals with which every label says its value.
fn decimals_of(labels: &[f64]) -> usize {
    let told = |decimals: usize| {
        labels.iter().all(|label| {
            let printed = format!("{label:.decimals$}").parse().unwrap_or(f64::NAN);
            (label - printed).abs() < 0.01 * 10f64.powi(-i32::try_from(decimals).unwrap_or(0))
        })
    };
    (0..9).find(|&decimals| told(decimals)).unwrap_or(9)
}

fn signed(value: f64, decimals: usize) -> String {
    let text = format!("{value:.decimals$}");
    let zero = text.chars().all(|c| matches!(c, '0' | '.' | '-'));
    if zero { text.trim_start_matches('-').to_owned() } else { text.replace('-', "−") }
}

/// A label with the language's decimal mark.
fn marked(label: &str, decimal_mark: char) -> String {
    label.chars().map(|c| if c == '.' { decimal_mark } else { c }).collect()
}

/// The band runs straight from point to point, and on to the frame where there is one point only.
fn draw_band(chart: &mut Chart<'_, '_>, figure: &Figure) -> Drawn {
    let mut band = figure.tolerance.clone();
    band.sort_by(|a, b| a.0.total_cmp(&b.0));
    let (Some(&first), Some(&last)) = (band.first(), band.last()) else {
        return Ok(());
    };
    let frame = chart.x_range();
    band.insert(0, (frame.start, first.1));
    band.push((frame.end, last.1));
    let upper: Vec<_> = band.clone();
    let lower: Vec<_> = band.iter().map(|&(f, t)| (f, -t)).collect();
    let outline: Vec<_> = upper.iter().copied().chain(lower.iter().rev().copied()).collect();
    chart.draw_series(std::iter::once(Polygon::new(outline, BAND.filled())))?;
    for edge in [upper, lower] {
        chart.draw_series(std::iter::once(PathElement::new(edge, stroke(BAND_EDGE, 6))))?;
    }
    Ok(())
}

fn draw_marks(chart: &mut Chart<'_, '_>, figure: &Figure) -> Drawn {
    let mut marks = figure.marks.clone();
    marks.sort_by(|a, b| a.frequency_hz.total_cmp(&b.frequency_hz));
    let line: Vec<_> = marks.iter().map(|m| (m.frequency_hz, m.value)).collect();
    chart.draw_series(std::iter::once(PathElement::new(line.clone(), stroke(CURVE, 7))))?;
    for (f, v, u) in marks.iter().filter_map(|m| m.uncertainty.map(|u| (m.frequency_hz, m.value, u))) {
        let bar = PathElement::new(vec![(f, v - u), (f, v + u)], stroke(CURVE, 7));
        chart.draw_series(std::iter::once(bar))?;
        let half = points(5) / 2;
        let cap = || PathElement::new(vec![(-half, 0), (half, 0)], stroke(CURVE, 7));
        chart.draw_series([v - u, v + u].map(|end| EmptyElement::at((f, end)) + cap()))?;
    }
    chart.draw_series(line.into_iter().map(|at| Circle::new(at, points(2), CURVE.filled())))?;
    let foot = chart.y_range().start;
    let centred = Pos::new(HPos::Center, VPos::Bottom);
    let cross = font(CROSS_PT).color(&LOST).pos(centred);
    chart.draw_series(figure.lost_hz.iter().map(|&f| Text::new("×", (f, foot), cross.clone())))?;
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn figure(frequencies: &[f64]) -> Figure {
        Figure {
            x_label: "Frequency in Hz".into(),
            y_label: "Deviation in %".into(),
            marks: frequencies
                .iter()
                .map(|&f| Mark { frequency_hz: f, value: 0.3 - f / 100.0, uncertainty: Some(0.5) })
                .collect(),
            tolerance: frequencies.iter().map(|&f| (f, 2.0)).collect(),
            lost_hz: vec![],
            decimal_mark: '.',
        }
    }

    #[test]
    fn labels_stand_at_one_two_and_five() {
        let axis = Decades::around(&[0.5, 100.0]);
        let labels: Vec<_> = axis.ticks(&[1.0, 2.0, 5.0]).iter().map(Decades::format).collect();
        assert_eq!(labels, ["0.5", "1", "2", "5", "10", "20", "50", "100"]);
        let axis = Decades::around(&[0.01, 0.1]);
        let labels: Vec<_> = axis.ticks(&[1.0, 2.0, 5.0]).iter().map(Decades::format).collect();
        assert_eq!(labels, ["0.01", "0.02", "0.05", "0.1"]);
    }

    #[test]
    fn equal_ratios_are_equal_distances() {
        let axis = Decades { low: 0.1, high: 1000.0 };
        let at = |f: f64| axis.map(&f, (0, 4000));
        assert_eq!([at(0.1), at(1.0), at(10.0), at(100.0), at(1000.0)], [0, 1000, 2000, 3000, 4000]);
    }

    #[test]
    fn every_mark_is_drawn_and_names_its_axes() {
        let text = svg(&figure(&[1.0, 10.0, 100.0])).unwrap();
        assert_eq!(text.matches("<circle").count(), 3);
        assert!(text.contains("Deviation in %") && text.contains("Frequency in Hz"));
        assert!(svg(&figure(&[16.0])).is_some(), "one point is a figure");
    }

    #[test]
    fn what_cannot_be_drawn_is_no_figure() {
        assert_eq!(svg(&figure(&[])), None);
        assert_eq!(svg(&figure(&[0.0, 1.0])), None);
        let mut broken = figure(&[1.0]);
        broken.marks[0].value = f64::NAN;
        assert_eq!(svg(&broken), None);
    }

    #[test]
    fn labels_have_as_few_decimals_as_tell_them_apart() {
        assert_eq!(decimals_of(&[-3.0, -2.0, 0.0]), 0);
        assert_eq!(decimals_of(&[-0.5, 0.0, 0.5]), 1);
        assert_eq!(decimals_of(&[0.25, 0.30000000000000004]), 2);
    }

    #[test]
    fn labels_have_no_negative_zero() {
        assert_eq!(signed(-0.0001, 1), "0.0");
        assert_eq!(signed(-1.5, 1), "−1.5");
    }
}
