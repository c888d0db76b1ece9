//! The published schema of `set.json` is what the program reads, and the demo sets keep to it.
//!
//! `CLOTHLINE_WRITE_SCHEMA=1 cargo test --test set_schema` writes it anew after a change of the format. The demo sets are
//! checked by the reference library `jsonschema` (PyPI) where a Python with it is there (`CLOTHLINE_PYTHON`).

use std::path::{Path, PathBuf};
use std::process::Command;

use clothline::set::file;

fn here(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join(name)
}

#[test]
fn the_published_schema_is_the_one_read() {
    let now = serde_json::to_string_pretty(&file::schema()).expect("JSON") + "\n";
    let path = here("src/schema/set.schema.json");
    if std::env::var_os("CLOTHLINE_WRITE_SCHEMA").is_some() {
        std::fs::write(&path, &now).expect("written");
    }
    let published = std::fs::read_to_string(&path).expect("the schema");
    assert!(published == now, "the schema has changed: write it anew (see the head of this file)");
}

#[test]
fn demo_sets_are_written_back_as_they_were_read() {
    for set in ["harbour-tee", "orchard-trousers", "workshop-smock"] {
        let text = std::fs::read_to_string(here(&format!("sample-photos/sets/{set}/set.json"))).expect("a set");
        let read = file::read(&text).expect("sound");
        assert_eq!(file::read(&file::write(&read).expect("written")).expect("sound"), read, "{set}");
    }
}

const CHECK: &str = "
import json, sys
from jsonschema import Draft202012Validator as V
schema = json.load(open(sys.argv[1]))
V.check_schema(schema)
for name in sys.argv[2:]:
    V(schema).validate(json.load(open(name)))
bad = json.load(open(sys.argv[2]))
bad['pieces'][0]['kidn'] = 'half-front'
assert list(V(schema).iter_errors(bad)), 'an unknown word passed'
";

#[test]
fn an_independent_validator_agrees() {
    let python = std::env::var("CLOTHLINE_PYTHON").unwrap_or_else(|_| "python3".into());
    let there = Command::new(&python).args(["-c", "import jsonschema"]).status().is_ok_and(|s| s.success());
    if !there {
        assert!(std::env::var_os("CI").is_none(), "jsonschema is missing");
        eprintln!("no jsonschema: not checked");
        return;
    }
    let sets = ["harbour-tee", "orchard-trousers", "workshop-smock"];
    let sets = sets.map(|s| here(&format!("sample-photos/sets/{s}/set.json")));
    let output = Command::new(&python).args(["-c", CHECK]).arg(here("src/schema/set.schema.json")).args(sets).output();
    let output = output.expect("python runs");
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
}
