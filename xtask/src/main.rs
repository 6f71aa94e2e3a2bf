//! Repository chores: `cargo run -p xtask -- demo|test|bench|dist|web|types|setup`.
//! The Makefile calls nothing else.
#![allow(clippy::print_stderr)]

use std::path::PathBuf;
use std::process::ExitCode;

mod chores;
mod setup;

fn main() -> ExitCode {
    let chore = std::env::args().nth(1).unwrap_or_default();
    let repo = Repo::find();
    let outcome = match chore.as_str() {
        "demo" => chores::demo(&repo),
        "test" => chores::test(&repo),
        "bench" => chores::bench(&repo),
        "dist" => chores::dist(&repo),
        "web" => chores::web(&repo),
        "types" => chores::types(&repo),
        "setup" => setup::test_tools(&repo).map(|_| ()),
        other => Err(format!(
            "unknown chore '{other}'; there are demo, test, bench, dist, web, types and setup"
        )),
    };
    match outcome {
        Ok(()) => ExitCode::SUCCESS,
        Err(why) => {
            eprintln!("error: {why}");
            ExitCode::FAILURE
        }
    }
}

/// Where things are in a checkout.
struct Repo {
    root: PathBuf,
}

impl Repo {
    fn find() -> Self {
        let here = PathBuf::from(env!("CARGO_MANIFEST_DIR"));
        Repo {
            root: here.parent().unwrap_or(&here).to_path_buf(),
        }
    }
    fn web(&self) -> PathBuf {
        self.root.join("web")
    }
    fn tools(&self) -> PathBuf {
        self.root.join(".tools")
    }
    fn target(&self) -> PathBuf {
        std::env::var_os("CARGO_TARGET_DIR").map_or_else(|| self.root.join("target"), PathBuf::from)
    }
}

/// Runs a command in a folder, its output shown; an error names the command.
fn run(
    dir: &std::path::Path,
    program: &str,
    args: &[&str],
    env: &[(&str, String)],
) -> Result<(), String> {
    let line = format!("{program} {}", args.join(" "));
    eprintln!("» {line}");
    let status = std::process::Command::new(program)
        .args(args)
        .current_dir(dir)
        .envs(env.iter().map(|(k, v)| (k, v)))
        .status()
        .map_err(|e| format!("cannot run '{line}': {e}"))?;
    if status.success() {
        Ok(())
    } else {
        Err(format!("'{line}' failed ({status})"))
    }
}
