//! The chores themselves, in the order a newcomer meets them.

use std::path::{Path, PathBuf};

use crate::{Repo, run, setup};

/// Builds page and binary, then serves the demo country.
pub fn demo(repo: &Repo) -> Result<(), String> {
    web(repo)?;
    run(
        &repo.root,
        "cargo",
        &["build", "--release", "--package", "cli"],
        &[],
    )?;
    let lacet = repo
        .target()
        .join("release/lacet")
        .to_string_lossy()
        .into_owned();
    run(&repo.root, &lacet, &["demo"], &[])
}

/// Everything that can fail: style, page, crates, outside references, the page in a browser.
pub fn test(repo: &Repo) -> Result<(), String> {
    setup::node()?;
    let path = setup::test_tools(repo)?;
    let env = [("PATH", path)];
    let cargo = |args: &[&str]| run(&repo.root, "cargo", args, &env);
    let npm = |args: &[&str]| run(&repo.web(), "npm", args, &env);

    cargo(&["fmt", "--all", "--check"])?;
    web(repo)?;
    npm(&["run", "--silent", "check"])?;
    npm(&["test", "--silent"])?;

    cargo(&[
        "clippy",
        "--workspace",
        "--all-targets",
        "--quiet",
        "--",
        "-D",
        "warnings",
    ])?;
    cargo(&["test", "--workspace", "--quiet"])?;
    types_are_current(repo)?;

    // One binary of the same profile serves the checks from outside.
    cargo(&["build", "--package", "cli", "--quiet"])?;
    let lacet = repo
        .target()
        .join("debug/lacet")
        .to_string_lossy()
        .into_owned();
    let env = [env[0].clone(), ("LACET_BIN", lacet)];
    run(&repo.root, "python3", &["tests/oracle/run.py"], &env)?;
    run(&repo.web(), "npm", &["run", "--silent", "e2e"], &env)
}

/// Seeded benchmarks, one after the other; those that miss a bar are named at the end.
pub fn bench(repo: &Repo) -> Result<(), String> {
    run(
        &repo.root,
        "cargo",
        &["build", "--release", "--package", "cli"],
        &[],
    )?;
    let lacet = repo.target().join("release/lacet");
    let lacet = lacet.to_string_lossy();
    // The shelf's bars are of 10,000 recordings; these are enough to see one missed.
    let runs: [(&str, &[&str]); 7] = [
        ("bench", &[]),
        ("shelf", &["--", "2000"]),
        ("search", &["--features", "reference"]),
        ("day", &[]),
        ("match", &["--", "--seed", "21", "--rides", "12"]),
        ("handover", &["--", "--tours", "12", "--set", "all 20, 5 %"]),
        ("hand", &["--", &lacet, "synth:20000@winding"]),
    ];
    let mut missed = Vec::new();
    for (bin, more) in runs {
        let args = [
            &["run", "--release", "--package", "bench", "--bin", bin],
            more,
        ];
        if run(&repo.root, "cargo", &args.concat(), &[]).is_err() {
            missed.push(bin);
        }
    }
    match missed[..] {
        [] => Ok(()),
        _ => Err(format!("bars missed by: {}", missed.join(", "))),
    }
}

/// One binary with the page inside, stripped of debug information.
pub fn dist(repo: &Repo) -> Result<(), String> {
    web(repo)?;
    let env = [("CARGO_PROFILE_RELEASE_STRIP", "symbols".to_owned())];
    run(
        &repo.root,
        "cargo",
        &["build", "--release", "--package", "cli"],
        &env,
    )?;
    let dist = repo.root.join("dist");
    let io = |e: std::io::Error| format!("cannot fill {}: {e}", dist.display());
    std::fs::create_dir_all(&dist).map_err(io)?;
    std::fs::copy(repo.target().join("release/lacet"), dist.join("lacet")).map_err(io)?;
    for file in ["LICENSE-MIT", "LICENSE-APACHE", "README.md"] {
        std::fs::copy(repo.root.join(file), dist.join(file)).map_err(io)?;
    }
    Ok(())
}

/// Builds `web/dist`: installs packages only when the lock changed, builds only when a source did.
pub fn web(repo: &Repo) -> Result<(), String> {
    setup::node()?;
    let web = repo.web();
    let installed = web.join("node_modules/.package-lock.json");
    if is_older(&installed, &[web.join("package-lock.json")]) {
        run(
            &web,
            "npm",
            &["ci", "--ignore-scripts", "--no-audit", "--no-fund"],
            &[],
        )?;
    }
    let inputs = [
        "src",
        "index.html",
        "package-lock.json",
        "vite.config.ts",
        "public",
    ];
    let inputs: Vec<PathBuf> = inputs.iter().map(|i| web.join(i)).collect();
    if is_older(&web.join("dist/index.html"), &inputs) {
        run(&web, "npm", &["run", "--silent", "build"], &[])?;
    }
    Ok(())
}

/// Writes the TypeScript types of the API into `web/src/types`.
pub fn types(repo: &Repo) -> Result<(), String> {
    export_types(repo, &repo.web().join("src/types"))
}

fn types_are_current(repo: &Repo) -> Result<(), String> {
    let fresh = repo.target().join("types");
    let _ = std::fs::remove_dir_all(&fresh);
    export_types(repo, &fresh)?;
    let kept = repo.web().join("src/types");
    for entry in std::fs::read_dir(&fresh).map_err(|e| format!("no types were written: {e}"))? {
        let name = entry.map_err(|e| e.to_string())?.file_name();
        let (a, b) = (fresh.join(&name), kept.join(&name));
        if std::fs::read(&a).ok() != std::fs::read(&b).ok() {
            return Err(format!(
                "{} does not match the Rust types; run 'cargo run -p xtask -- types'",
                b.display()
            ));
        }
    }
    Ok(())
}

fn export_types(repo: &Repo, dir: &Path) -> Result<(), String> {
    let env = [("TS_RS_EXPORT_DIR", dir.to_string_lossy().into_owned())];
    let args = [
        "test",
        "--quiet",
        "--features",
        "ts",
        "--lib",
        "export_bindings",
    ];
    for package in ["planner", "server"] {
        let args: Vec<&str> = args.iter().copied().chain(["--package", package]).collect();
        run(&repo.root, "cargo", &args, &env)?;
    }
    Ok(())
}

/// Whether `product` is missing or older than any file at or below `inputs`.
fn is_older(product: &Path, inputs: &[PathBuf]) -> bool {
    let Ok(made) = product.metadata().and_then(|m| m.modified()) else {
        return true;
    };
    inputs
        .iter()
        .any(|input| newest(input).is_some_and(|time| time > made))
}

fn newest(path: &Path) -> Option<std::time::SystemTime> {
    let meta = path.metadata().ok()?;
    if meta.is_dir() {
        let entries = std::fs::read_dir(path).ok()?;
        return entries.filter_map(|e| newest(&e.ok()?.path())).max();
    }
    meta.modified().ok()
}
