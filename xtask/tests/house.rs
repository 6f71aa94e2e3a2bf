//! The house rules that a compiler does not check: which crate may know which, and what must not
//! be found where. Each rule says why, so that whoever breaks it can judge.

use std::path::{Path, PathBuf};
use std::process::Command;

/// Crate, the crates of ours it may use, and why no others.
const ARROWS: &[(&str, &[&str], &str)] = &[
    (
        "shortest_paths",
        &[],
        "algorithms on slices know no road, no file, no rider",
    ),
    ("region", &[], "the file format is the bottom of the house"),
    (
        "synth",
        &[],
        "an invented country must take the same road as real data: through files",
    ),
    (
        "import",
        &["region", "shortest_paths"],
        "import measures; judging roads is the planner's",
    ),
    (
        "planner",
        &["region", "shortest_paths"],
        "a plan needs neither files, nor HTTP, nor a store",
    ),
    (
        "paper",
        &["planner", "region"],
        "paper is drawn from plans; only who prints pays for PDF and letters",
    ),
    (
        "tiles",
        &["region"],
        "a tile is a view of a region and of nothing else",
    ),
    (
        "shelf",
        &["planner", "region"],
        "the store keeps documents and lines; of a region it knows points and distances only",
    ),
    (
        "server",
        &["planner", "paper", "shelf", "tiles", "import", "region"],
        "the only crate that knows HTTP",
    ),
    (
        "cli",
        &[
            "server", "import", "planner", "paper", "region", "shelf", "synth",
        ],
        "the binary puts the house together",
    ),
    (
        "bench",
        &[
            "shortest_paths",
            "region",
            "synth",
            "import",
            "planner",
            "tiles",
            "shelf",
        ],
        "benchmarks measure what lies below the server",
    ),
    ("xtask", &[], "chores must build in seconds"),
];

/// Crates that must not pull in a heavy dependency, directly or not.
const ABSENCES: &[(&[&str], &[&str], &str)] = &[
    (
        &[
            "shortest_paths",
            "region",
            "synth",
            "import",
            "planner",
            "paper",
            "tiles",
        ],
        &["tokio", "axum", "rusqlite", "clap"],
        "below the shelf nobody serves, stores or parses arguments",
    ),
    (
        &["planner", "tiles", "shelf", "import"],
        &["krilla"],
        "who plans need not print",
    ),
    (
        &["shelf"],
        &["tokio", "axum", "clap"],
        "the store is synchronous and has no user interface",
    ),
];

#[test]
fn arrows_point_the_allowed_way() {
    let metadata = metadata();
    let ours: Vec<&str> = ARROWS.iter().map(|(name, ..)| *name).collect();
    let packages = metadata["packages"].as_array().unwrap();
    let mut seen = 0;
    for package in packages.iter().filter(|p| p["source"].is_null()) {
        let name = package["name"].as_str().unwrap();
        let Some((_, allowed, why)) = ARROWS.iter().find(|(n, ..)| *n == name) else {
            panic!("crate {name} is not in the list of allowed arrows; add it with its reason");
        };
        seen += 1;
        for dependency in package["dependencies"].as_array().unwrap() {
            // Tests may use more: an ASCII map from synth, an import to plan on.
            if dependency["kind"] == "dev" {
                continue;
            }
            let to = dependency["name"].as_str().unwrap();
            assert!(
                !ours.contains(&to) || allowed.contains(&to),
                "{name} must not use {to}: {why}"
            );
        }
    }
    assert_eq!(
        seen,
        ARROWS.len(),
        "a crate in the list of arrows no longer exists"
    );
}

#[test]
fn heavy_dependencies_stay_where_they_belong() {
    for (crates, absent, why) in ABSENCES {
        for name in *crates {
            let tree = cargo(&[
                "tree",
                "--package",
                name,
                "--edges",
                "normal",
                "--prefix",
                "none",
            ]);
            for line in tree.lines() {
                let dependency = line.split(' ').next().unwrap();
                assert!(
                    !absent.contains(&dependency),
                    "{name} depends on {dependency}: {why}"
                );
            }
        }
    }
}

#[test]
fn unsafe_code_lives_in_one_module() {
    for (path, text) in sources() {
        let home =
            path.ends_with("crates/region/src/file.rs") || path.ends_with("xtask/tests/house.rs");
        let found = text.lines().any(|l| {
            let code = l.split("//").next().unwrap();
            code.contains("unsafe ") || code.contains("allow(unsafe_code)")
        });
        assert!(
            home || !found,
            "{} uses unsafe; only the mapping of region files may",
            path.display()
        );
    }
}

#[test]
fn clock_environment_and_printing_stay_in_the_binary() {
    let banned = [
        "SystemTime::now",
        "Instant::now",
        "env::var",
        "println!(",
        "print!(",
    ];
    for (path, text) in sources() {
        let library = path.components().any(|c| c.as_os_str() == "src")
            && !["cli", "bench", "xtask"]
                .iter()
                .any(|c| path.components().any(|p| p.as_os_str() == *c));
        if !library {
            continue;
        }
        // Unit tests at the end of a file may print why they skip.
        let code = text.split("#[cfg(test)]").next().unwrap();
        for word in banned {
            let found = code
                .lines()
                .any(|l| l.split("//").next().unwrap().contains(word));
            assert!(
                !found,
                "{} calls {word}: libraries are told the time and never talk",
                path.display()
            );
        }
    }
}

#[test]
fn every_call_is_in_the_openapi_document() {
    let document: serde_json::Value =
        serde_json::from_str(&std::fs::read_to_string(root().join("docs/openapi.json")).unwrap())
            .unwrap();
    let mut told: Vec<String> = Vec::new();
    for (path, calls) in document["paths"].as_object().unwrap() {
        for method in calls.as_object().unwrap().keys() {
            told.push(format!("{method} {path}"));
        }
    }
    // The routes, as the server's table has them, and two that are answered before it.
    let source = std::fs::read_to_string(root().join("crates/server/src/lib.rs")).unwrap();
    let mut there = vec!["post /api/login".to_owned(), "post /api/logout".to_owned()];
    for route in source.split(".route(").skip(1) {
        let path = route.split('"').nth(1).unwrap();
        let end = route.find("\n        .").unwrap_or(route.len());
        let calls = &route[..end];
        for method in ["get", "post", "put", "patch", "delete", "any"] {
            let call = format!("{method}(");
            let before = |at: usize| calls[..at].chars().next_back();
            let is_call = |at: usize| before(at).is_none_or(|c| !c.is_alphanumeric() && c != '_');
            if calls.match_indices(&call).any(|(at, _)| is_call(at)) {
                there.push(format!("{method} {path}"));
            }
        }
    }
    told.sort();
    there.sort();
    assert!(
        there.len() > 30,
        "the table of routes was not found: {there:?}"
    );
    assert_eq!(
        there, told,
        "the server's routes (left) and docs/openapi.json (right) differ"
    );
    // Every schema that is referred to is there.
    let text = document.to_string();
    for name in text.split("#/components/schemas/").skip(1) {
        let name = name.split('"').next().unwrap();
        let schema = &document["components"]["schemas"][name];
        assert!(schema.is_object(), "docs/openapi.json has no schema {name}");
    }
}

fn sources() -> Vec<(PathBuf, String)> {
    let mut found = Vec::new();
    let mut folders = vec![root().join("crates"), root().join("xtask")];
    while let Some(folder) = folders.pop() {
        for entry in std::fs::read_dir(&folder).unwrap() {
            let path = entry.unwrap().path();
            if path.is_dir() {
                folders.push(path);
            } else if path.extension().is_some_and(|e| e == "rs") {
                let text = std::fs::read_to_string(&path).unwrap();
                found.push((path, text));
            }
        }
    }
    assert!(
        found.len() > 20,
        "the walk over the sources found too little"
    );
    found
}

fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR"))
        .parent()
        .unwrap()
        .to_path_buf()
}

fn cargo(args: &[&str]) -> String {
    let out = Command::new(env!("CARGO"))
        .args(args)
        .current_dir(root())
        .output()
        .unwrap();
    assert!(
        out.status.success(),
        "cargo {args:?}: {}",
        String::from_utf8_lossy(&out.stderr)
    );
    String::from_utf8(out.stdout).unwrap()
}

fn metadata() -> serde_json::Value {
    serde_json::from_str(&cargo(&["metadata", "--no-deps", "--format-version", "1"])).unwrap()
}
