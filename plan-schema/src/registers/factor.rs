//! Plain numbers of a certificate that have no unit: its coverage factor, the correlation of its errors.

use crate::read::{Node, Notes, Written};

/// A coverage factor: a plain number, at least 1.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize)]
#[serde(transparent)]
pub struct CoverageFactor(pub f64);

impl Written for CoverageFactor {
    fn read(node: Node<'_>, notes: &Notes) -> Option<Self> {
        match number(&node) {
            Some(k) if (1.0..=10.0).contains(&k) => Some(Self(k)),
            _ => {
                let remedy = "write the factor of the certificate, such as coverage_factor = 2".to_owned();
                notes.error(Some(node.span), "a coverage factor is a number from 1 to 10", Some(remedy));
                None
            }
        }
    }

    fn schema() -> serde_json::Value {
        serde_json::json!({ "type": "number", "minimum": 1, "maximum": 10, "examples": [2.0] })
    }
}

/// How far the errors of a certificate's lines go together: a plain number from 0 (each for itself) to 1 (the same error at all
/// frequencies).
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize)]
#[serde(transparent)]
pub struct Correlation(pub f64);

impl Written for Correlation {
    fn read(node: Node<'_>, notes: &Notes) -> Option<Self> {
        match number(&node) {
            Some(r) if (0.0..=1.0).contains(&r) => Some(Self(r)),
            _ => {
                let remedy = "write a plain number, such as correlation = 0.9".to_owned();
                notes.error(Some(node.span), "a correlation is a number from 0 to 1", Some(remedy));
                None
            }
        }
    }

    fn schema() -> serde_json::Value {
        serde_json::json!({ "type": "number", "minimum": 0, "maximum": 1, "examples": [0.9] })
    }
}

fn number(node: &Node<'_>) -> Option<f64> {
    match node.value {
        toml::de::DeValue::Float(x) => x.as_str().parse().ok(),
        toml::de::DeValue::Integer(n) => n.as_str().parse().ok(),
        _ => None,
    }
}
