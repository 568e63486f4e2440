//! Readers of single values: texts, numbers, quantities, lists, and tables that belong to somebody else.

use super::schema::is_table;
use super::{Node, Notes, Written};
use crate::units::{
    Acceleration, Amplitude, Dimension, Length, Of, Peak, Quantity, Speed, as_percent, pattern,
};
use serde_json::{Value, json};
use toml::Spanned;
use toml::de::DeValue;

fn wrong_kind(node: &Node<'_>, wanted: &str, notes: &Notes) {
    let remedy = format!("write {wanted}");
    notes.error(
        Some(node.span.clone()),
        format!("this should be {wanted}, but it is {}", node.kind()),
        Some(remedy),
    );
}

impl Written for String {
    fn read(node: Node<'_>, notes: &Notes) -> Option<Self> {
        match node.value {
            DeValue::String(text) => Some(text.to_string()),
            _ => {
                wrong_kind(&node, "a text in quotes", notes);
                None
            }
        }
    }

    fn schema() -> Value {
        json!({ "type": "string" })
    }
}

impl Written for bool {
    fn read(node: Node<'_>, notes: &Notes) -> Option<Self> {
        match node.value {
            DeValue::Boolean(value) => Some(*value),
            _ => {
                wrong_kind(&node, "true or false", notes);
                None
            }
        }
    }

    fn schema() -> Value {
        json!({ "type": "boolean" })
    }
}

impl Written for u32 {
    fn read(node: Node<'_>, notes: &Notes) -> Option<Self> {
        let DeValue::Integer(number) = node.value else {
            wrong_kind(&node, "a whole number", notes);
            return None;
        };
        let value = u32::from_str_radix(number.as_str(), number.radix()).ok();
        if value.is_none() {
            let remedy = format!("write a whole number from 0 to {}", u32::MAX);
            notes.error(Some(node.span.clone()), format!("{number} can't be used here"), Some(remedy));
        }
        value
    }

    fn schema() -> Value {
        json!({ "type": "integer", "minimum": 0, "maximum": u32::MAX })
    }
}

impl<T: Written> Written for Option<T> {
    fn read(node: Node<'_>, notes: &Notes) -> Option<Self> {
        T::read(node, notes).map(Some)
    }

    fn absent() -> Option<Self> {
        Some(None)
    }

    fn schema() -> Value {
        T::schema()
    }
}

impl<T: Written> Written for Vec<T> {
    fn read(node: Node<'_>, notes: &Notes) -> Option<Self> {
        let DeValue::Array(items) = node.value else {
            if matches!(node.value, DeValue::Table(_)) && is_table(&T::schema()) {
                let remedy = "write its heading in double brackets, [[…]], once for each entry".to_owned();
                notes.error(
                    Some(node.span),
                    "this should be a list of tables, but it is a single table",
                    Some(remedy),
                );
            } else {
                let message = format!("this should be a list, but it is {}", node.kind());
                notes.error(Some(node.span), message, Some("put it in brackets: [ … ]".to_owned()));
            }
            return None;
        };
        // All items are read before any is missed, so that every item's mistakes are noted.
        let read: Vec<Option<T>> = items
            .iter()
            .map(|item| T::read(Node { value: item.get_ref(), span: item.span() }, notes))
            .collect();
        read.into_iter().collect()
    }

    fn schema() -> Value {
        json!({ "type": "array", "items": T::schema() })
    }
}

/// Reads a text that holds a quantity; a bare number gets a message of its own.
fn quantity<T>(node: &Node<'_>, name: &str, example: &str, notes: &Notes) -> Option<T>
where
    T: std::str::FromStr<Err = crate::units::QuantityError>,
{
    match node.value {
        DeValue::String(text) => match text.parse::<T>() {
            Ok(value) => Some(value),
            Err(error) => {
                notes.error(Some(node.span.clone()), error.message, Some(error.remedy));
                None
            }
        },
        DeValue::Integer(_) | DeValue::Float(_) => {
            let remedy = match number_of(node.value) {
                Some(value) if example.ends_with('%') => as_percent(value),
                number => {
                    format!("write it in quotes with its unit, such as \"{}\"", with_unit(number, example))
                }
            };
            let message = format!("this should be {name} with its unit, but it is a bare number");
            notes.error(Some(node.span.clone()), message, Some(remedy));
            None
        }
        _ => {
            wrong_kind(node, &format!("{name} in quotes, such as \"{example}\""), notes);
            None
        }
    }
}

/// A bare number as it was written, if it is one that a quantity could have.
fn number_of(value: &DeValue<'_>) -> Option<f64> {
    let number: f64 = match value {
        DeValue::Integer(n) if n.radix() == 10 => n.as_str().parse().ok()?,
        DeValue::Float(x) => x.as_str().parse().ok()?,
        _ => return None,
    };
    number.is_finite().then_some(number)
}

/// The number with the unit of the example, or the example.
fn with_unit(number: Option<f64>, example: &str) -> String {
    match (number, example.split_once(' ')) {
        (Some(number), Some((_, unit))) => format!("{number} {unit}"),
        _ => example.to_owned(),
    }
}

impl<D: Dimension> Written for Quantity<D> {
    fn read(node: Node<'_>, notes: &Notes) -> Option<Self> {
        quantity(&node, D::NAME, &D::example(), notes)
    }

    fn schema() -> Value {
        let units: Vec<&str> = D::UNITS.iter().filter_map(|u| u.spellings.first().copied()).collect();
        let kinds: Vec<&str> = D::STATISTICS.iter().map(|(name, _)| *name).collect();
        let kind = if kinds.is_empty() { String::new() } else { format!(" and kind ({})", kinds.join(", ")) };
        json!({
            "type": "string",
            "description": format!("Written as {} with unit ({}){kind}.", D::NAME, units.join(", ")),
            "pattern": pattern(&[D::UNITS], D::STATISTICS),
            "patternErrorMessage": format!("Write {} with its unit{kind}, such as \"{}\".", D::NAME, D::example()),
            "examples": [D::example()],
        })
    }
}

impl Written for Amplitude {
    fn read(node: Node<'_>, notes: &Notes) -> Option<Self> {
        quantity(&node, "an amplitude", "1 g pk", notes)
    }

    fn schema() -> Value {
        let units = [Acceleration::UNITS, Speed::UNITS, Length::UNITS];
        json!({
            "type": "string",
            "description": "Written as an acceleration (g, m/s²), velocity (m/s, mm/s) or displacement (mm, µm) with unit and kind (pk, rms, pk-pk).",
            "pattern": pattern(&units, <Of<Acceleration, Peak>>::STATISTICS),
            "patternErrorMessage": "Write an amplitude with its unit and kind, such as \"1 g pk\".",
            "examples": ["1 g pk", "10 m/s² rms", "0.1 m/s pk", "8 mm pk-pk"],
        })
    }
}

/// A table whose keys belong to somebody else (the settings of a driver): kept as it is.
#[derive(Debug, Clone, PartialEq, Default, serde::Serialize)]
#[serde(transparent)]
pub struct Table(pub serde_json::Map<String, Value>);

impl Written for Table {
    fn read(node: Node<'_>, notes: &Notes) -> Option<Self> {
        if !matches!(node.value, DeValue::Table(_)) {
            wrong_kind(&node, "a table", notes);
            return None;
        }
        match json_of(&node, notes)? {
            Value::Object(map) => Some(Self(map)),
            _ => None,
        }
    }

    fn absent() -> Option<Self> {
        Some(Self::default())
    }

    fn schema() -> Value {
        json!({ "type": "object", "description": "Keys that the driver knows.", "additionalProperties": true })
    }
}

/// The value as JSON holds it; notes numbers that JSON has no room for.
fn json_of(node: &Node<'_>, notes: &Notes) -> Option<Value> {
    let inner =
        |value: &Spanned<DeValue<'_>>| json_of(&Node { value: value.get_ref(), span: value.span() }, notes);
    let number = match node.value {
        DeValue::String(text) => return Some(json!(text)),
        DeValue::Boolean(value) => return Some(json!(value)),
        DeValue::Datetime(time) => return Some(json!(time.to_string())),
        DeValue::Array(items) => {
            // All items are read before any is missed, so that every item's mistakes are noted.
            let read: Vec<Option<Value>> = items.iter().map(inner).collect();
            return read.into_iter().collect::<Option<Vec<_>>>().map(Value::Array);
        }
        DeValue::Table(table) => {
            let read: Vec<_> =
                table.iter().map(|(key, value)| Some((key.get_ref().to_string(), inner(value)?))).collect();
            return read.into_iter().collect::<Option<serde_json::Map<_, _>>>().map(Value::Object);
        }
        DeValue::Integer(n) => i64::from_str_radix(n.as_str(), n.radix()).ok().map(serde_json::Number::from),
        DeValue::Float(x) => x.as_str().parse().ok().and_then(serde_json::Number::from_f64),
    };
    if number.is_none() {
        let remedy = "write a finite number, whole ones within ±9e18".to_owned();
        notes.error(Some(node.span.clone()), "this number can't be used", Some(remedy));
    }
    number.map(Value::Number)
}
