//! Everything that is foreseen of one point.

use super::table::{Paint, most, parts, spaced, tight, time, wrapped};
use crate::record::check::{CheckRecord, CheckedPoint, CheckedRange, CheckedReserve};
use plan_schema::units::engineering;
use std::fmt::Write;

/// Everything about one point.
pub(super) fn point(record: &CheckRecord, number: usize, point: &CheckedPoint, paint: Paint) -> String {
    let mut out = String::new();
    let title = format!(
        "Point {number}: {}, {} pk",
        engineering(point.frequency_hz, "Hz"),
        engineering(point.acceleration_mps2_peak, "m/s²")
    );
    let _ = writeln!(out, "{}", paint.heading(&title));
    let shares = |pairs: Vec<(String, f64)>| {
        pairs.iter().map(|(name, share)| format!("{name} {share:.1} %")).collect::<Vec<_>>().join(", ")
    };
    let limits = point.limits.iter().map(|l| (spaced(&format!("{:?}", l.limit)), l.used_percent)).collect();
    out.push_str(&wrapped("  ", &format!("used of the limits: {}", shares(limits))));
    let worst = |r: &CheckedRange| r.of_range_percent.max(r.of_channel_percent);
    let ranges = point.ranges.iter().map(|r| (r.serial.clone(), worst(r))).collect();
    out.push_str(&wrapped("  ", &format!("used of the ranges: {}", shares(ranges))));
    for coast in &point.coasts {
        let stop = format!("{:?}", coast.stop);
        let far = engineering(coast.displacement_m_peak, "m");
        let share = coast.displacement_m_peak / record.rest.stop_m * 100.0;
        let _ = writeln!(out, "  coast after {}: {far}, {share:.0} % of the way to the stop", spaced(&stop));
    }
    for r in &point.reserves {
        let text = format!("  {}", reserve(r));
        let _ = writeln!(out, "{}", if r.keeps_off { text } else { paint.bad(&text) });
    }
    for u in &point.uncertainties {
        let text = format!("U foreseen for {}: {:.3} %: {}", u.serial, u.u_rel_percent, parts(u));
        out.push_str(&wrapped("  ", &text));
        if u.can_pass == Some(false) {
            out.push_str(&wrapped("  ", &tight(u)));
        }
    }
    for obstacle in &point.obstacles {
        out.push_str(&wrapped("  can't be run: ", obstacle));
    }
    if let Some(largest) = point.acceleration_mps2_peak_max {
        out.push_str(&wrapped("  ", &most(largest)));
    }
    for warning in &point.warnings {
        out.push_str(&wrapped("  ", warning));
    }
    let _ = writeln!(out, "  about {} cycles, {}", point.foreseen_cycles, time(point.rig_s));
    out
}

/// What a fault leaves of time.
fn reserve(reserve: &CheckedReserve) -> String {
    let fault = spaced(&format!("{:?}", reserve.fault));
    let seconds = |s: f64| engineering(s, "s");
    let takes = match reserve.reaction_s {
        Some(reaction) => format!("this rig takes {}", seconds(reaction)),
        None => "nothing on this rig stops it".to_owned(),
    };
    match (reserve.longest_s, reserve.reserve_s) {
        (None, _) => format!("{fault}: no time is too long; {takes}"),
        (Some(longest), Some(left)) if left >= 0.0 => {
            format!("{fault}: a stop has to act within {}; {takes}: {} left", seconds(longest), seconds(left))
        }
        (Some(longest), Some(left)) => {
            format!(
                "{fault}: a stop has to act within {}; {takes}: {} too long",
                seconds(longest),
                seconds(-left)
            )
        }
        (Some(longest), None) => format!("{fault}: a stop has to act within {}; {takes}", seconds(longest)),
    }
}
