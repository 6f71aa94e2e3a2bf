//! The shelf on the command line and over HTTP, and what keeps strangers out.

use std::io::{Cursor, Read, Write};
use std::net::TcpStream;
use std::time::{Duration, Instant};

use serde_json::{Value, json};
use zip::write::SimpleFileOptions;

use crate::{Home, Server, names_in, small_map, tour};

/// A ride of so many points, one a second, north-eastwards from a place; GPX.
fn ride(lat: f64, lon: f64, points: usize, day: usize) -> String {
    let point = |i: usize| {
        let (lat, lon) = (
            lat + i as f64 * 1.5e-4,
            lon + (i as f64 / 30.0).sin() * 1e-3,
        );
        let (h, m, s) = (8 + i / 3600, i / 60 % 60, i % 60);
        format!(
            "<trkpt lat=\"{lat:.7}\" lon=\"{lon:.7}\"><ele>{}</ele><time>2024-05-{day:02}T{h:02}:{m:02}:{s:02}Z</time></trkpt>",
            400 + i / 3
        )
    };
    let points: String = (0..points).map(point).collect();
    format!(
        "<gpx version=\"1.1\" xmlns=\"http://www.topografix.com/GPX/1/1\"><trk><name>Ride {day}</name><trkseg>{points}</trkseg></trk></gpx>"
    )
}

/// Waits until an import is over.
fn finished(server: &Server, number: &Value) -> Value {
    let start = Instant::now();
    loop {
        let all = server.get("/api/shelf/imports").expect(200);
        let import = all
            .as_array()
            .unwrap()
            .iter()
            .find(|i| i["number"] == *number)
            .unwrap()
            .clone();
        if !matches!(import["state"].as_str().unwrap(), "waiting" | "running") {
            return import;
        }
        assert!(start.elapsed() < Duration::from_secs(60), "{import}");
        std::thread::sleep(Duration::from_millis(20));
    }
}

#[test]
fn the_shelf_on_the_command_line() {
    let home = Home::new();
    home.import("klein", &small_map());
    let folder = home.path("rides");
    std::fs::create_dir(&folder).unwrap();
    // Through the village of the small map, and far away.
    let (lat, lon) = small_map().lat_lon('C').unwrap();
    std::fs::write(folder.join("a.gpx"), ride(lat - 0.01, lon - 0.002, 300, 1)).unwrap();
    std::fs::write(folder.join("b.gpx"), ride(60.0, 10.0, 600, 2)).unwrap();
    std::fs::write(folder.join("copy.gpx"), ride(60.0, 10.0, 600, 2)).unwrap();
    std::fs::write(folder.join("bad.gpx"), "<gpx><trk>").unwrap();
    let done = home.lacet(&["shelf", "import", "rides", "--json"]).json();
    assert_eq!(
        (&done["kept"], &done["same_file"], &done["recordings"]),
        (&json!(2), &json!(1), &json!(2)),
        "{done}"
    );
    assert!(
        done["broken"][0]["file"]
            .as_str()
            .unwrap()
            .ends_with("bad.gpx")
    );
    let again = home.lacet(&["shelf", "import", "rides", "--json"]).json();
    assert_eq!(
        (&again["done_before"], &again["recordings"]),
        (&json!(4), &json!(0))
    );

    let list = |args: &[&str]| {
        home.lacet(&[&["shelf", "list", "--json"], args].concat())
            .json()
    };
    assert_eq!(list(&[]).as_array().unwrap().len(), 2);
    let near = list(&["region:klein"]);
    assert_eq!(near.as_array().unwrap().len(), 1, "{near}");
    assert_eq!(
        list(&["cwikl"])[0]["name"],
        "Ride 1",
        "the village on the way is no word for it"
    );
    assert_eq!(list(&["date:2024-05-02"])[0]["name"], "Ride 2");
    assert_eq!(
        list(&["in:9.9,59.9,10.1,60.2", "kind:recording"])[0]["name"],
        "Ride 2"
    );
    assert_eq!(list(&["name:Ride 2"])[0]["name"], "Ride 2");
    assert_eq!(list(&["nothing"]), json!([]));
    home.lacet(&["shelf", "list", "colour:red"])
        .refused(1, &["'colour:'", "length"]);
    let text = home.lacet(&["shelf", "list"]).fine();
    assert_eq!(text.lines().count(), 2);

    let key = near[0]["key"].as_str().unwrap();
    home.lacet(&["shelf", "export", key, "-o", "one.zip"])
        .fine();
    home.lacet(&["shelf", "export", "all", "-o", "all.zip"])
        .fine();
    home.lacet(&["shelf", "export", "r999", "-o", "no.zip"])
        .refused(1, &["r999"]);
    home.lacet(&["shelf", "export", "../x", "-o", "no.zip"])
        .refused(1, &["no key"]);
    assert!(!home.path("no.zip").exists());
    let other = home.path("other");
    let other = ["--data", other.to_str().unwrap()];
    home.lacet(&[&other[..], &["shelf", "import", "all.zip"]].concat())
        .fine();
    let there = home
        .lacet(&[&other[..], &["shelf", "list", "--json"]].concat())
        .json();
    assert_eq!(there.as_array().unwrap().len(), 2);

    // While it is served.
    let server = home.serve();
    home.lacet(&["shelf", "backup", "b.sqlite"]).fine();
    home.lacet(&["shelf", "backup", "rides/bad.gpx"])
        .refused(1, &["not replaced"]);
    std::fs::write(folder.join("c.gpx"), ride(50.0, 10.0, 300, 3)).unwrap();
    home.lacet(&["shelf", "import", "rides"]).fine();
    assert_eq!(server.get("/api/shelf").expect(200)["total"], 3);
    home.lacet(&["shelf", "import", "nowhere"])
        .refused(1, &["nowhere"]);
    std::fs::create_dir(home.path("empty")).unwrap();
    home.lacet(&["shelf", "import", "empty"])
        .refused(1, &["no GPX"]);
}

#[test]
fn the_shelf_over_http() {
    let home = Home::new();
    let map = small_map();
    home.import("klein", &map);
    let server = home.serve();
    let first = server
        .upload(
            "/api/shelf/imports?name=first%20ride.gpx",
            ride(45.0, 7.0, 400, 1).as_bytes(),
        )
        .expect(202);
    let done = finished(&server, &first["number"]);
    assert_eq!(
        (&done["state"], &done["recordings"]),
        (&json!("done"), &json!(1)),
        "{done}"
    );
    let key = done["keys"][0].as_str().unwrap().to_owned();

    let mut zip = zip::ZipWriter::new(Cursor::new(Vec::new()));
    for (n, name) in ["x/one.gpx", "../../../two.gpx", "broken.gpx"]
        .iter()
        .enumerate()
    {
        zip.start_file(*name, SimpleFileOptions::default()).unwrap();
        let text = if n == 2 {
            "<html></html>".into()
        } else {
            ride(46.0 + n as f64, 7.0, 400, 10 + n)
        };
        zip.write_all(text.as_bytes()).unwrap();
    }
    let zip = zip.finish().unwrap().into_inner();
    let second = server
        .upload("/api/shelf/imports?name=..%2F..%2Fevil.zip", &zip)
        .expect(202);
    assert_eq!(second["name"], "evil.zip");
    let done = finished(&server, &second["number"]);
    assert_eq!(
        (&done["files"], &done["kept"], &done["broken"]),
        (&json!(3), &json!(2), &json!(1)),
        "{done}"
    );
    assert_eq!(done["troubles"][0]["file"], "evil.zip: broken.gpx");
    assert_eq!(
        server
            .get("/api/shelf/troubles")
            .expect(200)
            .as_array()
            .unwrap()
            .len(),
        1
    );
    assert!(
        names_in(&home.data().join("incoming")).is_empty(),
        "what was imported still lies about"
    );

    let found = server.get("/api/shelf?q=ride&limit=2").expect(200);
    assert_eq!(
        (
            found["total"].clone(),
            found["cards"].as_array().unwrap().len()
        ),
        (json!(3), 2)
    );
    assert_eq!(
        server.get("/api/shelf?q=in:6.9,44.9,7.1,45.1").expect(200)["cards"][0]["key"],
        key.as_str()
    );
    assert_eq!(
        server.get(&format!("/api/shelf?like={key}")).expect(200)["alike"][0],
        1.0
    );
    server.get("/api/shelf?q=length:far").refused(400);
    server.get("/api/shelf?like=r77").refused(404);
    server.get("/api/shelf?like=../t1").refused(404);

    // The map, and that it is new after every change.
    let (x, y) = (1063, 736);
    let tile = server.get(&format!("/api/shelf/tiles/11/{x}/{y}"));
    assert_eq!(tile.status, 200);
    assert_eq!(
        tile.header("content-type"),
        Some("application/vnd.mapbox-vector-tile")
    );
    let tag = tile.header("etag").unwrap().to_owned();
    let address = format!("/api/shelf/tiles/11/{x}/{y}");
    assert_eq!(
        server.get_with(&address, &[("If-None-Match", &tag)]).status,
        304
    );
    assert_eq!(server.get(&format!("{address}?q=nothing")).status, 204);
    for bad in ["17/0/0", "3/8/0", "a/0/0", "-1/0/0", "0/0/99999999999"] {
        server.get(&format!("/api/shelf/tiles/{bad}")).refused(404);
    }

    let item = server.get(&format!("/api/shelf/items/{key}")).expect(200);
    assert_eq!(
        (&item["recording"]["points"], &item["recording"]["file"]),
        (&json!(400), &json!("first ride"))
    );
    assert!(item["line"][0].as_array().unwrap().len() > 5);
    let change =
        json!({"revision": 1, "name": "Renamed", "note": "wet", "tags": ["Club"], "rating": 4});
    let path = format!("/api/shelf/items/{key}");
    assert_eq!(
        server.send("PATCH", &path, &change).expect(200)["revision"],
        2
    );
    // The second window is told, and neither is overwritten.
    let stale = json!({"revision": 1, "name": "Other"});
    server.send("PATCH", &path, &stale).refused(409);
    assert_eq!(
        server.get("/api/shelf?q=tag:club%20wet").expect(200)["cards"][0]["name"],
        "Renamed"
    );
    assert_eq!(
        server.get_with(&address, &[("If-None-Match", &tag)]).status,
        200
    );
    let copy = server.get(&format!("{path}/copy?region=klein")).expect(200);
    assert_eq!(copy["tour"]["region"], "klein");
    let original = server.get(&format!("{path}/original"));
    assert_eq!(original.body, ride(45.0, 7.0, 400, 1).as_bytes());
    assert_eq!(
        original.header("content-disposition"),
        Some("attachment; filename=\"first-ride.gpx\"")
    );
    assert_eq!(server.get(&format!("{path}/gpx")).status, 200);
    server.get(&format!("{path}/photo")).refused(404);
    server
        .get(&format!("{path}/..%2f..%2fshelf.sqlite"))
        .refused(404);
    server.send("DELETE", &path, &Value::Null).expect(204);
    assert_eq!(server.get("/api/shelf").expect(200)["total"], 2);
    server
        .send("POST", &format!("{path}/restore"), &Value::Null)
        .expect(204);

    let mark = json!({"name": "Bakery", "at": [45.5, 7.5], "rating": 5});
    let mark = server.send("POST", "/api/shelf/marks", &mark).expect(201)["key"]
        .as_str()
        .unwrap()
        .to_owned();
    server
        .send("POST", "/api/shelf/marks", &json!({"at": [95, 7]}))
        .refused(422);
    let moved = json!({"revision": 1, "at": [45.6, 7.6], "road": [[45.6, 7.6], [45.7, 7.7]]});
    assert_eq!(
        server
            .send("PUT", &format!("/api/shelf/marks/{mark}"), &moved)
            .expect(200)["revision"],
        2
    );
    server
        .send("PUT", &format!("/api/shelf/marks/{mark}"), &moved)
        .refused(409);
    assert_eq!(
        server.get("/api/shelf/marks").expect(200)[0]["at"],
        json!([45.6, 7.6])
    );
    server
        .upload("/api/shelf/photos", b"<svg onload='alert(1)'/>")
        .refused(422);
    server
        .upload("/api/shelf/photos", b"\xff\xd8\xff\xd9")
        .refused(422);
    let photo = server
        .upload(
            "/api/shelf/photos?name=View&lat=45.5&lon=7.5",
            b"\xff\xd8\xff\xd9",
        )
        .expect(201);
    let picture = server.get(&format!(
        "/api/shelf/items/{}/photo",
        photo["key"].as_str().unwrap()
    ));
    assert_eq!(
        (picture.header("content-type"), picture.body.as_slice()),
        (Some("image/jpeg"), &b"\xff\xd8\xff\xd9"[..])
    );
    assert_eq!(picture.header("x-content-type-options"), Some("nosniff"));

    let planned = json!({"tour": tour(&map, "klein", "Planned", "AFC")});
    let planned = server.send("POST", "/api/tours", &planned).expect(201)["id"]
        .as_str()
        .unwrap()
        .to_owned();
    // Soon it is found where its line runs, and with the time it takes.
    let (lat, lon) = map.lat_lon('C').unwrap();
    let near = format!(
        "/api/shelf?q=kind:tour%20time:1min..%20in:{},{},{},{}",
        lon - 0.001,
        lat - 0.001,
        lon + 0.001,
        lat + 0.001
    );
    let start = Instant::now();
    while server.get(&near).expect(200)["total"] != 1 {
        assert!(
            start.elapsed() < Duration::from_secs(30),
            "the line of a tour never came to the shelf"
        );
        std::thread::sleep(Duration::from_millis(100));
    }
    let collection = json!({"name": "Club", "members": [key, planned, mark]});
    let made = server
        .send("POST", "/api/shelf/collections", &collection)
        .expect(201);
    let number = made["number"].as_i64().unwrap();
    let path = format!("/api/shelf/collections/{number}");
    let save = json!({"revision": 1, "name": "Club rides", "members": [planned, key, mark]});
    assert_eq!(server.send("PUT", &path, &save).expect(200)["revision"], 2);
    server.send("PUT", &path, &save).refused(409);
    server
        .send(
            "PUT",
            &path,
            &json!({"revision": 2, "name": "x", "members": ["../"]}),
        )
        .refused(404);
    assert_eq!(
        server.get(&path).expect(200)["members"],
        json!([planned, key, mark])
    );
    let zip = server.get(&format!("/api/shelf/export?collection={number}"));
    assert_eq!(zip.header("content-type"), Some("application/zip"));
    let mut archive = zip::ZipArchive::new(Cursor::new(zip.body)).unwrap();
    let mut page = String::new();
    archive
        .by_name("index.html")
        .unwrap()
        .read_to_string(&mut page)
        .unwrap();
    assert!(
        page.contains("Club rides") && page.contains("Planned") && page.contains("Bakery"),
        "{page}"
    );
    let all = server.get("/api/shelf/export");
    assert_eq!(all.status, 200);
    server.get("/api/shelf/export?keys=t1,zzz").refused(404);
    server.get("/api/shelf/export?collection=99").refused(404);
    server.send("DELETE", &path, &Value::Null).expect(204);
    server
        .send("POST", &format!("{path}/restore"), &Value::Null)
        .expect(204);
    server
        .send("DELETE", "/api/shelf/imports/99", &Value::Null)
        .refused(404);
    // The zip comes in again at another home and is recognised.
    let other = Home::new();
    let there = other.serve();
    let sent = there
        .upload("/api/shelf/imports?name=all.zip", &all.body)
        .expect(202);
    assert_eq!(finished(&there, &sent["number"])["state"], "done");
    assert_eq!(
        there.get("/api/shelf").expect(200)["total"],
        server.get("/api/shelf").expect(200)["total"]
    );
}

#[test]
fn an_upload_that_was_taken_is_imported_after_a_crash_and_half_ones_are_thrown_away() {
    let home = Home::new();
    let folder = home.data().join("incoming/7");
    std::fs::create_dir_all(&folder).unwrap();
    std::fs::write(folder.join("taken.gpx"), ride(45.0, 7.0, 300, 1)).unwrap();
    let half = home.data().join("incoming/8");
    std::fs::create_dir_all(&half).unwrap();
    std::fs::write(half.join("upload.part"), "<gpx").unwrap();
    let server = home.serve();
    let done = finished(&server, &json!(7));
    assert_eq!(
        (&done["state"], &done["recordings"]),
        (&json!("done"), &json!(1)),
        "{done}"
    );
    assert!(names_in(&home.data().join("incoming")).is_empty());
}

#[test]
fn oversize_and_broken_uploads_leave_nothing() {
    let home = Home::new();
    let server = home.serve();
    let host = server.host.clone();
    let claim = |len: &str| {
        server
            .raw(
                "POST",
                "/api/shelf/imports?name=a.gpx",
                &[("Host", &host), ("Content-Length", len)],
                b"",
            )
            .unwrap()
    };
    claim("5000000000").refused(413);
    server.upload("/api/shelf/imports", b"").refused(400);
    // The sender goes away in the middle.
    let mut stream = TcpStream::connect(&host).unwrap();
    write!(
        stream,
        "POST /api/shelf/imports HTTP/1.1\r\nHost: {host}\r\nContent-Length: 1000\r\n\r\n<gpx"
    )
    .unwrap();
    std::thread::sleep(Duration::from_millis(200));
    drop(stream);
    let start = Instant::now();
    while !names_in(&home.data().join("incoming")).is_empty() {
        assert!(
            start.elapsed() < Duration::from_secs(20),
            "half an upload lies about"
        );
        std::thread::sleep(Duration::from_millis(50));
    }
    // Nothing of it was a ride.
    assert_eq!(server.get("/api/shelf").expect(200)["total"], 0);
    let huge = format!(
        "{{\"name\": \"{}\", \"at\": [1, 2]}}",
        "x".repeat(3_000_000)
    );
    let len = huge.len().to_string();
    let headers = [
        ("Host", host.as_str()),
        ("Content-Type", "application/json"),
        ("Content-Length", &len),
    ];
    if let Some(answer) = server.raw("POST", "/api/shelf/marks", &headers, huge.as_bytes()) {
        answer.refused(413);
    }
}

#[test]
fn slow_headers_and_slow_uploads_are_given_up() {
    let home = Home::new();
    let server = home.serve();
    let host = server.host.clone();
    // One that says nothing, one that drips its headers, one that drips its file: all at once.
    let silent = TcpStream::connect(&host).unwrap();
    let mut dripping = TcpStream::connect(&host).unwrap();
    write!(dripping, "GET / HTTP/1.1\r\nHost: {host}\r\n").unwrap();
    let mut upload = TcpStream::connect(&host).unwrap();
    write!(
        upload,
        "POST /api/shelf/imports HTTP/1.1\r\nHost: {host}\r\nContent-Length: 100000000\r\n\r\n"
    )
    .unwrap();
    let start = Instant::now();
    std::thread::scope(|s| {
        s.spawn(|| {
            let mut upload = &upload;
            while start.elapsed() < Duration::from_secs(40) && upload.write_all(b"<gpx>").is_ok() {
                std::thread::sleep(Duration::from_millis(500));
            }
        });
        for (mut stream, what) in [
            (&silent, "silence"),
            (&dripping, "headers"),
            (&upload, "upload"),
        ] {
            stream
                .set_read_timeout(Some(Duration::from_secs(45)))
                .unwrap();
            let mut answer = Vec::new();
            let ended = stream.read_to_end(&mut answer);
            let text = String::from_utf8_lossy(&answer);
            // Closed with or without a word, but closed.
            assert!(
                !matches!(&ended, Err(e) if e.kind() == std::io::ErrorKind::WouldBlock),
                "{what} was not given up"
            );
            assert!(
                answer.is_empty() || text.contains(" 408 ") || text.contains(" 400 "),
                "{what}: {text}"
            );
            assert!(
                start.elapsed() < Duration::from_secs(40),
                "{what} lasted too long"
            );
        }
    });
    // Others were served meanwhile, and still are.
    assert_eq!(server.get("/api/shelf").status, 200);
    assert!(names_in(&home.data().join("incoming")).is_empty());
}

/// A server behind a proxy, asked as the proxy would.
struct Proxied {
    server: Server,
    home: Home,
}

impl Proxied {
    fn new() -> Self {
        let home = Home::new();
        let mut set = home.command();
        set.arg("password").stdin(std::process::Stdio::piped());
        let mut set = set.spawn().unwrap();
        set.stdin
            .take()
            .unwrap()
            .write_all(b"a long enough password\n")
            .unwrap();
        assert!(set.wait().unwrap().success());
        let mut command = home.command();
        command.args([
            "serve",
            "--listen",
            "127.0.0.1:0",
            "--behind-proxy",
            "tours.example",
        ]);
        Proxied {
            server: Server::start(command),
            home,
        }
    }

    fn ask(
        &self,
        method: &str,
        target: &str,
        more: &[(&str, &str)],
        body: &str,
    ) -> crate::web::Answer {
        let len = body.len().to_string();
        let mut headers = vec![
            ("Host", "tours.example"),
            ("Content-Length", len.as_str()),
            ("Content-Type", "application/json"),
        ];
        headers.extend(more);
        self.server
            .raw(method, target, &headers, body.as_bytes())
            .unwrap()
    }

    fn log_in(&self, password: &str, from: &str) -> crate::web::Answer {
        let body = json!({ "password": password }).to_string();
        self.ask("POST", "/api/login", &[("X-Forwarded-For", from)], &body)
    }
}

#[test]
fn other_machines_need_the_password() {
    let home = Home::new();
    home.lacet(&["serve", "--listen", "0.0.0.0:0"])
        .refused(1, &["other machines", "--tls-cert"]);
    home.lacet(&["serve", "--behind-proxy", "tours.example"])
        .refused(1, &["no password", "lacet password"]);
    let short = home.shell("echo short | $LACET password");
    short.refused(1, &["10 characters"]);

    let there = Proxied::new();
    let kept = std::fs::read_to_string(there.home.data().join("password")).unwrap();
    // RFC 9106's second recommended option.
    assert!(
        kept.starts_with("$argon2id$v=19$m=65536,t=3,p=4$"),
        "{kept}"
    );
    #[cfg(unix)]
    {
        use std::os::unix::fs::PermissionsExt;
        let mode = there
            .home
            .data()
            .join("password")
            .metadata()
            .unwrap()
            .permissions()
            .mode();
        assert_eq!(mode & 0o777, 0o600);
    }
    for (method, target) in [
        ("GET", "/api/tours"),
        ("GET", "/api/shelf"),
        ("POST", "/api/tours"),
        ("GET", "/api/shelf/export"),
        ("GET", "/api/openapi.json"),
        ("GET", "/api/nothing"),
        ("GET", "//api/tours"),
        ("GET", "/api/../api/tours"),
    ] {
        let answer = there.ask(method, target, &[], "");
        assert_eq!(answer.status, 401, "{method} {target}");
        assert!(!String::from_utf8_lossy(&answer.body).contains("lacet-tour"));
    }
    let page = there.ask("GET", "/", &[], "");
    let text = String::from_utf8(page.body.clone()).unwrap();
    assert!(
        page.status == 401 && text.contains("Password") && !text.contains("<script"),
        "{text}"
    );
    for odd in [
        "__Host-lacet=",
        "__Host-lacet=0",
        "__Host-lacet=../../x",
        "lacet=1; __Host-lacet=\u{e9}",
        "=;;=",
    ] {
        assert_eq!(
            there
                .ask("GET", "/api/tours", &[("Cookie", odd)], "")
                .status,
            401,
            "{odd}"
        );
    }
    there
        .log_in("wrong but long enough", "203.0.113.1")
        .refused(403);
    let answer = there.log_in("a long enough password", "203.0.113.1");
    assert_eq!(answer.status, 200);
    let cookie = answer.header("set-cookie").unwrap().to_owned();
    for part in [
        "__Host-lacet=",
        "HttpOnly",
        "SameSite=Strict",
        "Secure",
        "Path=/",
    ] {
        assert!(cookie.contains(part), "{cookie}");
    }
    let cookie = cookie.split(';').next().unwrap();
    assert_eq!(
        there
            .ask("GET", "/api/tours", &[("Cookie", cookie)], "")
            .status,
        200
    );
    // A session is no pass for another page, nor under another name.
    assert_eq!(
        there
            .ask(
                "GET",
                "/api/tours",
                &[("Cookie", cookie), ("Origin", "https://evil.example")],
                ""
            )
            .status,
        403
    );
    assert_eq!(
        there
            .ask(
                "GET",
                "/api/tours",
                &[("Cookie", cookie), ("Origin", "http://tours.example")],
                ""
            )
            .status,
        403
    );
    assert_eq!(
        there
            .ask(
                "GET",
                "/api/tours",
                &[("Cookie", cookie), ("Origin", "https://tours.example")],
                ""
            )
            .status,
        200
    );
    let foreign = [("Host", "evil.example"), ("Cookie", cookie)];
    assert_eq!(
        there
            .server
            .raw("GET", "/api/tours", &foreign, b"")
            .unwrap()
            .status,
        403
    );
    assert_eq!(
        there
            .ask("POST", "/api/logout", &[("Cookie", cookie)], "")
            .status,
        204
    );
    assert_eq!(
        there
            .ask("GET", "/api/tours", &[("Cookie", cookie)], "")
            .status,
        401
    );
    // The form of the page, which has no script.
    let form = [
        ("Content-Type", "application/x-www-form-urlencoded"),
        ("Host", "tours.example"),
        ("Content-Length", "31"),
    ];
    let answer = there
        .server
        .raw(
            "POST",
            "/api/login",
            &form,
            b"password=a+long+enough+password",
        )
        .unwrap();
    assert_eq!((answer.status, answer.header("location")), (303, Some("/")));
}

#[test]
fn guessing_the_password_is_slowed_down_for_who_guesses() {
    let there = Proxied::new();
    let mut waits = 0;
    for guess in 0..12 {
        let answer = there.log_in(&format!("password guess {guess}"), "198.51.100.7");
        match answer.status {
            403 => {}
            429 => {
                assert!(
                    answer
                        .header("retry-after")
                        .unwrap()
                        .parse::<u32>()
                        .unwrap()
                        >= 1
                );
                waits += 1;
            }
            other => panic!("{other}"),
        }
    }
    assert!(waits >= 3, "only {waits} of 12 guesses were put off");
    // Even the right one must wait; and what the guesser writes into the header does not help.
    let spoofed = there.log_in("a long enough password", "192.0.2.55, 198.51.100.7");
    assert_eq!(spoofed.status, 429);
    // The rider, elsewhere, gets in.
    assert_eq!(
        there.log_in("a long enough password", "203.0.113.9").status,
        200
    );
    let long = "x".repeat(3000);
    assert_eq!(there.log_in(&long, "203.0.113.10").status, 400);
}

#[test]
fn tls_is_served_with_a_certificate() {
    let home = Home::new();
    let made = std::process::Command::new("openssl")
        .args([
            "req",
            "-x509",
            "-newkey",
            "ec",
            "-pkeyopt",
            "ec_paramgen_curve:P-256",
            "-nodes",
            "-days",
            "2",
            "-subj",
            "/CN=localhost",
            "-addext",
            "subjectAltName=DNS:localhost",
            "-keyout",
        ])
        .arg(home.path("key.pem"))
        .arg("-out")
        .arg(home.path("cert.pem"))
        .output();
    if !made.is_ok_and(|m| m.status.success()) {
        println!("skipped: there is no openssl to make a certificate with");
        return;
    }
    home.shell("echo 'a long enough password' | $LACET password")
        .fine();
    home.lacet(&["serve", "--listen", "127.0.0.1:0", "--tls-cert", "cert.pem"])
        .refused(1, &["--tls-key"]);
    home.lacet(&[
        "serve",
        "--listen",
        "127.0.0.1:0",
        "--tls-cert",
        "key.pem",
        "--tls-key",
        "cert.pem",
    ])
    .refused(1, &["cannot serve TLS"]);
    let mut child = home
        .command()
        .args([
            "serve",
            "--listen",
            "127.0.0.1:0",
            "--tls-cert",
            "cert.pem",
            "--tls-key",
            "key.pem",
        ])
        .stdout(std::process::Stdio::piped())
        .stderr(std::process::Stdio::null())
        .spawn()
        .unwrap();
    let mut line = String::new();
    std::io::BufRead::read_line(
        &mut std::io::BufReader::new(child.stdout.take().unwrap()),
        &mut line,
    )
    .unwrap();
    let port = line
        .trim()
        .trim_end_matches('/')
        .rsplit(':')
        .next()
        .unwrap()
        .to_owned();
    assert!(line.contains("https://"), "{line}");
    let ask = |args: &[&str]| {
        let out = std::process::Command::new("curl")
            .args(["-sS", "--max-time", "20", "--cacert"])
            .arg(home.path("cert.pem"))
            .args(args)
            .arg(format!("https://localhost:{port}/api/tours"))
            .output();
        out.map(|o| String::from_utf8_lossy(&o.stdout).into_owned())
    };
    if let Ok(answer) = ask(&["-i"]) {
        assert!(answer.starts_with("HTTP/1.1 401"), "{answer}");
        assert!(answer.contains("content-security-policy"), "{answer}");
    }
    // Plain HTTP on the same port says nothing.
    let mut plain = TcpStream::connect(format!("127.0.0.1:{port}")).unwrap();
    plain
        .write_all(b"GET / HTTP/1.1\r\nHost: localhost\r\n\r\n")
        .unwrap();
    plain
        .set_read_timeout(Some(Duration::from_secs(20)))
        .unwrap();
    let mut answer = Vec::new();
    let _ = plain.read_to_end(&mut answer);
    assert!(
        !String::from_utf8_lossy(&answer).contains("HTTP/1.1 2"),
        "it answers in plain text"
    );
    child.kill().unwrap();
    child.wait().unwrap();
}
