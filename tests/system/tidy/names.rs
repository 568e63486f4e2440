//! Names of numbers outside Rust end in their unit: a walk through every schema that the program publishes.

use calwright::cli::{KINDS, schema_of_kind};
use serde_json::Value;
use std::collections::BTreeSet;

/// The units of the contract.
const UNITS: [&str; 18] = [
    "hz", "kg", "nm", "s", "ms", "v", "mps2", "mps", "m", "n", "a", "degc", "deg", "percent", "db", "cycles",
    "samples", "mv_per_g",
];

/// What may follow the unit: the kind of an amplitude, then of which of several values it is.
const AFTER: [&str; 8] = ["peak", "rms", "max", "min", "start", "end", "before", "after"];

/// Numbers that count, number or name something, or say their unit beside them, and why their names are as they are.
const WITHOUT_UNIT: [(&str, &str); 53] = [
    ("entries", "a count"),
    ("speed", "times real time"),
    ("seq", "number of an entry"),
    ("seed", "seed of chance"),
    ("format", "version of a format"),
    ("estimator", "version of the estimator"),
    ("point", "number of a point"),
    ("repeat", "number of a repeat"),
    ("tone", "number of a tone"),
    ("ratio", "a pure number"),
    ("repeats", "a count"),
    ("first_sample", "index of a sample"),
    ("at_sample", "index of a sample"),
    ("input", "number of a connector"),
    ("enable_input", "number of a connector"),
    ("warning_output", "number of a connector"),
    ("bits", "a count"),
    ("harmonics", "a count"),
    ("thd_harmonic_max", "number of a harmonic"),
    ("n_segments", "a count"),
    ("cycles_measured", "a count of cycles, named so in the contract"),
    ("after_cycles", "a count of cycles"),
    ("stop_hits", "a count"),
    ("coverage_factor", "a pure number"),
    ("correlation", "a pure number"),
    ("nu_eff", "degrees of freedom, a pure number"),
    ("sensitivity", "its unit stands in `sensitivity_unit`"),
    ("sensitivity_expected", "its unit stands in `sensitivity_unit`"),
    ("combined", "its unit stands in `unit`"),
    ("expanded", "its unit stands in `unit`"),
    ("least", "its unit stands in `unit`"),
    ("low", "its unit stands in `unit`"),
    ("high", "its unit stands in `unit`"),
    ("standard_uncertainty", "its unit stands in `unit`"),
    ("contribution", "its unit stands in `unit`"),
    ("divisor", "a pure number"),
    ("sensitivity_coefficient", "a pure number"),
    ("dof", "degrees of freedom, a pure number"),
    ("trials", "a count"),
    ("value", "its unit stands in `unit`"),
    ("limit", "its unit stands in `unit`"),
    ("raw_bytes", "bytes"),
    ("id", "number of a request"),
    ("code", "number of a kind of failure"),
    ("generation", "number of a leave"),
    ("output", "number of a connector"),
    ("per_decade", "a count"),
    ("files_kept", "a count"),
    ("count", "a count"),
    ("number", "number of a table of the plan"),
    ("step", "number of a point in its series"),
    ("line", "number of a line"),
    ("column", "number of a character in its line"),
];

/// Units of settings, which speak of computers.
const OF_COMPUTERS: [&str; 1] = ["mib"];

#[test]
fn numbers_are_named_with_their_unit() {
    let mut numbers = BTreeSet::new();
    for kind in KINDS {
        let schema = schema_of_kind(kind).unwrap();
        walk(&schema, &schema, &mut |name| {
            numbers.insert((kind, name.to_owned()));
        });
    }
    assert!(numbers.len() > 60, "only {} numbers were found", numbers.len());
    let nameless: Vec<_> = numbers.iter().filter(|(_, name)| !well_named(name)).collect();
    assert!(nameless.is_empty(), "numbers whose names end in no unit: {nameless:?}");
    let unused: Vec<_> =
        WITHOUT_UNIT.iter().filter(|(n, _)| !numbers.iter().any(|(_, name)| name == n)).collect();
    assert!(unused.is_empty(), "nothing is called so any more: {unused:?}");
}

fn well_named(name: &str) -> bool {
    if WITHOUT_UNIT.iter().any(|(exception, _)| *exception == name) {
        return true;
    }
    let mut stem = name;
    while let Some((before, last)) = stem.rsplit_once('_')
        && AFTER.contains(&last)
    {
        stem = before;
    }
    UNITS
        .iter()
        .chain(&OF_COMPUTERS)
        .any(|unit| stem.strip_suffix(unit).is_some_and(|before| before.is_empty() || before.ends_with('_')))
}

/// Calls `see` with the name of every property that may be a number, a list of numbers included.
fn walk(root: &Value, schema: &Value, see: &mut dyn FnMut(&str)) {
    match schema {
        Value::Object(map) => {
            if let Some(Value::Object(properties)) = map.get("properties") {
                for (name, property) in properties {
                    if may_be_number(root, property) {
                        see(name);
                    }
                }
            }
            map.values().for_each(|value| walk(root, value, see));
        }
        Value::Array(items) => items.iter().for_each(|item| walk(root, item, see)),
        _ => {}
    }
}

fn may_be_number(root: &Value, schema: &Value) -> bool {
    let is_number = |t: &Value| t == "number" || t == "integer";
    let of_type = match &schema["type"] {
        Value::Array(types) => types.iter().any(is_number),
        one => is_number(one),
    };
    let of_alternatives = ["anyOf", "oneOf", "allOf"]
        .iter()
        .filter_map(|key| schema[key].as_array())
        .flatten()
        .any(|alternative| may_be_number(root, alternative));
    let of_reference = schema["$ref"]
        .as_str()
        .and_then(|r| root.pointer(r.strip_prefix('#')?))
        .is_some_and(|target| may_be_number(root, target));
    let of_items = schema["type"] == "array" && may_be_number(root, &schema["items"]);
    of_type || of_alternatives || of_reference || of_items
}

#[test]
fn units_are_told_from_words() {
    assert!(
        ["rig_s", "a_v_peak", "drive_v_peak_max", "temperature_degc_start", "sensitivity_mv_per_g"]
            .iter()
            .all(|n| well_named(n))
    );
    assert!(!["phase", "rigs", "speed_kmh", "drive_peak", "max"].iter().any(|n| well_named(n)));
}
