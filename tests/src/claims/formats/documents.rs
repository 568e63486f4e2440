//! Documents drawn from a JSON Schema: right ones, and ones with mistakes of every sort.

use super::chance::Chance;
use serde_json::{Map, Number, Value, json};

/// Rests of quantities, right ones of some dimension and ones of none.
const RESTS: [&str; 32] = [
    "Hz",
    "kHz",
    "hz",
    "g pk",
    "g",
    "m/s² pk",
    "m/s^2 rms",
    "m s⁻² pk",
    "ms-2 pk",
    "mm pk-pk",
    "µm p-p",
    "um pk",
    "mm",
    "%",
    "1",
    "ppm",
    "‰",
    "V",
    "mV/g",
    "mV/(m/s²)",
    "mV / (m/s2)",
    "°C",
    "K",
    "deg",
    "Ω",
    "kohm",
    "N·m",
    "N m",
    "µg/√Hz",
    "ug/sqrt(Hz)",
    "dB",
    "",
];

/// Texts that are no quantities.
const TEXTS: [&str; 8] =
    ["", "x", "as_found", "2026-03-31", "31.03.2026", "1997-6-1", "long text with µ and ²", "0"];

/// A value drawn from `schema`; `wrong` is how many in a hundred places have a mistake.
#[must_use]
pub fn draw(schema: &Value, wrong: usize, chance: &mut Chance) -> Value {
    if chance.in_percent(wrong) {
        return anything(chance);
    }
    if let Some(value) = schema.get("const") {
        return value.clone();
    }
    if let Some(alternatives) = schema.get("oneOf").and_then(Value::as_array) {
        let which = chance.below(alternatives.len());
        return alternatives.get(which).map_or(Value::Null, |inner| draw(inner, wrong, chance));
    }
    match schema.get("type").and_then(Value::as_str) {
        Some("object") => object(schema, wrong, chance),
        Some("array") => {
            let items = schema.get("items").cloned().unwrap_or_default();
            let count = chance.below(3);
            (0..count).map(|_| draw(&items, wrong, chance)).collect()
        }
        Some("string") => text(schema, wrong, chance),
        Some("integer") => json!(chance.below(12)),
        Some("number") => number(schema, chance),
        Some("boolean") => json!(chance.in_percent(50)),
        _ => anything(chance),
    }
}

fn object(schema: &Value, wrong: usize, chance: &mut Chance) -> Value {
    let mut out = Map::new();
    let required = schema.get("required").and_then(Value::as_array);
    let is_required = |key: &str| required.is_some_and(|r| r.iter().any(|k| k == key));
    for (key, inner) in schema.get("properties").and_then(Value::as_object).into_iter().flatten() {
        let there = if is_required(key) { !chance.in_percent(wrong) } else { chance.in_percent(30) };
        if there {
            out.insert(key.clone(), draw(inner, wrong, chance));
        }
    }
    if chance.in_percent(wrong) || schema.get("additionalProperties") == Some(&Value::Bool(true)) {
        out.insert("another_key".to_owned(), json!(chance.below(9)));
    }
    Value::Object(out)
}

fn text(schema: &Value, wrong: usize, chance: &mut Chance) -> Value {
    let examples: Vec<&str> = schema
        .get("examples")
        .and_then(Value::as_array)
        .into_iter()
        .flatten()
        .filter_map(Value::as_str)
        .collect();
    if schema.get("pattern").is_none() || examples.is_empty() {
        return json!(chance.of(&TEXTS));
    }
    let example = chance.of(&examples);
    let Some((_, rest)) = example.split_once(' ') else {
        return if chance.in_percent(wrong.max(10)) { json!(chance.of(&TEXTS)) } else { json!(example) };
    };
    let rest = if chance.in_percent(wrong.max(10)) { chance.of(&RESTS) } else { rest };
    let (spelled, written) = (spelled(rest, chance), digits(chance));
    let blank = chance.of(&[" ", " ", " ", "", "  ", "\u{a0}"]);
    json!(format!("{written}{blank}{spelled}"))
}

/// A number in one of the ways that people write one; some of them are no numbers.
fn digits(chance: &mut Chance) -> String {
    let whole = chance.below(2000);
    match chance.below(16) {
        0 => format!("-{whole}"),
        1 => format!("−{whole}.5"),
        2 => format!("+{whole}"),
        3 => format!("{whole}e-3"),
        4 => format!("{whole}E+2"),
        5 => format!(".{whole}"),
        6 => format!("{whole}."),
        7 => format!("{whole},5"),
        8 => format!("1 {:03}", whole % 1000),
        9 => format!("1_{:03}", whole % 1000),
        10 => format!("{whole}.{whole}.1"),
        11 => (chance.of(&["", "e3", "1e", "--1", "nan", "½", "0x10", "1 e3"])).to_owned(),
        _ => format!("{}.{}", whole % 20, chance.below(1000)),
    }
}

/// The same unit in another spelling, or nearly.
fn spelled(rest: &str, chance: &mut Chance) -> String {
    let mut out = String::new();
    for c in rest.chars() {
        let same: &[&str] = match c {
            '²' | '2' => &["²", "2", "^2", "^²"],
            'µ' | 'u' => &["µ", "μ", "u"],
            '·' => &["·", "*", " ", "", "⋅", "."],
            'Ω' => &["Ω", "ohm", "Ohm"],
            '°' => &["°", "deg"],
            '√' => &["√", "sqrt", "rt"],
            '/' => &["/", " / ", "/ "],
            _ => &[],
        };
        match same {
            [] => out.push(c),
            same if chance.in_percent(40) => out.push_str(chance.of(same)),
            _ => out.push(c),
        }
    }
    if chance.in_percent(3) {
        out.push_str(chance.of(&[" pk", " rms", "x", " ", "pk"]));
    }
    out
}

/// Within the bounds of the schema or a little outside. Never whole: JSON Schema takes 2.0 for a whole number, TOML does not.
fn number(schema: &Value, chance: &mut Chance) -> Value {
    let bound = |key: &str, or: f64| schema.get(key).and_then(Value::as_f64).unwrap_or(or);
    let (low, high) = (bound("minimum", 0.0), bound("maximum", 10.0));
    let share = chance.below(1100) as f64 / 1000.0 + 0.000_137;
    Number::from_f64(low + (high - low) * share).map_or(Value::Null, Value::Number)
}

fn anything(chance: &mut Chance) -> Value {
    match chance.below(9) {
        0 => json!(chance.below(100)),
        1 => json!(-1),
        2 => json!(0.25),
        3 => json!(true),
        4 => json!([]),
        5 => json!({}),
        6 => json!({ "x": 1 }),
        7 => json!(format!("{} {}", digits(chance), chance.of(&RESTS))),
        _ => json!(chance.of(&TEXTS)),
    }
}
