//! JSON Schema of every message: `calwright schema protocol`.

use super::block::{BLOCK, BlockParams, FAILED};
use super::calls::{
    Call, Configure, MakeSafe, Mute, OutputOff, ReadAmbient, ReadContacts, ReadStatus, SetOutput, SetTone,
    Start, Stop, Unmute,
};
use super::fault::Fault;
use super::hello::{HEARTBEAT, Heartbeat, Hello};
use schemars::{JsonSchema, SchemaGenerator, generate::SchemaSettings};
use serde_json::{Map, Value, json};

/// The schema of a line. Each message stands under its own name in `$defs`.
#[must_use]
pub fn schema() -> Value {
    let mut make = Maker {
        types: SchemaSettings::draft2020_12().for_serialize().into_generator(),
        messages: Map::new(),
    };
    make.call::<Hello>();
    make.call::<MakeSafe>();
    make.call::<SetTone>();
    make.call::<OutputOff>();
    make.call::<Unmute>();
    make.call::<Mute>();
    make.call::<ReadStatus>();
    make.call::<Configure>();
    make.call::<Start>();
    make.call::<Stop>();
    make.call::<ReadAmbient>();
    make.call::<ReadContacts>();
    make.call::<SetOutput>();
    make.said::<Heartbeat>("daemon", HEARTBEAT);
    make.said::<BlockParams<'static>>("host", BLOCK);
    make.said::<Fault>("host", FAILED);
    let error = make.types.subschema_for::<Fault>();
    make.message(
        "failure".to_owned(),
        "From the host: what was asked for was not done.",
        json!({ "id": { "type": ["integer", "null"], "minimum": 0 }, "error": error }),
    );
    let any: Vec<Value> =
        make.messages.keys().map(|name| json!({ "$ref": format!("#/$defs/{name}") })).collect();
    let mut defs = make.messages;
    defs.extend(make.types.take_definitions(true));
    json!({
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "description": "A line of the protocol between the daemon and the host of an instrument.",
        "anyOf": any,
        "$defs": defs,
    })
}

struct Maker {
    types: SchemaGenerator,
    messages: Map<String, Value>,
}

impl Maker {
    /// A request of the daemon's and its reply.
    fn call<C: Call>(&mut self) {
        let (params, result) = (self.types.subschema_for::<C>(), self.types.subschema_for::<C::Reply>());
        let id = json!({ "type": "integer", "minimum": 0 });
        self.message(
            format!("{} request", C::METHOD),
            "From the daemon.",
            json!({ "id": id, "method": { "const": C::METHOD }, "params": params }),
        );
        let reply = "From the host: the reply to the request of the same id.";
        self.message(format!("{} reply", C::METHOD), reply, json!({ "id": id, "result": result }));
    }

    fn said<T: JsonSchema>(&mut self, by: &str, method: &str) {
        let params = self.types.subschema_for::<T>();
        self.message(
            format!("{method} notification"),
            &format!("From the {by}: no reply is due."),
            json!({ "method": { "const": method }, "params": params }),
        );
    }

    fn message(&mut self, name: String, about: &str, mut properties: Value) {
        properties["jsonrpc"] = json!({ "const": "2.0" });
        let required: Vec<String> =
            properties.as_object().map(|p| p.keys().cloned().collect()).unwrap_or_default();
        let schema = json!({
            "description": about, "type": "object", "properties": properties, "required": required,
            "additionalProperties": false,
        });
        self.messages.insert(name.replace([' ', '.'], "_"), schema);
    }
}

#[cfg(test)]
mod tests {
    #[test]
    fn there_is_one_for_each_message() {
        let schema = super::schema();
        let messages = schema["anyOf"].as_array().unwrap().len();
        assert_eq!(messages, 13 * 2 + 3 + 1);
        assert_eq!(
            schema["$defs"]["source_set_tone_request"]["properties"]["method"]["const"],
            "source.set_tone"
        );
    }
}
