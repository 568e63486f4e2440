//! Channels and fixtures with one mistake each.

use crate::fixture::{RIG, edit};
use crate::read::Document;
use crate::rig::Rig;

fn said(lines: &str) -> String {
    let text = edit(RIG, "name = \"spare\"", &format!("name = \"spare\"\n{lines}"));
    let document = match Document::<Rig>::read("rig.toml", &text) {
        Ok(document) => document,
        Err(report) => return report.to_string(),
    };
    crate::read::Diagnostics(crate::checks::rig(&document)).render(false)
}

fn fixture(points: &str) -> String {
    let plate = format!("[[fixture]]\nname = \"plate\"\nmass = \"200 g\"\npoint = [{points}]\n\n[amplifier]");
    let document = Document::<Rig>::read("rig.toml", &edit(RIG, "[amplifier]", &plate)).unwrap();
    crate::read::Diagnostics(crate::checks::rig(&document)).render(false)
}

#[test]
fn channels_by_themselves() {
    let line = |position: &str, hz: &str, ratio: &str, u: &str| {
        format!("{{ position = \"{position}\", frequency = \"{hz}\", ratio = \"{ratio}\", u = \"{u}\" }}")
    };
    let cases = [
        ("coupling without its corner", said("coupling = \"ac\"")),
        ("a corner of DC", said("coupling = \"dc\"\nac_corner = \"1 Hz\"")),
        ("an uncertainty of no corner", said("ac_corner_u = \"5 %\"")),
        ("a corner known to 200 %", said("ac_corner = \"1 Hz\"\nac_corner_u = \"200 %\"")),
        ("a range without a gain", said("gain = [{ range = \"10 V pk\", gain = \"1 V/V\", u = \"0.1 %\" }]")),
        (
            "a range twice, a gain of zero",
            said(
                "gain = [{ range = \"5 V pk\", gain = \"0 V/V\", u = \"0.1 %\" }, { range = \"5 V pk\", gain = \"1 V/V\", u = \
                 \"-1 %\" }]",
            ),
        ),
        ("an uncertainty of no gain", said("conditioner_u = \"0.1 %\"\nconditioner_u_phase = \"1 deg\"")),
        ("a gain below zero", said("conditioner_gain = \"-1 mV/pC\"")),
        ("a gain in decibels", said("conditioner_gain = \"20 dB\"")),
        (
            "a response that falls back",
            said(
                "response = [{ frequency = \"10 Hz\", magnitude = \"100 %\" }, { frequency = \"5 Hz\", magnitude = \"0 %\" }]",
            ),
        ),
        ("a filter of nothing", said("filter_corner = \"0 Hz\"")),
        ("an uncertainty of no filter and no delay", said("filter_corner_u = \"1 %\"\ndelay_u = \"1 µs\"")),
        ("a fixture that was not measured", fixture("")),
        (
            "a fixture whose frequencies fall at one position",
            fixture(
                &[
                    line("A", "10 Hz", "100 %", "0.1 %"),
                    line("B", "5 Hz", "0 %", "0.1 %"),
                    line("A", "5 Hz", "100 %", "150 %"),
                ]
                .join(", "),
            ),
        ),
    ];
    let text: Vec<String> = cases.iter().map(|(mistake, said)| format!("===== {mistake}\n{said}")).collect();
    insta::with_settings!({ omit_expression => true }, { insta::assert_snapshot!(text.join("\n")) });
}
