//! What is foreseen, as a table that a technician reads at a glance; what does not fit in it stands below as notes.
//!
//! Nothing is wider than [`WIDTH`] columns.

use crate::record::check::{
    CheckRecord, CheckedFault, CheckedPoint, CheckedReserve, CheckedUncertainty, LimitKind,
};
use plan_schema::units::engineering;

/// Columns of a terminal that a report has to fit in.
pub(super) const WIDTH: usize = 100;

/// From this share of a limit on a figure is marked.
const NEAR: f64 = 90.0;

const HEADINGS: [(&str, usize); 12] = [
    ("#", 3),
    ("frequency", 9),
    ("amplitude", 9),
    ("stroke", 7),
    ("velocity", 9),
    ("limit", 12),
    ("range", 5),
    ("coast", 6),
    ("reserve", 9),
    ("U", 6),
    ("time", 7),
    ("runs", 6),
];

/// Colours, if the terminal has them.
#[derive(Debug, Clone, Copy)]
pub(super) struct Paint(pub(super) bool);

impl Paint {
    fn with(self, code: &str, text: &str) -> String {
        if self.0 && !text.trim().is_empty() {
            format!("\u{1b}[{code}m{text}\u{1b}[0m")
        } else {
            text.to_owned()
        }
    }

    fn good(self, text: &str) -> String {
        self.with("32", text)
    }

    pub(super) fn bad(self, text: &str) -> String {
        self.with("1;31", text)
    }

    fn near(self, text: &str) -> String {
        self.with("33", text)
    }

    pub(super) fn heading(self, text: &str) -> String {
        self.with("1", text)
    }
}

/// A number with three significant digits and its unit.
pub(super) fn short(value: f64, unit: &str) -> String {
    let rounded: f64 = format!("{value:.2e}").parse().unwrap_or(value);
    engineering(rounded, unit)
}

/// The whole report.
pub(super) fn report(record: &CheckRecord, paint: Paint) -> String {
    let heading = HEADINGS.map(|(name, width)| format!("{name:>width$}")).join(" ");
    let mut out = format!("{}\n", paint.heading(&heading));
    for (n, point) in record.points.iter().enumerate() {
        out.push_str(&row(record, n, point, paint));
        out.push('\n');
    }
    out.push_str(LEGEND);
    for note in notes(record) {
        out.push_str(&wrapped("- ", &note));
    }
    out.push_str(&uncertainties(record));
    out.push_str(&totals(record));
    out
}

const LEGEND: &str = "\
Amplitudes are peak values. Limit: how much is used of what binds first of stroke, velocity,
acceleration, force, drive, current, voltage, moment. Range: the most that a transducer or its
channel uses.
Coast: how far the armature goes after the worst stop, as a share of the way to the mechanical stop.
Reserve: what is left of time in the worst single fault: J the gain jumps, D the source is deaf,
H it holds a value, S it steps, R the reference is silent; 'any' where no time is too long. U is
expanded (95.45 %), scatter foreseen from the noise figures of the registers. Runs: 'tight' if no
deviation could pass, 'waived' if it runs by a limiter or a waiver only.
";

fn row(record: &CheckRecord, n: usize, point: &CheckedPoint, paint: Paint) -> String {
    let limit = point.limits.first();
    let used = limit.map_or(0.0, |l| l.used_percent);
    let range = point.ranges.iter().map(|r| r.of_range_percent.max(r.of_channel_percent)).fold(0.0, f64::max);
    let coast = coast(record, point);
    let reserve = point.reserves.first();
    let cells = [
        (n + 1).to_string(),
        engineering(point.frequency_hz, "Hz"),
        short(point.acceleration_mps2_peak, "m/s²"),
        short(point.displacement_m_peak, "m"),
        short(point.velocity_mps_peak, "m/s"),
        limit.map_or(String::new(), |l| format!("{used:.0} % {}", limit_word(l.limit))),
        format!("{range:.0} %"),
        format!("{coast:.0} %"),
        reserve.map_or(String::new(), reserve_word),
        point.u_rel_percent.map_or("none".to_owned(), |u| format!("{u:.2} %")),
        time(point.rig_s),
        verdict(point).to_owned(),
    ];
    let mut line: Vec<String> = Vec::new();
    for (column, (cell, (_, width))) in cells.iter().zip(HEADINGS).enumerate() {
        let padded = format!("{cell:>width$}");
        line.push(match column {
            5 if used > 100.0 + 1e-6 => paint.bad(&padded),
            5 if used > NEAR => paint.near(&padded),
            6 if range > NEAR => paint.near(&padded),
            7 if coast > 100.0 => paint.bad(&padded),
            7 if coast > NEAR => paint.near(&padded),
            8 if reserve.is_some_and(|r| !r.keeps_off) => paint.bad(&padded),
            11 => match cell.as_str() {
                "yes" => paint.good(&padded),
                "NO" => paint.bad(&padded),
                _ => paint.near(&padded),
            },
            _ => padded,
        });
    }
    line.join(" ")
}

/// Where the armature may go, as a share of the way to the stop.
fn coast(record: &CheckRecord, point: &CheckedPoint) -> f64 {
    let farthest = point.coasts.iter().map(|c| c.displacement_m_peak).fold(0.0, f64::max);
    farthest / record.rest.stop_m * 100.0
}

/// "NO": it can't be run. "tight": no deviation could pass. "waived": it can by a limiter or a waiver. Else "yes".
fn verdict(point: &CheckedPoint) -> &'static str {
    if !point.obstacles.is_empty() {
        "NO"
    } else if point.uncertainties.iter().any(|u| u.can_pass == Some(false)) {
        "tight"
    } else if !point.warnings.is_empty() {
        "waived"
    } else {
        "yes"
    }
}

/// Short enough for its column.
fn limit_word(limit: LimitKind) -> String {
    match limit {
        LimitKind::Velocity => "veloc.".to_owned(),
        LimitKind::Acceleration => "accel.".to_owned(),
        LimitKind::Current => "curr.".to_owned(),
        LimitKind::Voltage => "volt.".to_owned(),
        LimitKind::Stroke | LimitKind::Force | LimitKind::Drive | LimitKind::Moment => {
            spaced(&format!("{limit:?}"))
        }
    }
}

fn reserve_word(reserve: &CheckedReserve) -> String {
    let letter = match reserve.fault {
        CheckedFault::GainJump => 'J',
        CheckedFault::SourceDeaf => 'D',
        CheckedFault::SourceHolds => 'H',
        CheckedFault::SourceStep => 'S',
        CheckedFault::ReferenceSilent => 'R',
    };
    match (reserve.longest_s, reserve.reserve_s) {
        (None, _) => "any".to_owned(),
        (Some(_), Some(left)) => format!("{} {letter}", short(left, "s")),
        (Some(_), None) => format!("none {letter}"),
    }
}

pub(super) fn time(seconds: f64) -> String {
    match seconds {
        s if s < 100.0 => format!("{s:.1} s"),
        s if s < 10_000.0 => format!("{s:.0} s"),
        s => format!("{:.1} h", s / 3600.0),
    }
}

/// What is too wide for the table, with the number of its point.
fn notes(record: &CheckRecord) -> Vec<String> {
    let mut notes = Vec::new();
    for (n, point) in record.points.iter().enumerate() {
        let at = format!("point {} ({})", n + 1, engineering(point.frequency_hz, "Hz"));
        if let (Some(wanted), Some(why)) = (point.wanted_mps2_peak, &point.limited_by) {
            let (had, wanted) = (short(point.acceleration_mps2_peak, "m/s²"), short(wanted, "m/s²"));
            notes.push(format!("{at}: {had} of {wanted}; {why}"));
        }
        if let Some(largest) = point.acceleration_mps2_peak_max {
            notes.push(format!("{at} can't be run: {}; {}", reasons(&point.obstacles), most(largest)));
        }
        for warning in &point.warnings {
            notes.push(format!("{at}: {warning}"));
        }
        for u in point.uncertainties.iter().filter(|u| u.can_pass == Some(false)) {
            notes.push(format!("{at}: {}", tight(u)));
        }
    }
    notes
}

/// The first reason; the others are told where the point is written.
fn reasons(obstacles: &[String]) -> String {
    match obstacles {
        [] => String::new(),
        [only] => only.clone(),
        [first, others @ ..] => format!("{first} (and for {} more reasons)", others.len()),
    }
}

pub(super) fn most(largest: f64) -> String {
    if largest > 0.0 {
        format!("the largest is {} pk", engineering(largest, "m/s²"))
    } else {
        "no amplitude can".to_owned()
    }
}

pub(super) fn tight(u: &CheckedUncertainty) -> String {
    format!(
        "U foreseen {:.2} %, tolerance {:.2} %: sensor '{}' can't pass here",
        u.u_deviation_percent.unwrap_or(u.u_rel_percent),
        u.tolerance_percent.unwrap_or(0.0),
        u.serial
    )
}

/// Of each point the sensor with the largest U and what it is made of; points in a row that are alike together.
fn uncertainties(record: &CheckRecord) -> String {
    let mut groups: Vec<(usize, usize, &CheckedUncertainty, f64)> = Vec::new();
    for (n, point) in record.points.iter().enumerate() {
        let worst = point.uncertainties.iter().max_by(|a, b| a.u_rel_percent.total_cmp(&b.u_rel_percent));
        let Some(worst) = worst else { continue };
        let alike = |u: &CheckedUncertainty| {
            u.serial == worst.serial && u.parts.iter().zip(&worst.parts).all(|(a, b)| a.name == b.name)
        };
        match groups.last_mut() {
            Some((_, last, first, least)) if *last + 1 == n && alike(first) => {
                *last = n;
                *least = least.min(worst.u_rel_percent);
                if worst.u_rel_percent > first.u_rel_percent {
                    *first = worst;
                }
            }
            _ => groups.push((n, n, worst, worst.u_rel_percent)),
        }
    }
    let mut out = String::from("Largest parts of U, with their share of the variance:\n");
    for (first, last, worst, least) in groups {
        let points =
            if first == last { format!("{}", first + 1) } else { format!("{}-{}", first + 1, last + 1) };
        let to = format!("{:.2} %", worst.u_rel_percent);
        let from = format!("{least:.2} %");
        let range = if from == to { to } else { format!("{from} to {to}") };
        let lead = format!("  {points:<7} ");
        out.push_str(&wrapped(&lead, &format!("{}, {range}: {}", worst.serial, parts(worst))));
    }
    out
}

pub(super) fn parts(u: &CheckedUncertainty) -> String {
    let parts: Vec<String> = u.parts.iter().map(|p| format!("{} {:.0} %", p.name, p.share_percent)).collect();
    parts.join(", ")
}

fn totals(record: &CheckRecord) -> String {
    let waits = &record.waits;
    let parts = [
        ("soak", waits.soak_s),
        ("comparing channels", waits.channels_s),
        ("listening at rest", waits.quiet_s),
        ("first motion", waits.first_motion_s),
        ("first point again at the end", waits.closing_s),
        ("decays of sensors", waits.decays_s),
    ];
    let parts: Vec<String> =
        parts.iter().filter(|(_, s)| *s >= 0.05).map(|(name, s)| format!("{name} {s:.1} s")).collect();
    let mebibytes = record.raw_bytes as f64 / f64::from(1 << 20);
    let (payload, rest) = (&record.payload, &record.rest);
    let grams = |kg: f64| engineering(kg * 1e3, "g");
    let mut out = wrapped("", &format!("Waits that are foreseen: {}.", parts.join(", ")));
    out.push_str(&wrapped(
        "",
        &format!("Rig time about {:.0} s; waveforms about {mebibytes:.0} MiB.", record.rig_s),
    ));
    let limit = payload.payload_kg_max.map_or(String::new(), |most| format!(" (at most {})", grams(most)));
    let on_table = payload.fixtures_kg + payload.sensors_kg + payload.adapters_kg;
    out.push_str(&wrapped(
        "",
        &format!(
            "Moving: {}: armature with reference {}, on it {}{limit}: sensors {}, adapters {}, fixtures {}. {}.",
            grams(payload.moving_kg),
            grams(payload.armature_kg),
            grams(on_table),
            grams(payload.sensors_kg),
            grams(payload.adapters_kg),
            grams(payload.fixtures_kg),
            eccentric(record),
        ),
    ));
    let sag = if rest.sag_m > 0.0 {
        format!("the armature sags by {}", engineering(rest.sag_m, "m"))
    } else {
        "the armature does not sag".to_owned()
    };
    out.push_str(&wrapped(
        "",
        &format!(
            "The axis is {}, {sag}; {} are allowed for what is static, the stop is at {}.",
            rest.orientation,
            engineering(rest.static_allowance_m, "m"),
            engineering(rest.stop_m, "m"),
        ),
    ));
    out
}

/// What a payload beside the axis comes to.
fn eccentric(record: &CheckRecord) -> String {
    let moments = record.points.iter().filter_map(|p| p.eccentric_moment_nm_peak);
    let newton_metres = |value: f64| engineering(value, "N·m");
    match (moments.reduce(f64::max), record.payload.eccentric_moment_nm_max) {
        (Some(moment), Some(most)) => {
            format!("Eccentric moment up to {} pk (at most {})", newton_metres(moment), newton_metres(most))
        }
        (Some(moment), None) => format!(
            "Eccentric moment up to {} pk; the largest is not stated by the rig file, so none is judged",
            newton_metres(moment)
        ),
        (None, _) => "Eccentric moment: the largest is not stated by the rig file, nor are places across the table, so none \
                      is judged: keep the payload centred"
            .to_owned(),
    }
}

/// "GainJump" as "gain jump".
pub(super) fn spaced(name: &str) -> String {
    let mut out = String::new();
    for c in name.chars() {
        if c.is_uppercase() && !out.is_empty() {
            out.push(' ');
        }
        out.extend(c.to_lowercase());
    }
    out
}

/// Lines of at most [`WIDTH`] columns, the first with `lead` before it, the others as far in. A number stays with its unit.
pub(super) fn wrapped(lead: &str, text: &str) -> String {
    let (mut out, mut line) = (String::new(), lead.to_owned());
    let indent = " ".repeat(lead.chars().count());
    let mut empty = true;
    for word in unbroken(text) {
        if !empty && line.chars().count() + 1 + word.chars().count() > WIDTH {
            out.push_str(line.trim_end());
            out.push('\n');
            line.clone_from(&indent);
            empty = true;
        }
        if !empty {
            line.push(' ');
        }
        line.push_str(&word);
        empty = false;
    }
    out.push_str(line.trim_end());
    out.push('\n');
    out
}

/// Words, each number together with the word after it.
fn unbroken(text: &str) -> Vec<String> {
    let mut words: Vec<String> = Vec::new();
    let mut after_number = false;
    for word in text.split(' ') {
        match words.last_mut() {
            Some(last) if after_number => {
                last.push(' ');
                last.push_str(word);
            }
            _ => words.push(word.to_owned()),
        }
        after_number = !after_number && word.parse::<f64>().is_ok();
    }
    words
}

#[cfg(test)]
mod tests {
    use super::{HEADINGS, LEGEND, WIDTH, short, wrapped};

    #[test]
    fn everything_fits() {
        let widths: usize = HEADINGS.iter().map(|(_, width)| width + 1).sum();
        assert!(widths - 1 <= WIDTH, "{widths}");
        assert!(LEGEND.lines().all(|line| line.chars().count() <= WIDTH));
        let text = "a sentence of many words that goes on and on ".repeat(9);
        assert!(wrapped("- ", &text).lines().all(|line| line.chars().count() <= WIDTH));
        assert_eq!(wrapped("- ", "one two"), "- one two\n");
        let wide = "x".repeat(WIDTH - 4);
        assert_eq!(wrapped("", &format!("{wide} 12 mm")), format!("{wide}\n12 mm\n"));
    }

    #[test]
    fn numbers_have_three_digits() {
        assert_eq!((short(9.80665, "m/s²"), short(0.012_345, "s")), ("9.81 m/s²".into(), "12.3 ms".into()));
        assert_eq!(short(999.9, "m"), "1 km");
    }
}
