//! The published JSON Schema, generated from the types.

use std::path::PathBuf;

use schemars::{JsonSchema, Schema, SchemaGenerator, generate::SchemaSettings};

use super::Notebook;

/// A number, or `"INF"`.
pub(super) struct NumberOrInfinite;

impl JsonSchema for NumberOrInfinite {
    fn schema_name() -> std::borrow::Cow<'static, str> {
        "NumberOrInfinite".into()
    }

    fn json_schema(_generator: &mut SchemaGenerator) -> Schema {
        schemars::json_schema!({ "anyOf": [{ "type": "number" }, { "const": super::form::dof::INFINITE }] })
    }
}

fn file() -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("schema/notebook.schema.json")
}

fn generated() -> String {
    let mut schema =
        SchemaSettings::draft2020_12().for_deserialize().into_generator().into_root_schema_for::<Notebook>();
    schema.insert("title".into(), "Motestick notebook".into());
    let mut text = serde_json::to_string_pretty(&schema).expect("is JSON");
    text.push('\n');
    text
}

#[test]
fn the_published_schema_is_that_of_the_types() {
    let generated = generated();
    if std::env::var_os("UPDATE_SCHEMA").is_some() {
        std::fs::create_dir_all(file().parent().expect("a folder")).expect("makes the folder");
        std::fs::write(file(), &generated).expect("writes");
    }
    let published = std::fs::read_to_string(file()).expect("reads");
    assert!(
        published == generated,
        "schema/notebook.schema.json is not what the types say; run UPDATE_SCHEMA=1 cargo test --lib notebook::schema and look at the difference"
    );
}
