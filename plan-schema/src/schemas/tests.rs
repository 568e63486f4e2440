//! The schemas against what a person needs of them, and against the fixtures.

use super::{WRITTEN_KINDS, schema};
use serde_json::Value;

/// Calls `visit` with the path of every schema under a key or in a list.
fn walk(path: &str, schema: &Value, visit: &mut dyn FnMut(&str, &Value)) {
    visit(path, schema);
    for (key, inner) in schema.get("properties").and_then(Value::as_object).into_iter().flatten() {
        walk(&format!("{path}.{key}"), inner, visit);
    }
    let within = ["items", "additionalProperties"].into_iter().filter_map(|key| schema.get(key));
    let one_of = ["oneOf", "anyOf"].into_iter().filter_map(|key| schema.get(key)?.as_array()).flatten();
    for inner in within.filter(|inner| inner.is_object()).chain(one_of) {
        walk(&format!("{path}[]"), inner, visit);
    }
}

/// What an editor needs to complete a field: the form of it with an example, words to choose from, or for what people name
/// freely nothing but the explanation.
#[test]
fn an_editor_can_complete_what_has_a_form() {
    let (mut with_form, mut free) = (0, Vec::new());
    for kind in WRITTEN_KINDS {
        walk(kind, &schema(kind).unwrap(), &mut |path, schema| {
            if schema.get("type").is_none_or(|t| t != "string") {
                return;
            }
            let has = |key: &str| schema.get(key).is_some();
            if has("pattern") {
                with_form += 1;
                let examples = schema.get("examples").and_then(Value::as_array);
                assert!(
                    examples.is_some_and(|e| !e.is_empty()),
                    "{path} has a form and no example: {schema}"
                );
                assert!(has("patternErrorMessage"), "{path} does not say what to write instead: {schema}");
            } else if !has("const") && !has("enum") && !has("oneOf") {
                free.push(path.to_owned());
            }
        });
    }
    assert!(with_form > 100, "{with_form}");
    insta::assert_snapshot!("what_people_name_freely", free.join("\n"));
}

#[test]
fn every_kind_and_key_is_described() {
    for kind in WRITTEN_KINDS {
        let root = schema(kind).unwrap();
        walk(kind, &root, &mut |path, schema| {
            let described = schema.get("description").and_then(Value::as_str).is_some_and(|d| d.len() > 3);
            let bare_item = path.ends_with("[]") && schema.get("type").is_some_and(|t| t == "string");
            assert!(described || bare_item, "{path} is not described: {schema}");
            assert!(
                schema.get("default") != Some(&Value::Null),
                "{path} has a default that can't be written"
            );
        });
    }
    assert_eq!(schema("wishes"), None);
}

/// Required is what has neither a default nor an absence that means something.
#[test]
fn keys_of_a_plan() {
    let mut lines = Vec::new();
    walk("plan", &schema("plan").unwrap(), &mut |path, schema| {
        let text = |key: &str| schema.get(key).map_or_else(String::new, |v| format!(" {key}={v}"));
        lines.push(format!("{path}{}{}{}", text("required"), text("default"), text("examples")));
    });
    insta::assert_snapshot!(lines.join("\n"));
}

#[test]
fn schema_of_a_point_as_a_whole() {
    let plan = schema("plan").unwrap();
    insta::assert_json_snapshot!(plan["properties"]["point"]["items"]);
}
