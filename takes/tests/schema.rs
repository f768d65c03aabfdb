//! The JSON Schema in the repository is current, and what the program prints validates against it.

mod common;

use common::{Takes, document, scan, scanned};
use serde_json::Value;
use std::path::PathBuf;

fn schema_path() -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("schema/notefront.take.schema.json")
}

fn current_schema() -> String {
    serde_json::to_string_pretty(&notefront_takes::json::schema()).expect("a schema is JSON") + "\n"
}

/// Run with `NOTEFRONT_WRITE_SCHEMA=1` to bring the file up to date after the types changed.
#[test]
fn the_schema_in_the_repository_is_current() {
    if std::env::var_os("NOTEFRONT_WRITE_SCHEMA").is_some() {
        std::fs::create_dir_all(schema_path().parent().expect("a folder")).expect("the folder of the schema");
        std::fs::write(schema_path(), current_schema()).expect("the schema is written");
    }
    let kept = std::fs::read_to_string(schema_path()).expect("the schema is in the repository");
    assert_eq!(kept, current_schema(), "run `NOTEFRONT_WRITE_SCHEMA=1 cargo test -p notefront-takes --test schema`");
}

fn validator() -> jsonschema::Validator {
    let schema = serde_json::to_value(notefront_takes::json::schema()).expect("a schema is JSON");
    jsonschema::draft202012::meta::validate(&schema).expect("the schema is itself valid");
    jsonschema::validator_for(&schema).expect("the schema compiles")
}

fn assert_valid(document: &Value) {
    let validator = validator();
    let errors: Vec<_> = validator.iter_errors(document).map(|e| format!("{}: {e}", e.instance_path())).collect();
    assert!(errors.is_empty(), "{errors:#?}");
}

#[test]
fn a_scan_validates() {
    let takes = Takes::new();
    assert_valid(&scanned(&takes.good("a.wav"), &[]));
    assert_valid(&scanned(&takes.good("a.wav"), &["--bpm", "72", "--first-beat", "0.5", "--per-beat", "2"]));
    assert_valid(&scanned(&takes.wav("short.wav", 1, common::RATE, &[0.1]), &["--channel", "1", "--strictness", "1"]));
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
    wrong["version"] = 2.into();
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
        serde_json::json!({ "bpm": 72.0, "first_beat_s": 0.5, "per_beat": 1, "from": "given" })
    );
    assert_eq!(scanned(&takes.good("a.wav"), &["--grid", "off"])["grid"], Value::Null);
}
