//! Full disks, pulled plugs, and others in the way: nothing half-written, nothing lost.

use std::io::{BufRead, BufReader};
use std::path::Path;
use std::process::{Command, Stdio};
use std::sync::atomic::{AtomicU64, Ordering};

use serde_json::json;

use crate::{Home, Server, names_in, signal, small_map, stop, tour};

#[test]
fn a_port_in_use_is_named() {
    let home = Home::new();
    let taken = std::net::TcpListener::bind("127.0.0.1:0").unwrap();
    let addr = taken.local_addr().unwrap();
    let ran = home.lacet(&["serve", "--listen", &addr.to_string()]);
    ran.refused(1, &[&addr.port().to_string(), "in use", "--listen"]);
    // The attempt does not keep the next one from serving.
    home.serve();
}

#[test]
fn a_second_server_is_sent_to_the_first() {
    let home = Home::new();
    let mut first = home.serve();
    let ran = home.lacet(&["serve", "--listen", "127.0.0.1:0"]);
    ran.refused(1, &["already served", &first.host]);
    // Other commands work beside it.
    home.import("klein", &small_map());
    assert_eq!(first.get("/api/regions").expect(200)[0]["name"], "klein");
    // A server that was killed leaves no lock.
    first.kill();
    home.serve();
}

#[test]
fn a_killed_server_keeps_every_acknowledged_save() {
    let home = Home::new();
    let map = small_map();
    let mut server = home.serve();
    let document = |n: u64| tour(&map, "klein", &format!("change {n}"), "AC");
    let made = server
        .send("POST", "/api/tours", &json!({"tour": document(1)}))
        .expect(201);
    let at = format!("/api/tours/{}", made["id"].as_str().unwrap());
    let mut revision = 1;
    for round in 1..=8_u64 {
        // Saves as fast as they are answered, until the plug is pulled.
        let acknowledged = AtomicU64::new(revision);
        std::thread::scope(|s| {
            let saving = s.spawn(|| {
                let mut n = revision;
                loop {
                    let save = json!({"revision": n, "tour": document(n + 1)});
                    let Some(answer) = server.try_send("PUT", &at, &save) else {
                        return;
                    };
                    n = answer.expect(200)["revision"].as_u64().unwrap();
                    acknowledged.store(n, Ordering::SeqCst);
                }
            });
            while acknowledged.load(Ordering::SeqCst) < revision + round {
                std::thread::yield_now();
            }
            signal("KILL", &server.child);
            saving.join().unwrap();
        });
        server.kill();
        server = home.serve();
        let kept = server.get(&at).expect(200);
        let (last, kept_revision) = (
            acknowledged.into_inner(),
            kept["revision"].as_u64().unwrap(),
        );
        assert!(
            kept_revision == last || kept_revision == last + 1,
            "{kept_revision} after {last}"
        );
        assert_eq!(kept["tour"]["name"], format!("change {kept_revision}"));
        revision = kept_revision;
    }
}

#[test]
fn a_newer_shelf_is_refused() {
    let home = Home::new();
    assert_eq!(home.serve().stop(), Some(0));
    let shelf = home.data().join("shelf.sqlite");
    let mut bytes = std::fs::read(&shelf).unwrap();
    // `user_version` in the header, SQLite file format, 1.3.12.
    bytes[60..64].copy_from_slice(&99_u32.to_be_bytes());
    std::fs::write(&shelf, &bytes).unwrap();
    home.lacet(&["serve", "--listen", "127.0.0.1:0"])
        .refused(2, &["newer", "layout 99"]);
    std::fs::write(
        &shelf,
        "Dear aunt, this is not a database, but it is long enough to be one.",
    )
    .unwrap();
    home.lacet(&["serve", "--listen", "127.0.0.1:0"])
        .refused(2, &["shelf.sqlite", "not a shelf"]);
}

#[test]
fn a_file_that_may_not_grow_stops_the_import_cleanly() {
    let home = Home::new();
    let map = small_map();
    home.import("klein", &map);
    let before = std::fs::read(home.region("klein")).unwrap();
    // Files may have 512 bytes at most; without the trap the system would kill the process.
    let ran = home.shell("trap '' XFSZ; ulimit -f 1; \"$LACET\" import klein klein.osm");
    ran.refused(1, &["region file"]);
    assert_eq!(std::fs::read(home.region("klein")).unwrap(), before);
    assert_eq!(names_in(&home.data().join("regions")), ["klein.region"]);

    let (a, c) = (stop(&map, 'A'), stop(&map, 'C'));
    std::fs::write(home.path("day.gpx"), "the old one").unwrap();
    let plan = format!("\"$LACET\" plan --region klein {a} {c} --gpx day.gpx");
    let ran = home.shell(&format!("trap '' XFSZ; ulimit -f 0; {plan}"));
    ran.refused(1, &["day.gpx"]);
    assert_eq!(
        std::fs::read_to_string(home.path("day.gpx")).unwrap(),
        "the old one"
    );
    assert!(
        !names_in(&home.path(""))
            .iter()
            .any(|n| n.starts_with(".lacet-"))
    );
}

#[test]
fn output_that_cannot_be_written_is_an_error() {
    if !Path::new("/dev/full").exists() {
        println!("skipped: there is no /dev/full");
        return;
    }
    let home = Home::new();
    let map = small_map();
    home.import("klein", &map);
    home.shell("\"$LACET\" regions > /dev/full")
        .refused(1, &["standard output"]);
    let (a, c) = (stop(&map, 'A'), stop(&map, 'C'));
    let plan = format!("\"$LACET\" plan --region klein {a} {c} --gpx /dev/full");
    home.shell(&plan).refused(1, &["/dev/full", "room"]);
    // Who reads only the beginning is no failure.
    home.shell("\"$LACET\" regions | true").fine();
}

/// A file system of one size; unmounted when dropped.
struct SmallDisk<'a>(&'a Path);

impl<'a> SmallDisk<'a> {
    fn mount(at: &'a Path, size: &str) -> Option<Self> {
        std::fs::create_dir(at).unwrap();
        let size = format!("size={size}");
        let mut mount = Command::new("mount");
        mount.args(["-t", "tmpfs", "-o", &size, "tmpfs"]).arg(at);
        let done = mount.stderr(Stdio::null()).status();
        done.is_ok_and(|s| s.success()).then_some(SmallDisk(at))
    }
}

impl Drop for SmallDisk<'_> {
    fn drop(&mut self) {
        let _ = Command::new("umount").arg("-l").arg(self.0).status();
    }
}

#[test]
fn a_full_disk_loses_nothing_that_was_kept() {
    let home = Home::new();
    let map = small_map();
    let at = home.path("disk");
    let Some(_disk) = SmallDisk::mount(&at, "600k") else {
        println!("skipped: no right to mount a small disk");
        return;
    };
    let file = home.path("klein.osm");
    map.write_xml(&file).unwrap();
    let data = at.to_str().unwrap();
    home.lacet(&["--data", data, "import", "klein", file.to_str().unwrap()])
        .fine();
    let mut command = home.command();
    command.args(["--data", data, "serve", "--listen", "127.0.0.1:0"]);
    let server = Server::start(command);
    let document = |n: u64| {
        tour(
            &map,
            "klein",
            &format!("change {n} {}", "x".repeat(2000)),
            "AC",
        )
    };
    let made = server
        .send("POST", "/api/tours", &json!({"tour": document(1)}))
        .expect(201);
    let path = format!("/api/tours/{}", made["id"].as_str().unwrap());
    let mut revision = 1;
    let refusal = loop {
        let save = json!({"revision": revision, "tour": document(revision + 1)});
        let answer = server.send("PUT", &path, &save);
        if answer.status != 200 {
            break answer.refused(507);
        }
        revision += 1;
        assert!(revision < 2000, "the disk never filled");
    };
    assert!(refusal.contains("full"), "{refusal}");
    let kept = server.get(&path).expect(200);
    assert_eq!(kept["revision"], revision);
    let ran = home.lacet(&["--data", data, "import", "other", file.to_str().unwrap()]);
    ran.refused(1, &["region file", "room"]);
    assert_eq!(names_in(&at.join("regions")), ["klein.region"]);
    // With room again, the same save goes through and the region is still good.
    let more = Command::new("mount")
        .args(["-o", "remount,size=4m"])
        .arg(&at)
        .status();
    assert!(more.unwrap().success());
    let save = json!({"revision": revision, "tour": document(revision + 1)});
    assert_eq!(
        server.send("PUT", &path, &save).expect(200)["revision"],
        revision + 1
    );
    let regions = server.get("/api/regions").expect(200);
    assert!(regions[0]["trouble"].is_null());
}

#[test]
fn a_canceled_demo_leaves_nothing() {
    let home = Home::new();
    let mut command = home.command();
    command.args(["demo", "--no-open"]).stdin(Stdio::null());
    let mut child = command
        .stdout(Stdio::null())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    let mut talk = BufReader::new(child.stderr.take().unwrap()).lines();
    talk.next().unwrap().unwrap();
    signal("INT", &child);
    let rest: Vec<String> = talk.map(|l| l.unwrap()).collect();
    assert_eq!(child.wait().unwrap().code(), Some(1), "{rest:?}");
    assert!(
        rest.iter()
            .any(|l| l == "error: canceled; nothing was changed"),
        "{rest:?}"
    );
    assert_eq!(names_in(&home.data()), ["regions"]);
    assert!(names_in(&home.data().join("regions")).is_empty());
}
