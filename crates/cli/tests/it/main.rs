//! Drives the binary from outside, with a home of its own for every test.
#![allow(clippy::print_stdout)]

mod calls;
mod disasters;
mod hand;
mod http;
mod propose;
mod shelf;
mod spurs;
mod tastes;
mod web;

use std::io::{BufRead, BufReader, Read};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};

use serde_json::Value;
use synth::World;

/// A home directory without anything in it.
pub(crate) struct Home {
    dir: tempfile::TempDir,
}

/// What a call came to.
#[derive(Debug)]
pub(crate) struct Ran {
    pub(crate) code: Option<i32>,
    pub(crate) stdout: String,
    pub(crate) stderr: String,
}

impl Home {
    pub(crate) fn new() -> Self {
        Home {
            dir: tempfile::tempdir().unwrap(),
        }
    }

    pub(crate) fn path(&self, name: &str) -> PathBuf {
        self.dir.path().join(name)
    }

    /// The default data directory in this home, by the XDG base directory specification.
    pub(crate) fn data(&self) -> PathBuf {
        self.path(".local/share/lacet")
    }

    pub(crate) fn region(&self, name: &str) -> PathBuf {
        self.data().join(format!("regions/{name}.region"))
    }

    /// The binary, run in this home with nothing else of the environment.
    pub(crate) fn command(&self) -> Command {
        let mut command = Command::new(env!("CARGO_BIN_EXE_lacet"));
        self.settle(&mut command);
        command
    }

    /// A shell line in which `$LACET` is the binary.
    pub(crate) fn shell(&self, line: &str) -> Ran {
        let mut command = Command::new("sh");
        self.settle(&mut command);
        command
            .args(["-c", line])
            .env("LACET", env!("CARGO_BIN_EXE_lacet"));
        run(command)
    }

    fn settle(&self, command: &mut Command) {
        command
            .env_clear()
            .env("HOME", self.dir.path())
            .current_dir(self.dir.path());
        command.envs(std::env::var_os("PATH").map(|p| ("PATH", p)));
    }

    pub(crate) fn lacet<S: AsRef<std::ffi::OsStr>>(&self, args: &[S]) -> Ran {
        let mut command = self.command();
        command.args(args);
        run(command)
    }

    /// Imports a map as a region.
    pub(crate) fn import(&self, name: &str, world: &World) {
        let file = self.path(&format!("{name}.osm"));
        world.write_xml(&file).unwrap();
        self.lacet(&["import", name, file.to_str().unwrap()]).fine();
    }

    /// Serves this home until dropped.
    pub(crate) fn serve(&self) -> Server {
        let mut command = self.command();
        command.args(["serve", "--listen", "127.0.0.1:0"]);
        Server::start(command)
    }
}

fn run(mut command: Command) -> Ran {
    let out = command.stdin(Stdio::null()).output().unwrap();
    let text = |bytes: Vec<u8>| String::from_utf8(bytes).unwrap();
    Ran {
        code: out.status.code(),
        stdout: text(out.stdout),
        stderr: text(out.stderr),
    }
}

impl Ran {
    /// It went well; gives its results.
    pub(crate) fn fine(self) -> String {
        assert_eq!(self.code, Some(0), "{self:?}");
        self.stdout
    }

    pub(crate) fn json(self) -> Value {
        serde_json::from_str(&self.fine()).unwrap()
    }

    /// It was refused with this code, in one line of error and one of hint at most, with these
    /// words in it.
    pub(crate) fn refused(&self, code: i32, words: &[&str]) {
        assert_eq!(self.code, Some(code), "{self:?}");
        let talk: Vec<&str> = self
            .stderr
            .lines()
            .skip_while(|l| !l.starts_with("error: "))
            .collect();
        assert!((1..=2).contains(&talk.len()), "{self:?}");
        assert!(
            talk[1..].iter().all(|l| l.starts_with("hint: ")),
            "{self:?}"
        );
        for word in words {
            assert!(
                self.stderr.contains(word),
                "{word:?} is not in {}",
                self.stderr
            );
        }
        assert!(!self.stderr.contains("panicked"), "{self:?}");
    }
}

/// A server at work; killed when dropped.
pub(crate) struct Server {
    child: Child,
    /// `127.0.0.1:PORT`
    pub(crate) host: String,
}

impl Server {
    pub(crate) fn start(mut command: Command) -> Self {
        let mut child = command
            .stdin(Stdio::null())
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .unwrap();
        let mut line = String::new();
        BufReader::new(child.stdout.take().unwrap())
            .read_line(&mut line)
            .unwrap();
        let host = line
            .trim()
            .strip_prefix("Lacet is at http://")
            .and_then(|h| h.strip_suffix('/'));
        let Some(host) = host.map(str::to_owned) else {
            let mut talk = String::new();
            let _ = child.kill();
            child
                .stderr
                .take()
                .unwrap()
                .read_to_string(&mut talk)
                .unwrap();
            panic!("it does not serve: {line:?} {talk}");
        };
        Server { child, host }
    }

    /// Memory in use, where the system tells.
    pub(crate) fn memory_kb(&self) -> Option<u64> {
        let status = std::fs::read_to_string(format!("/proc/{}/status", self.child.id())).ok()?;
        let line = status.lines().find(|l| l.starts_with("VmRSS:"))?;
        line.split_whitespace().nth(1)?.parse().ok()
    }

    /// Ends it like a pulled plug.
    pub(crate) fn kill(&mut self) {
        self.child.kill().unwrap();
        self.child.wait().unwrap();
    }

    /// Asks it to end, as Ctrl-C does.
    pub(crate) fn stop(mut self) -> Option<i32> {
        signal("INT", &self.child);
        self.child.wait().unwrap().code()
    }
}

impl Drop for Server {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

pub(crate) fn signal(name: &str, child: &Child) {
    let sent = Command::new("kill")
        .args([&format!("-{name}"), &child.id().to_string()])
        .status();
    assert!(sent.unwrap().success());
}

/// Two towns' worth of roads, 500 m a step, and an island that no road leads to. `AB` is named and
/// one-way eastwards; `BE` is gravel.
pub(crate) fn small_map() -> World {
    synth::ascii("A--B--C\n|  |  |\nD--E--F\n\nX--Y")
        .spacing_m(500.0)
        .way(
            "AB",
            &[
                ("name", "Kehrenstraße"),
                ("oneway", "yes"),
                ("surface", "asphalt"),
            ],
        )
        .way("BE", &[("surface", "gravel")])
        .place(
            'C',
            (40.0, 40.0),
            &[("place", "village"), ("name", "Ćwiklice"), ("ele", "412")],
        )
        .build()
        .unwrap()
}

/// `stop:LAT,LON` of a letter.
pub(crate) fn stop(world: &World, letter: char) -> String {
    let (lat, lon) = world.lat_lon(letter).unwrap();
    format!("stop:{lat:.7},{lon:.7}")
}

/// A tour document of stops, on a region.
pub(crate) fn tour(world: &World, region: &str, name: &str, letters: &str) -> Value {
    let points: Vec<Value> = letters
        .chars()
        .map(|l| {
            let (lat, lon) = world.lat_lon(l).unwrap();
            serde_json::json!({"kind": "stop", "lat": lat, "lon": lon})
        })
        .collect();
    serde_json::json!({
        "format": "lacet-tour-1", "name": name, "region": region, "taste": "shortest", "points": points
    })
}

/// Files in a folder, hidden ones too, sorted.
pub(crate) fn names_in(folder: &Path) -> Vec<String> {
    let mut names: Vec<String> = std::fs::read_dir(folder)
        .map(|entries| {
            entries
                .map(|e| e.unwrap().file_name().into_string().unwrap())
                .collect()
        })
        .unwrap_or_default();
    names.sort();
    names
}
