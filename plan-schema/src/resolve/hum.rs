//! Points at which a line of the mains hides in the sine: said before anything moves, with the nearest frequency without.

use super::found::Found;
use super::{ResolvedPoint, dwell_cycles};
use crate::mains;
use crate::units::{Hertz, Seconds, engineering};

impl Found<'_> {
    /// Where a line lies within the sine itself, nothing that is measured there can tell the two apart. Lines that fall on
    /// harmonics only do no harm to the result.
    pub(super) fn hum(&mut self, point: &ResolvedPoint) {
        let plan = &self.files.plan;
        let (mains, harmonics) = (self.files.rig.value.mains_frequency, plan.value.harmonics);
        if mains <= Hertz::ZERO {
            return;
        }
        let duration = |f: Hertz| Seconds::new(f64::from(dwell_cycles(point.stated_cycles, f)) / f.si());
        if mains::hidden(point.frequency, mains, duration(point.frequency)).is_none() {
            return;
        }
        self.noted.push(plan.warning(
            &point.origin.path("frequency"),
            format!(
                "hum can't be told from the signal at {}: it is taken from the rest and goes to the uncertainty",
                engineering(point.frequency.si(), "Hz")
            ),
            match nearest_written(point.frequency, harmonics, mains, duration) {
                Some(free) => format!("the nearest frequency without is {free} Hz"),
                None => "measure longer, with more dwell_cycles".to_owned(),
            },
        ));
    }
}

/// The nearest frequency without, in few digits, in Hz; `duration` is how long one is measured.
pub(super) fn nearest_written(
    frequency: Hertz,
    harmonics: u32,
    mains: Hertz,
    duration: impl Fn(Hertz) -> Seconds,
) -> Option<String> {
    let nearest = mains::nearest_free(frequency, harmonics, mains, duration(frequency));
    let is_free = |f: Hertz| mains::fitted(f, harmonics, mains, duration(f)).len() == mains::LINES as usize;
    written_free(frequency.si(), nearest.si(), is_free)
}

/// The frequency `nearest` in few digits that a person will write, still free: rounded away from `frequency`. A measurement
/// of as many cycles is shorter at a higher frequency, so it may take a few steps more.
fn written_free(frequency: f64, nearest: f64, is_free: impl Fn(Hertz) -> bool) -> Option<String> {
    const STEPS: u32 = 100;
    let (per_hertz, decimals) = if nearest < 10.0 { (100.0, 2) } else { (10.0, 1) };
    let up = nearest >= frequency;
    // What is a whole number of steps but for rounding stays there.
    let first = if up { (nearest * per_hertz - 1e-6).ceil() } else { (nearest * per_hertz + 1e-6).floor() };
    (0..STEPS)
        .map(|step| if up { first + f64::from(step) } else { first - f64::from(step) } / per_hertz)
        .find(|f| *f > 0.0 && is_free(Hertz::new(*f)))
        .map(|f| format!("{f:.decimals$}").trim_end_matches('0').trim_end_matches('.').to_owned())
}

#[cfg(test)]
mod tests {
    use super::*;

    /// 100 cycles at 100 Hz last 1 s, so lines have to be 1.5 Hz away (elementary).
    #[test]
    fn what_is_proposed_has_few_digits_and_is_free() {
        let at = Hertz::new(100.0);
        for (cycles, wanted) in [(None, "101.5"), (Some(200), "100.8"), (Some(100), "101.6")] {
            let duration = |f: Hertz| Seconds::new(f64::from(dwell_cycles(cycles, f)) / f.si());
            let mains = Hertz::new(50.0);
            let nearest = mains::nearest_free(at, 1, mains, duration(at));
            let free = |f: Hertz| mains::fitted(f, 1, mains, duration(f)).len() == 3;
            assert_eq!(written_free(100.0, nearest.si(), free).as_deref(), Some(wanted));
        }
        assert_eq!(written_free(100.0, 101.5, |_| false), None);
        assert_eq!(written_free(51.0, 48.46, |f| f < Hertz::new(48.5)).as_deref(), Some("48.4"));
    }
}
