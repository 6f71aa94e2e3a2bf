//! Every call of docs/api.md, and those that must not work.

use std::io::{Cursor, Read};

use serde_json::{Value, json};

use crate::{Home, Server, names_in, small_map, tour};

#[test]
fn regions_tiles_and_places() {
    let home = Home::new();
    let map = small_map();
    home.import("klein", &map);
    let server = home.serve();

    let regions = server.get("/api/regions").expect(200);
    let region = &regions[0];
    assert_eq!(region["name"], "klein");
    let id = region["id"].as_str().unwrap();

    let (lat, lon) = map.lat_lon('B').unwrap();
    let (x, y) = tile_of(lat, lon, 14);
    let plain = format!("/api/regions/klein/tiles/14/{x}/{y}");
    let tile = server.get(&format!("{plain}?v={id}"));
    assert_eq!(tile.status, 200);
    assert!(!tile.body.is_empty());
    assert_eq!(
        tile.header("content-type"),
        Some("application/vnd.mapbox-vector-tile")
    );
    assert!(tile.header("cache-control").unwrap().contains("immutable"));
    let tag = tile.header("etag").unwrap().to_owned();
    let again = server.get_with(&plain, &[("If-None-Match", &tag)]);
    assert_eq!((again.status, again.body.len()), (304, 0));
    // An address without the right edition may be kept, but must be asked again.
    for address in [plain.clone(), format!("{plain}?v=other")] {
        assert_eq!(
            server.get(&address).header("cache-control"),
            Some("no-cache")
        );
    }
    assert_eq!(server.get("/api/regions/klein/tiles/14/0/0").status, 204);
    assert_eq!(
        server
            .get(&format!("/api/regions/klein/relief/14/{x}/{y}"))
            .status,
        204
    );
    for bad in [
        "14/16384/0",
        "99/0/0",
        "-1/0/0",
        "a/b/c",
        "14/1e3/1",
        "14/0/99999999999",
    ] {
        server
            .get(&format!("/api/regions/klein/tiles/{bad}"))
            .refused(404);
    }

    let found = server
        .get("/api/regions/klein/find?q=cwiklice&limit=3")
        .expect(200);
    assert_eq!(found[0]["name"], "Ćwiklice", "{found}");
    assert_eq!(found[0]["kind"], "village");
    let found = server
        .get("/api/regions/klein/find?q=45.001,-29.99")
        .expect(200);
    assert!(
        (found[0]["lat"].as_f64().unwrap() - 45.001).abs() < 1e-6,
        "{found}"
    );
    assert_eq!(server.get("/api/regions/klein/find?q=&limit=5").status, 200);
    server.get("/api/regions/klein/find").refused(400);
    server
        .get(&format!("/api/regions/klein/find?q={}", "x".repeat(1000)))
        .refused(400);
    server
        .get("/api/regions/klein/find?q=a&lat=99&lon=0")
        .refused(400);

    let road = server.get(&format!(
        "/api/regions/klein/near?lat={lat}&lon={}&radius_m=200",
        lon - 0.003
    ));
    assert_eq!(road.expect(200)["name"], "Kehrenstraße");
    server
        .get("/api/regions/klein/near?lat=44&lon=-30&radius_m=50")
        .refused(404);
    server
        .get("/api/regions/klein/near?lat=44&lon=-30&radius_m=1e9")
        .refused(400);
    server
        .get("/api/regions/klein/near?lat=NaN&lon=-30")
        .refused(400);
    server.get("/api/regions/klein/near?lat=x").refused(400);

    let tastes = server.get("/api/tastes").expect(200);
    assert!(
        tastes
            .as_array()
            .unwrap()
            .iter()
            .any(|t| t["name"] == "shortest")
    );
}

#[test]
fn a_replaced_region_is_seen_at_once() {
    let home = Home::new();
    let map = small_map();
    home.import("klein", &map);
    let server = home.serve();
    let old = server.get("/api/regions").expect(200)[0]["id"].clone();
    let other = synth::ascii("A-----C").spacing_m(500.0).build().unwrap();
    home.import("klein", &other);
    let new = server.get("/api/regions").expect(200);
    assert_ne!(new[0]["id"], old);
    assert_eq!(new[0]["counts"]["pieces"], 1);
    let request = json!({"tour": tour(&other, "klein", "", "CA")});
    let plan = server.send("POST", "/api/plan", &request).expect(200);
    let length_m = plan["total"]["length_m"].as_f64().unwrap();
    assert!(
        (length_m - 3000.0).abs() < 3.0,
        "the old map is still planned on: {length_m}"
    );
    std::fs::remove_file(home.region("klein")).unwrap();
    assert_eq!(server.get("/api/regions").expect(200), json!([]));
    server.send("POST", "/api/plan", &request).refused(404);
}

#[test]
fn tours_are_planned_exported_and_read_back() {
    let home = Home::new();
    let map = small_map();
    home.import("klein", &map);
    let server = home.serve();

    let mut document = tour(&map, "klein", "Zwei Tage – Ćwiklice", "AFC");
    document["points"][1]["ends_day"] = json!(true);
    let plan = server
        .send("POST", "/api/plan", &json!({"tour": document}))
        .expect(200);
    assert_eq!(plan["days"].as_array().unwrap().len(), 2);
    assert!(plan["legs"][0]["line"]["lat"].as_array().unwrap().len() >= 2);
    let have = json!({"tour": document, "have": [plan["legs"][0]["key"]]});
    let again = server.send("POST", "/api/plan", &have).expect(200);
    assert!(again["legs"][0].get("line").is_none());
    assert_eq!(again["legs"][1], plan["legs"][1]);

    let request = json!({"tour": document, "split_days": false});
    for (format, kind) in [
        ("gpx", "application/gpx+xml"),
        ("geojson", "application/geo+json"),
        ("kml", "application/vnd.google-earth.kml+xml"),
    ] {
        let file = server.send("POST", &format!("/api/export/{format}"), &request);
        assert_eq!(
            (file.status, file.header("content-type")),
            (200, Some(kind))
        );
        let disposition = file.header("content-disposition").unwrap();
        assert!(
            disposition.is_ascii() && disposition.contains(&format!(".{format}\"")),
            "{disposition}"
        );
        let read = server
            .upload("/api/read?region=klein&name=back", &file.body)
            .expect(200);
        let points = read["tour"]["points"].as_array().unwrap();
        assert!(points.len() >= 3, "{read}");
        assert_eq!(read["tour"]["region"], "klein");
        assert!(!read["summary"].as_str().unwrap().is_empty());
        // What was read can be planned as it is.
        server
            .send("POST", "/api/plan", &json!({"tour": read["tour"]}))
            .expect(200);
    }
    let split = json!({"tour": document, "split_days": true});
    let zip = server.send("POST", "/api/export/gpx", &split);
    assert_eq!(
        (zip.status, zip.header("content-type")),
        (200, Some("application/zip"))
    );
    let mut zip = zip::ZipArchive::new(Cursor::new(zip.body)).unwrap();
    assert_eq!(zip.len(), 2);
    for n in 0..2 {
        let mut file = zip.by_index(n).unwrap();
        assert!(
            file.name().is_ascii() && file.name().ends_with(".gpx"),
            "{}",
            file.name()
        );
        let mut text = String::new();
        file.read_to_string(&mut text).unwrap();
        assert_eq!(
            (text.matches("<trk>").count(), text.matches("<rte>").count()),
            (1, 1)
        );
    }

    server
        .send("POST", "/api/export/doc", &request)
        .refused(404);
    for (what, kind, begins) in [
        ("roadbook.pdf", "application/pdf", "%PDF-"),
        (
            "roadbook.html",
            "text/html; charset=utf-8",
            "<!doctype html>",
        ),
        (
            "handout.html",
            "text/html; charset=utf-8",
            "<!doctype html>",
        ),
    ] {
        let question = json!({"tour": document, "size": "a4"});
        let file = server.send("POST", &format!("/api/paper/{what}"), &question);
        assert_eq!(
            (file.status, file.header("content-type")),
            (200, Some(kind))
        );
        assert!(file.body.starts_with(begins.as_bytes()), "{what}");
        let name = file.header("content-disposition").unwrap();
        assert!(name.is_ascii() && name.starts_with("attachment"), "{name}");
    }
    server
        .send("POST", "/api/paper/poster", &request)
        .refused(404);
    let huge = json!({"tour": document, "size": "a0"});
    server
        .send("POST", "/api/paper/roadbook.pdf", &huge)
        .refused(422);
    let mut wrong = document.clone();
    wrong["taste"] = json!("sideways");
    server
        .send("POST", "/api/plan", &json!({"tour": wrong}))
        .refused(422);
    wrong = document.clone();
    wrong["points"][0]["lat"] = json!(400);
    server
        .send("POST", "/api/plan", &json!({"tour": wrong}))
        .refused(422);
    wrong = document.clone();
    wrong["region"] = json!("../../etc");
    server
        .send("POST", "/api/plan", &json!({"tour": wrong}))
        .refused(404);
    server
        .upload("/api/read?region=klein&name=a.gpx", b"Dear aunt")
        .refused(422);
    server.upload("/api/read", b"").refused(422);
}

#[test]
fn tours_are_kept_with_revisions_and_a_bin() {
    let home = Home::new();
    let map = small_map();
    let server = home.serve();
    let first = tour(&map, "klein", "one", "AC");
    let made = server
        .send(
            "POST",
            "/api/tours",
            &json!({"tour": first, "length_m": 3000.5}),
        )
        .expect(201);
    let at = format!("/api/tours/{}", made["id"].as_str().unwrap());
    assert_eq!(made["revision"], 1);
    let kept = server.get(&at).expect(200);
    assert_eq!(
        (&kept["tour"]["name"], &kept["revision"]),
        (&json!("one"), &json!(1))
    );

    let second = tour(&map, "klein", "two", "AC");
    let save = json!({"revision": 1, "tour": second});
    assert_eq!(server.send("PUT", &at, &save).expect(200)["revision"], 2);
    let stale = json!({"revision": 1, "tour": tour(&map, "klein", "three", "AC")});
    let conflict = server.send("PUT", &at, &stale).expect(409);
    assert_eq!(conflict["newer"]["tour"]["name"], "two");
    assert_eq!(conflict["newer"]["revision"], 2);
    assert!(conflict["error"].is_string());

    let list = server.get("/api/tours").expect(200);
    assert_eq!(
        (list[0]["name"].as_str(), list[0]["deleted"].as_bool()),
        (Some("two"), Some(false))
    );
    let changed = list[0]["changed"].as_str().unwrap();
    assert!(
        changed.starts_with("20") && changed.ends_with('Z'),
        "{changed}"
    );
    assert_eq!(server.send("DELETE", &at, &Value::Null).status, 204);
    assert_eq!(server.get("/api/tours").expect(200)[0]["deleted"], true);
    assert_eq!(
        server
            .send("POST", &format!("{at}/restore"), &Value::Null)
            .status,
        204
    );
    assert_eq!(server.get("/api/tours").expect(200)[0]["deleted"], false);
    for unknown in [
        "/api/tours/t999",
        "/api/tours/1",
        "/api/tours/..",
        "/api/tours/t1%2f",
    ] {
        server.get(unknown).refused(404);
        server.send("DELETE", unknown, &Value::Null).refused(404);
    }

    assert_eq!(server.get("/api/state").expect(200), json!({}));
    let state = json!({"units": "miles", "last": made["id"]});
    assert_eq!(server.send("PUT", "/api/state", &state).status, 204);
    // After an orderly end everything is still there.
    assert_eq!(server.stop(), Some(0));
    let server = home.serve();
    assert_eq!(server.get("/api/state").expect(200), state);
    assert_eq!(server.get(&at).expect(200)["tour"]["name"], "two");
}

#[test]
fn the_page_comes_with_a_strict_policy() {
    let server = Home::new().serve();
    for path in ["/", "/tours/t1"] {
        let page = server.get(path);
        assert_eq!(page.status, 200);
        assert!(
            page.header("content-type")
                .unwrap()
                .starts_with("text/html")
        );
        let policy = page.header("content-security-policy").unwrap();
        assert!(policy.contains("default-src 'self'") && policy.contains("frame-ancestors 'none'"));
        assert!(!policy.contains("unsafe"), "{policy}");
        assert_eq!(page.header("x-content-type-options"), Some("nosniff"));
        let tag = page.header("etag").unwrap().to_owned();
        assert_eq!(
            server.get_with(path, &[("If-None-Match", &tag)]).status,
            304
        );
    }
    server.get("/no-such-file.js").refused(404);
    server.send("POST", "/", &json!({})).refused(405);
    server.get("/api").refused(404);
    server.get("/api/none").refused(404);
    server
        .send("DELETE", "/api/tastes", &Value::Null)
        .refused(405);
    assert_eq!(
        server.get("/api/tastes").header("cache-control"),
        Some("no-store")
    );
}

#[test]
fn pages_elsewhere_get_nothing() {
    let home = Home::new();
    let server = home.serve();
    let host = server.host.clone();
    let port = host.rsplit(':').next().unwrap();
    let get = |headers: &[(&str, &str)]| server.raw("GET", "/api/tours", headers, b"").unwrap();

    for good in [
        host.clone(),
        format!("localhost:{port}"),
        "localhost".into(),
        format!("127.0.0.1:{port}"),
    ] {
        get(&[("Host", &good)]).expect(200);
        get(&[("Host", &good), ("Origin", &format!("http://{good}"))]).expect(200);
    }
    for foreign in [
        "example.org",
        "rebound.example:80",
        "127.0.0.1.example.org",
        "",
        "192.168.1.5",
        "0.0.0.0",
    ] {
        get(&[("Host", foreign)]).refused(403);
        server
            .raw("GET", "/", &[("Host", foreign)], b"")
            .unwrap()
            .refused(403);
    }
    get(&[("Host", &host), ("Host", "example.org")]).refused(403);
    for origin in [
        "http://example.org",
        "null",
        "https://127.0.0.1",
        "http://127.0.0.1:1",
        "http://localhost",
    ] {
        get(&[("Host", &host), ("Origin", origin)]).refused(403);
        let post = [
            ("Host", host.as_str()),
            ("Origin", origin),
            ("Content-Type", "application/json"),
            ("Content-Length", "2"),
        ];
        server
            .raw("POST", "/api/tours", &post, b"{}")
            .unwrap()
            .refused(403);
    }
    get(&[("Host", &host), ("Sec-Fetch-Site", "cross-site")]).refused(403);
    get(&[("Host", &host), ("Sec-Fetch-Site", "same-site")]).refused(403);
    // A link elsewhere may open the page.
    let page = server.raw(
        "GET",
        "/",
        &[("Host", &host), ("Sec-Fetch-Site", "cross-site")],
        b"",
    );
    assert_eq!(page.unwrap().status, 200);
    // Without a preflight a page elsewhere can only send forms and plain text.
    let plain = [
        ("Host", host.as_str()),
        ("Content-Type", "text/plain"),
        ("Content-Length", "2"),
    ];
    server
        .raw("PUT", "/api/state", &plain, b"{}")
        .unwrap()
        .refused(415);
    assert_eq!(server.get("/api/tours").expect(200), json!([]));
}

#[test]
fn no_path_leads_out_of_the_data_directory() {
    let home = Home::new();
    home.import("klein", &small_map());
    std::fs::copy(home.region("klein"), home.path("out.region")).unwrap();
    let server = home.serve();
    for name in [
        "..%2F..%2F..%2F..%2Fout",
        "%2e%2e%2fklein",
        "..%5cklein",
        "klein%00",
        "klein.region",
        "KLEIN",
        "%2Fetc%2Fpasswd",
        "klein%2F",
        ".",
        "%2e",
        "k%6cein%0a",
    ] {
        let answer = server.get(&format!("/api/regions/{name}/find?q=a"));
        assert_eq!(answer.status, 404, "{name}");
        let answer = server.get(&format!("/api/regions/{name}/tiles/0/0/0"));
        assert_eq!(answer.status, 404, "{name}");
    }
    for path in [
        "/../../../../etc/passwd",
        "/..%2f..%2fetc/passwd",
        "/%2e%2e/Cargo.toml",
        "//etc/passwd.txt",
        "/assets/../../x.rs",
    ] {
        let answer = server.get(path);
        let body = String::from_utf8_lossy(&answer.body).into_owned();
        assert!(
            answer.status == 404 || body.contains("<!doctype html>"),
            "{path}: {body}"
        );
        assert!(!body.contains("root:"), "{path}");
    }
}

#[test]
fn bodies_are_bounded() {
    let home = Home::new();
    let server = home.serve();
    let host = server.host.clone();
    let announce = |method: &str, target: &str, bytes: &str| {
        let headers = [
            ("Host", host.as_str()),
            ("Content-Type", "application/json"),
            ("Content-Length", bytes),
        ];
        // Only announced, never sent: the refusal must not wait for it.
        server.raw(method, target, &headers, b"").unwrap()
    };
    announce("POST", "/api/plan", "500000000").refused(413);
    announce("POST", "/api/export/gpx", "17000000").refused(413);
    announce("POST", "/api/tours", "17000000").refused(413);
    announce("PUT", "/api/tours/t1", "17000000").refused(413);
    announce("PUT", "/api/state", "70000").refused(413);
    announce("POST", "/api/read?name=a.gpx", "500000000").refused(413);
    // Without an announcement it is counted.
    let chunk = format!("12000\r\n{}\r\n", " ".repeat(0x12000));
    let body = format!("{chunk}0\r\n\r\n");
    let headers = [
        ("Host", host.as_str()),
        ("Content-Type", "application/json"),
        ("Transfer-Encoding", "chunked"),
    ];
    server
        .raw("PUT", "/api/state", &headers, body.as_bytes())
        .unwrap()
        .refused(413);

    server
        .send("PUT", "/api/state", &json!([1, 2]))
        .refused(422);
    let send = |body: &str| {
        let len = body.len().to_string();
        let headers = [
            ("Host", host.as_str()),
            ("Content-Type", "application/json"),
            ("Content-Length", &len),
        ];
        server
            .raw("POST", "/api/plan", &headers, body.as_bytes())
            .unwrap()
    };
    for bad in ["", "{", "null", "[]", "{\"tour\": 5}", "\u{0}"] {
        send(bad).refused(422);
    }
    send(&"[".repeat(100_000)).refused(422);
    server.get("/api/tastes").expect(200);
}

/// Number of the web-mercator tile that holds a place.
pub(crate) fn tile_of(lat: f64, lon: f64, z: u32) -> (u32, u32) {
    let n = f64::from(1 << z);
    let y = (1.0 - lat.to_radians().tan().asinh() / std::f64::consts::PI) / 2.0;
    (((lon + 180.0) / 360.0 * n) as u32, (y * n) as u32)
}

#[test]
fn the_demo_is_invented_once_and_served_with_relief() {
    let home = Home::new();
    let demo = || {
        let mut command = home.command();
        command.args(["demo", "--no-open"]);
        Server::start(command)
    };
    let server = demo();
    let regions = server.get("/api/regions").expect(200);
    assert_eq!(
        (&regions[0]["name"], &regions[0]["has_heights"]),
        (&json!("demo"), &json!(true))
    );
    let bounds = &regions[0]["bounds_deg"];
    let middle =
        |a: usize, b: usize| (bounds[a].as_f64().unwrap() + bounds[b].as_f64().unwrap()) / 2.0;
    let (x, y) = tile_of(middle(1, 3), middle(0, 2), 10);
    let relief = server.get(&format!("/api/regions/demo/relief/10/{x}/{y}"));
    assert_eq!(
        (relief.status, relief.header("content-type")),
        (200, Some("image/png"))
    );
    assert!(relief.body.starts_with(b"\x89PNG"));
    assert_eq!(server.stop(), Some(0));

    let made = std::fs::metadata(home.region("demo"))
        .unwrap()
        .modified()
        .unwrap();
    assert_eq!(
        names_in(&home.data()),
        ["regions", "serving.lock", "shelf.sqlite"]
    );
    drop(demo());
    assert_eq!(
        std::fs::metadata(home.region("demo"))
            .unwrap()
            .modified()
            .unwrap(),
        made
    );
    // One that this program cannot read is made anew.
    std::fs::write(home.region("demo"), "LACETRGN of another age").unwrap();
    let again = demo().get("/api/regions").expect(200);
    assert_eq!(
        again[0]["id"], regions[0]["id"],
        "the demo differs from run to run"
    );
}
