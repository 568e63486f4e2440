//! The frequencies of series, against the tables of ISO 266 and by arithmetic.

use super::*;
use crate::read::Document;

fn series(text: &str) -> Series {
    let text = format!("amplitude = \"1 g pk\"\n{text}");
    Document::<Series>::read("series", &text).unwrap_or_else(|report| panic!("{report}")).value
}

fn hertz(text: &str) -> Vec<f64> {
    series(text).frequencies().into_iter().map(Hertz::si).collect()
}

/// Frequencies as a person would write them, to the bit: 31.5 is what "31.5 Hz" reads as.
#[test]
fn nominal_frequencies_are_those_of_iso_266() {
    // ISO 266:1997, table 1, columns of the octave, half octave and third of an octave (from memory).
    let thirds = hertz("from = \"16 Hz\"\nto = \"20 kHz\"\nspacing = \"third_octave\"\nvalues = \"nominal\"");
    let table = [
        16.0, 20.0, 25.0, 31.5, 40.0, 50.0, 63.0, 80.0, 100.0, 125.0, 160.0, 200.0, 250.0, 315.0, 400.0,
        500.0, 630.0, 800.0, 1000.0, 1250.0, 1600.0, 2000.0, 2500.0, 3150.0, 4000.0, 5000.0, 6300.0, 8000.0,
        10_000.0, 12_500.0, 16_000.0, 20_000.0,
    ];
    assert_eq!(thirds, table);
    let octaves = hertz("from = \"16 Hz\"\nto = \"16 kHz\"\nspacing = \"octave\"\nvalues = \"nominal\"");
    assert_eq!(octaves, [16.0, 31.5, 63.0, 125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0, 8000.0, 16_000.0]);
    let halves = hertz("from = \"16 Hz\"\nto = \"1 kHz\"\nspacing = \"half_octave\"\nvalues = \"nominal\"");
    assert_eq!(
        halves,
        [16.0, 22.4, 31.5, 45.0, 63.0, 90.0, 125.0, 180.0, 250.0, 355.0, 500.0, 710.0, 1000.0]
    );
    // Below the table the numbers go on by decades (ISO 3).
    let low = hertz("from = \"0.1 Hz\"\nto = \"1 Hz\"\nspacing = \"third_octave\"\nvalues = \"nominal\"");
    assert_eq!(low, [0.1, 0.125, 0.16, 0.2, 0.25, 0.315, 0.4, 0.5, 0.63, 0.8, 1.0]);
}

/// A published list of third-octaves down to 0.1 Hz: the 27 frequencies of the key comparison CCAUV.V-K3 (BIPM key comparison
/// database, comparison 1123; final report: Metrologia 54 (2017) 1A 09001).
#[test]
fn nominal_third_octaves_are_those_of_a_key_comparison() {
    let ours = hertz("from = \"0.1 Hz\"\nto = \"40 Hz\"\nspacing = \"third_octave\"\nvalues = \"nominal\"");
    let published = [
        0.1, 0.125, 0.16, 0.2, 0.25, 0.315, 0.4, 0.5, 0.63, 0.8, 1.0, 1.25, 1.6, 2.0, 2.5, 3.15, 4.0, 5.0,
        6.3, 8.0, 10.0, 12.5, 16.0, 20.0, 25.0, 31.5, 40.0,
    ];
    assert_eq!(ours, published);
}

/// ISO 266: the exact frequencies are 1000 · 10^(n/10), and a step is one by its nominal value.
#[test]
fn exact_frequencies_are_powers_of_ten() {
    let exact = hertz("from = \"0.5 Hz\"\nto = \"800 Hz\"\nspacing = \"third_octave\"\nvalues = \"exact\"");
    assert_eq!(exact.len(), 33);
    for (n, f) in (-33..0).zip(&exact) {
        let wanted = 1000.0 * 10f64.powf(f64::from(n) / 10.0);
        assert!((f / wanted - 1.0).abs() < 1e-15 * 4.0, "{f} {wanted}");
    }
    // 0.8 Hz is 0.7943 Hz: it is still meant.
    assert!(
        hertz("from = \"0.8 Hz\"\nto = \"1 Hz\"\nspacing = \"third_octave\"\nvalues = \"exact\"")[0] < 0.8
    );
}

/// The table against the formula, and each nominal value within 1.3 % of its exact one, the largest departure of
/// the series R20 (ISO 3).
#[test]
fn preferred_numbers_are_what_they_are() {
    for number in -60..120 {
        let (nominal, exact) = preferred(number);
        let wanted = 10f64.powf(f64::from(number) / 20.0);
        assert!((exact.si() / wanted - 1.0).abs() < 1e-14, "{number}");
        assert!((nominal / exact - 1.0).abs() < 0.013, "{nominal} {exact}");
    }
}

#[test]
fn logarithmic_series_keep_their_ratio() {
    let by_decade = hertz("from = \"0.5 Hz\"\nto = \"500 Hz\"\nspacing = \"logarithmic\"\nper_decade = 3");
    assert_eq!(by_decade.len(), 10);
    assert!(by_decade.windows(2).all(|w| (w[1] / w[0] - 10f64.powf(1.0 / 3.0)).abs() < 2e-4));
    // In five digits: 0.5 · 10^(1/3) = 1.07722.
    assert_eq!((by_decade[1], by_decade[9]), (1.0772, 500.0));
    let counted = hertz("from = \"3 Hz\"\nto = \"700 Hz\"\nspacing = \"logarithmic\"\ncount = 7");
    assert_eq!((counted.len(), counted[0], counted[6]), (7, 3.0, 700.0));
    // √2100 = 45.8258.
    assert!((counted[3] - 45.826).abs() < 1e-12);
    // Where a decade does not come out even, the end is not reached.
    assert_eq!(
        hertz("from = \"1 Hz\"\nto = \"90 Hz\"\nspacing = \"logarithmic\"\nper_decade = 1"),
        [1.0, 10.0]
    );
}

#[test]
fn what_makes_no_sense_makes_no_points() {
    for text in [
        "from = \"10 Hz\"\nto = \"1 Hz\"\nspacing = \"octave\"\nvalues = \"exact\"",
        "from = \"0 Hz\"\nto = \"1 Hz\"\nspacing = \"octave\"\nvalues = \"exact\"",
        "from = \"1 Hz\"\nto = \"10 Hz\"\nspacing = \"octave\"",
        "from = \"1 Hz\"\nto = \"10 Hz\"\nspacing = \"logarithmic\"",
        "from = \"1 Hz\"\nto = \"10 Hz\"\nspacing = \"logarithmic\"\ncount = 4294967295",
        "from = \"1 Hz\"\nto = \"10 Hz\"\nspacing = \"logarithmic\"\nper_decade = 4294967295",
        "from = \"1e-300 Hz\"\nto = \"1e300 Hz\"\nspacing = \"octave\"\nvalues = \"exact\"",
    ] {
        assert!(series(text).frequencies().is_empty(), "{text}");
    }
}

#[test]
fn an_amplitude_is_fixed_or_the_largest() {
    let amplitude = |text: &str| {
        let all = format!(
            "from = \"1 Hz\"\nto = \"2 Hz\"\nspacing = \"octave\"\nvalues = \"exact\"\namplitude = {text}\n"
        );
        Document::<Series>::read("series", &all).map(|d| d.value.amplitude)
    };
    assert_eq!(amplitude("\"largest\"").unwrap(), SeriesAmplitude::Largest);
    assert!(matches!(
        amplitude("\"8 mm pk-pk\"").unwrap(),
        SeriesAmplitude::Fixed(Amplitude::Displacement(_))
    ));
    assert!(amplitude("\"larger\"").is_err() && amplitude("1").is_err());
    for one in [SeriesAmplitude::Largest, amplitude("\"0.1 m/s rms\"").unwrap()] {
        assert_eq!(amplitude(&format!("\"{one}\"")).unwrap(), one);
    }
}
