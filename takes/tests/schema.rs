//! The JSON Schemas in the repository are current, and what the program prints validates against them.

mod common;

use common::{Takes, document, notefront, scan, scanned};
use schemars::Schema;
use serde_json::Value;
use std::path::PathBuf;

/// Every schema, by the name of its file.
fn schemas() -> [(&'static str, Schema); 4] {
    use notefront_takes::json;
    [
        ("notefront.take.schema.json", json::schema()),
        ("notefront.comparison.schema.json", json::comparison::schema()),
        ("notefront.marks.schema.json", json::marks::schema()),
        ("notefront.corrections.schema.json", notefront_takes::corrections::schema()),
    ]
}

/// Run with `NOTEFRONT_WRITE_SCHEMA=1` to bring the files up to date after the types changed.
#[test]
fn the_schemas_in_the_repository_are_current() {
    let folder = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("schema");
    for (name, schema) in schemas() {
        let current = serde_json::to_string_pretty(&schema).expect("a schema is JSON") + "\n";
        if std::env::var_os("NOTEFRONT_WRITE_SCHEMA").is_some() {
            std::fs::create_dir_all(&folder).expect("the folder of the schemas");
            std::fs::write(folder.join(name), &current).expect("the schema is written");
        }
        let kept = std::fs::read_to_string(folder.join(name)).expect("the schema is in the repository");
        let how = "run `NOTEFRONT_WRITE_SCHEMA=1 cargo test -p notefront-takes --test schema`";
        assert!(kept == current, "{name} is out of date: {how}");
    }
}

fn validator_of(schema: &Schema) -> jsonschema::Validator {
    let schema = serde_json::to_value(schema).expect("a schema is JSON");
    jsonschema::draft202012::meta::validate(&schema).expect("the schema is itself valid");
    jsonschema::validator_for(&schema).expect("the schema compiles")
}

fn validator() -> jsonschema::Validator {
    validator_of(&notefront_takes::json::schema())
}

fn assert_valid_by(validator: &jsonschema::Validator, document: &Value) {
    let errors: Vec<_> = validator.iter_errors(document).map(|e| format!("{}: {e}", e.instance_path())).collect();
    assert!(errors.is_empty(), "{errors:#?}");
}

fn assert_valid(document: &Value) {
    assert_valid_by(&validator(), document);
}

#[test]
fn a_scan_validates() {
    let takes = Takes::new();
    assert_valid(&scanned(&takes.good("a.wav"), &[]));
    assert_valid(&scanned(&takes.good("a.wav"), &["--bpm", "72", "--first-beat", "0.5", "--per-beat", "2"]));
    assert_valid(&scanned(&takes.wav("short.wav", 1, common::RATE, &[0.1]), &["--channel", "1", "--strictness", "1"]));
}

#[test]
fn marks_validate() {
    let takes = Takes::new();
    let take = takes.good("a.wav");
    for options in [&["--which", "all"][..], &["--bpm", "72", "--first-beat", "0.5", "--which", "late"]] {
        let output = common::notefront(&[&["mark", take.to_str().expect("plain")], options].concat());
        assert_eq!(output.status.code(), Some(0), "{}", common::stderr(&output));
        let bytes = std::fs::read(takes.path("a.marks.json")).expect("the document");
        let document: Value = serde_json::from_slice(&bytes).expect("JSON");
        assert_valid_by(&validator_of(&notefront_takes::json::marks::schema()), &document);
    }
}

#[test]
fn an_array_of_scans_validates() {
    let takes = Takes::new();
    let output = scan(&[&takes.good("a.wav"), &takes.good("b.wav")], &["--json"]);
    assert_valid(&document(&output));
    assert_eq!(document(&output).as_array().map(Vec::len), Some(2));
    assert_valid(&document(&scan(&[&takes.path("gone.wav")], &["--json"])));
}

#[test]
fn the_schema_refuses_what_is_not_a_take() {
    let takes = Takes::new();
    let mut wrong = scanned(&takes.good("a.wav"), &[]);
    wrong["version"] = 1.into();
    assert!(!validator().is_valid(&wrong), "another version");
    let mut wrong = scanned(&takes.good("a.wav"), &[]);
    wrong["source"].as_object_mut().expect("an object").remove("duration_s");
    assert!(!validator().is_valid(&wrong), "a missing field");
    let mut wrong = scanned(&takes.good("a.wav"), &[]);
    wrong["settings"]["instrument"] = "kazoo".into();
    assert!(!validator().is_valid(&wrong), "an unknown horn");
}

#[test]
fn the_grid_given_is_the_grid_told() {
    let takes = Takes::new();
    let document = scanned(&takes.good("a.wav"), &["--bpm", "72", "--first-beat", "0.5"]);
    assert_eq!(
        document["grid"],
        serde_json::json!({ "bpm": 72.0, "first_beat_s": 0.5, "per_beat": 1, "from": "given", "followed": null })
    );
    assert_eq!(scanned(&takes.good("a.wav"), &["--grid", "off"])["grid"], Value::Null);
}

/// `compare --json` of takes of one note each.
fn compared(num_takes: usize, options: &[&str]) -> Value {
    let takes = Takes::new();
    let paths: Vec<_> = (0..num_takes).map(|k| takes.good(&format!("{k}.wav"))).collect();
    let named = paths.iter().map(|p| p.to_str().expect("temporary folders have plain names"));
    let args: Vec<&str> = ["compare", "--json"].into_iter().chain(named).chain(options.iter().copied()).collect();
    let output = notefront(&args);
    assert_eq!(output.status.code(), Some(0), "{}", common::stderr(&output));
    document(&output)
}

#[test]
fn comparisons_and_choices_validate() {
    let validator = validator_of(&notefront_takes::json::comparison::schema());
    let two = compared(2, &[]);
    assert_valid_by(&validator, &two);
    assert_eq!(two["format"], "notefront.comparison");
    assert_eq!(two["pairs"].as_array().map(Vec::len), Some(1), "one note is in both");
    let bars = ["--bpm", "72", "--first-beat", "0.5", "--beats-per-bar", "4"];
    assert_valid_by(&validator, &compared(2, &bars));
    let three = compared(3, &bars);
    assert_valid_by(&validator, &three);
    assert_eq!(three["format"], "notefront.choice");
    let mut wrong = two;
    wrong["pairs"][0]["better"] = "neither".into();
    assert!(!validator.is_valid(&wrong), "a better that is none of a, b, null");
}
