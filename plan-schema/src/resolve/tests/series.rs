//! Plans whose points follow from a rule.

use super::*;
use crate::plan::Origin;
use crate::resolve::Settled;
use crate::units::{Accel, Hertz};

/// The fixture's plan with a series after its points.
fn with_series(series: &str) -> Texts {
    let mut texts = Texts::valid();
    texts.plan = format!("{}\n[[series]]\n{series}", texts.plan);
    texts
}

const THIRDS: &str = "from = \"20 Hz\"\nto = \"80 Hz\"\nspacing = \"third_octave\"\nvalues = \"nominal\"\n";

fn thirds(rest: &str) -> ResolvedJob {
    let files = with_series(&format!("{THIRDS}{rest}")).files();
    ResolvedJob::resolve(&files).unwrap_or_else(|report| panic!("{report}")).0
}

#[test]
fn series_follow_the_points_that_are_listed() {
    let job = thirds("amplitude = \"0.5 g pk\"\nrepeats = 2\ntolerance = \"3 %\"\n");
    let frequencies: Vec<f64> = job.points.iter().map(|p| p.frequency.si()).collect();
    assert_eq!(frequencies, [1.0, 16.0, 20.0, 25.0, 31.5, 40.0, 50.0, 63.0, 80.0]);
    assert_eq!(job.points[1].origin, Origin::Listed(1));
    assert_eq!(job.points[3].origin, Origin::Series { series: 0, step: 1, of: 7 });
    let point = &job.points[8];
    assert_eq!((point.repeats, point.dwell_cycles, point.wanted), (2, 80, None));
    assert!((point.target.si() - 0.5 * 9.80665).abs() < 1e-12 && point.tolerance.unwrap().percent() > 2.9);
    assert!(job.sensors.iter().all(|s| s.skips.len() == 9));
}

/// A fixed velocity and a fixed displacement: a = 2πf v = (2πf)² x.
#[test]
fn velocity_and_displacement_are_kept_over_a_series() {
    let velocity = thirds("amplitude = \"10 mm/s pk\"\n");
    let displacement = thirds("amplitude = \"60 µm pk-pk\"\n");
    for (v, x) in velocity.points.iter().zip(&displacement.points).skip(2) {
        let omega = std::f64::consts::TAU * v.frequency.si();
        assert!((v.target.si() / omega - 0.01).abs() < 1e-12, "{}", v.frequency);
        assert!((x.target.si() / omega.powi(2) - 30e-6).abs() < 1e-12, "{}", x.frequency);
    }
}

/// Two g is the range of sensor S-1; at 1 Hz the stroke of 12.5 mm leaves (2π)² · 12.5 mm = 0.493 m/s².
#[test]
fn the_largest_keeps_stroke_and_ranges() {
    let series = "from = \"0.8 Hz\"\nto = \"12.5 Hz\"\nspacing = \"logarithmic\"\ncount = 5\n\
                  amplitude = \"largest\"\nat_most = \"5 g pk\"\n";
    let (job, _) = ResolvedJob::resolve(&with_series(series).files()).unwrap();
    for point in &job.points[2..] {
        assert!((point.wanted.unwrap().si() - 5.0 * 9.80665).abs() < 1e-9);
        let stroke = (std::f64::consts::TAU * point.frequency.si()).powi(2) * 12.5e-3;
        let range = 2.0 * 9.80665;
        let (limit, word) =
            if stroke < range { (stroke, "rated stroke of 12.5 mm pk") } else { (range, "'S-1'") };
        assert!(point.target.si() <= limit && point.target.si() > limit * 0.99, "{point:?} {limit}");
        assert!(point.limited.as_deref().unwrap().contains(word), "{point:?}");
    }
}

/// What a record says goes before what would be found again.
#[test]
fn what_was_settled_is_kept() {
    let series = format!("{THIRDS}amplitude = \"largest\"\nat_most = \"1 g pk\"\n");
    let files = with_series(&series).files();
    let (job, _) = ResolvedJob::resolve(&files).unwrap();
    assert!(job.points.iter().all(|p| p.limited.is_none()));
    let mut settled: Vec<Settled> = job.points.iter().map(|p| p.settled()).collect();
    assert_eq!(ResolvedJob::resolve_settled(&files, &settled).unwrap().0, job);
    settled[4] =
        Settled { frequency: Hertz::new(31.6), target: Accel::new(3.0), limited: Some("reserve".to_owned()) };
    let (again, _) = ResolvedJob::resolve_settled(&files, &settled).unwrap();
    assert_eq!(again.points[4].settled(), settled[4]);
    settled.pop();
    let refused = ResolvedJob::resolve_settled(&files, &settled).unwrap_err().to_string();
    assert!(refused.contains("the plan makes 9 points, but 8 are settled"), "{refused}");
}

#[test]
fn rounding_goes_down() {
    let down = |value: f64| super::super::rounded_down(Accel::new(value)).si();
    for (value, wanted) in
        [(9.80665, 9.8), (0.123_999, 0.123), (1.0, 1.0), (999.9, 999.0), (12_345.0, 12_300.0), (0.05, 0.05)]
    {
        assert_eq!(down(value).to_bits(), f64::to_bits(wanted), "{value}");
    }
    assert!([0.0, -1.0, f64::NAN].into_iter().all(|value| down(value).to_bits() == 0));
}

proptest! {
    #[test]
    fn rounding_takes_less_than_a_hundredth(value in 1e-9..1e9f64) {
        let rounded = super::super::rounded_down(Accel::new(value)).si();
        prop_assert!(rounded <= value && rounded > value * 0.99, "{value} {rounded}");
    }
}

#[test]
fn mistakes_in_a_series() {
    let said = |series: &str| {
        let texts = with_series(series);
        match texts.read().and_then(|files| ResolvedJob::resolve(&files)) {
            Ok((_, warnings)) => format!("usable\n{}", warnings.render(false)),
            Err(report) => report.to_string(),
        }
    };
    let fixed = |rest: &str| said(&format!("{rest}amplitude = \"0.5 g pk\"\n"));
    let log = "from = \"20 Hz\"\nto = \"80 Hz\"\nspacing = \"logarithmic\"\n";
    together(
        "mistakes_in_a_series",
        &[
            ("values not said", fixed(&THIRDS.replace("values = \"nominal\"\n", ""))),
            ("counted where preferred", fixed(&format!("{THIRDS}per_decade = 3\ncount = 4\n"))),
            ("values where logarithmic", fixed(&format!("{log}count = 4\nvalues = \"exact\"\n"))),
            ("not counted", fixed(log)),
            ("counted twice", fixed(&format!("{log}count = 4\nper_decade = 3\n"))),
            ("none in a decade", fixed(&format!("{log}per_decade = 0\n"))),
            ("one in all", fixed(&format!("{log}count = 1\n"))),
            ("ends the wrong way round", fixed(&format!("{log}count = 4\n").replace("20 Hz", "90 Hz"))),
            ("end below zero", fixed(&THIRDS.replace("20 Hz", "-20 Hz"))),
            ("nothing between", fixed(&THIRDS.replace("20 Hz", "21 Hz").replace("80 Hz", "24 Hz"))),
            ("far too many", fixed(&format!("{log}per_decade = 4000\n"))),
            ("spacing unknown", fixed(&THIRDS.replace("third_octave", "third_octaves"))),
            ("largest of nothing", said(&format!("{THIRDS}amplitude = \"largest\"\n"))),
            ("both fixed and largest", fixed(&format!("{THIRDS}at_most = \"1 g pk\"\n"))),
            ("no kind of amplitude", said(&format!("{THIRDS}amplitude = \"1 g\"\n"))),
            ("nothing at most", said(&format!("{THIRDS}amplitude = \"largest\"\nat_most = \"0 g pk\"\n"))),
            ("measured never", fixed(&format!("{THIRDS}repeats = 0\ndwell_cycles = 1\n"))),
            ("a point twice", said(&format!("{}amplitude = \"1 g pk\"\n", THIRDS.replace("20 Hz", "10 Hz")))),
            (
                "two series that overlap",
                said(&format!(
                    "{THIRDS}amplitude = \"largest\"\nat_most = \"1 g pk\"\n\n[[series]]\n{}amplitude = \
                     \"largest\"\nat_most = \"0.9 g pk\"\n",
                    THIRDS.replace("20 Hz", "63 Hz")
                )),
            ),
            ("beyond the reference", fixed(&THIRDS.replace("80 Hz", "400 Hz"))),
            ("beyond the acquisition", fixed(&THIRDS.replace("80 Hz", "8 kHz"))),
            ("beyond a sensor", said(&format!("{THIRDS}amplitude = \"3 g pk\"\n"))),
        ],
    );
}

/// A plan of nothing but a series, whose exact frequencies the reference frequency has to be one of.
#[test]
fn a_series_alone_makes_a_plan() {
    let mut texts = with_series(
        "from = \"10 Hz\"\nto = \"80 Hz\"\nspacing = \"third_octave\"\nvalues = \"exact\"\namplitude = \"1 g pk\"\n",
    );
    let from = texts.plan.find("[[point]]").unwrap();
    let to = texts.plan.find("[[series]]").unwrap();
    texts.plan.replace_range(from..to, "");
    let refused = ResolvedJob::resolve(&texts.files()).unwrap_err().to_string();
    let right = "reference_frequency = \"15.848931924611133 Hz\"";
    assert!(refused.contains(right), "{refused}");
    texts.plan = edit(&texts.plan, "reference_frequency = \"16 Hz\"", right);
    assert_eq!(ResolvedJob::resolve(&texts.files()).unwrap().0.points.len(), 10);
    texts.plan = texts.plan[..texts.plan.find("[[series]]").unwrap()].to_owned();
    let none = ResolvedJob::resolve(&texts.files()).unwrap_err().to_string();
    assert!(none.contains("the plan has no points") && none.contains("[[series]]"), "{none}");
}
