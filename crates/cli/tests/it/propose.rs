//! Proposals and stretches from outside: progress line by line, the answers, and calling work off.

use std::io::{Read, Write};
use std::net::TcpStream;

use serde_json::{Value, json};

use crate::tastes::five_roads;
use crate::{Home, Server};

const WEST: [f64; 2] = [45.0, -30.004];
const EAST: [f64; 2] = [45.0, -29.844];

/// The lines of a body; it comes in chunks, the lengths of which are passed over.
fn lines(body: &[u8]) -> Vec<Value> {
    let text = std::str::from_utf8(body).unwrap();
    let lines = text.lines().filter(|l| l.starts_with('{'));
    lines.map(|l| serde_json::from_str(l).unwrap()).collect()
}

/// The lines of an answer: steps of the work, then its end.
fn asked(server: &Server, what: &str, question: &Value) -> (Vec<Value>, Value) {
    let answer = server.send("POST", &format!("/api/propose/{what}"), question);
    assert_eq!(answer.status, 200, "{answer:?}");
    assert_eq!(answer.header("content-type"), Some("application/x-ndjson"));
    let mut lines = lines(&answer.body);
    let end = lines.pop().unwrap();
    for pair in lines.windows(2) {
        let [a, b] = [&pair[0], &pair[1]].map(|l| l["progress"].as_f64().unwrap());
        assert!(a <= b && (0.0..=1.0).contains(&b), "{pair:?}");
    }
    (lines, end)
}

#[test]
fn proposals_tell_their_progress_and_hold_their_limit() {
    let home = Home::new();
    home.import("five", &five_roads());
    let server = home.serve();
    let question = |longer_min: f64| json!({"region": "five", "from": WEST, "to": EAST, "taste": "winding", "longer_min": longer_min});
    let (steps, end) = asked(&server, "between", &question(40.0));
    assert!(!steps.is_empty());
    let best = &end["proposals"][0];
    assert!(
        best["against"]["riding_s"].as_f64().unwrap() > 60.0,
        "{best}"
    );
    assert!(
        best["against"]["riding_s"].as_f64().unwrap() <= 2400.0,
        "{best}"
    );
    assert!(
        best["ride"]["winding_m"].as_f64().unwrap() > 10_000.0,
        "{best}"
    );
    // Its points in a tour are the line that was shown.
    let tour = json!({"format": "lacet-tour-1", "name": "", "region": "five", "taste": "winding", "points": best["points"]});
    let plan = server
        .send("POST", "/api/plan", &json!({"tour": tour}))
        .expect(200);
    let [shown, planned] = [&best["sums"], &plan["total"]].map(|s| s["length_m"].as_f64().unwrap());
    assert!((shown - planned).abs() < 1.0, "{shown} {planned}");
    // Without a minute to spare there is only the quickest way.
    let (_, end) = asked(&server, "between", &question(0.0));
    let quickest = end["proposals"].as_array().unwrap();
    assert!(!quickest.is_empty(), "{}", end["notes"]);
    for proposal in quickest {
        assert!(
            proposal["against"]["riding_s"].as_f64().unwrap() < 1.0,
            "{proposal}"
        );
    }

    let round = json!({"region": "five", "from": WEST, "taste": "winding", "km": 40.0});
    let (_, end) = asked(&server, "round", &round);
    let trip = &end["proposals"][0];
    assert!(
        trip["sums"]["length_m"].as_f64().unwrap() <= 40_000.0,
        "{}",
        trip["ride"]
    );
    assert!(
        trip["ride"]["winding_m"].as_f64().unwrap() > 10_000.0,
        "{}",
        trip["ride"]
    );

    let tour = json!({"format": "lacet-tour-1", "name": "", "region": "five", "taste": "fastest", "points": [
        {"kind": "stop", "lat": WEST[0], "lon": WEST[1]}, {"kind": "stop", "lat": EAST[0], "lon": EAST[1]}]});
    let (_, end) = asked(&server, "alternatives", &json!({"tour": tour, "leg": 0}));
    let (ways, notes) = (
        end["proposals"].as_array().unwrap(),
        end["notes"].as_array().unwrap(),
    );
    // There are others as quick within a quarter, or a note says that there are none.
    assert_eq!(ways.is_empty(), !notes.is_empty(), "{}", end["notes"]);
    for way in ways {
        let against = &way["against"];
        assert!(against["shared"].as_f64().unwrap() <= 0.8, "{against}");
        assert!(against["riding_s"].as_f64().unwrap() >= 0.0, "{against}");
    }
}

#[test]
fn proposals_refuse_nonsense_and_unreachable_places() {
    let home = Home::new();
    home.import("five", &five_roads());
    let server = home.serve();
    let send = |what: &str, question: Value| {
        server.send("POST", &format!("/api/propose/{what}"), &question)
    };
    send("home", json!({})).refused(404);
    send(
        "round",
        json!({"region": "nowhere", "from": WEST, "taste": "winding", "km": 20}),
    )
    .refused(404);
    send(
        "round",
        json!({"region": "five", "from": ["a", 1], "taste": "winding", "km": 20}),
    )
    .refused(422);
    for question in [
        json!({"region": "five", "from": [0.0, 0.0], "taste": "winding", "km": 20}),
        json!({"region": "five", "from": WEST, "taste": "winding"}),
        json!({"region": "five", "from": WEST, "taste": "winding", "km": -5}),
        json!({"region": "five", "from": WEST, "taste": "winding", "hours": 1e300}),
    ] {
        let answer = send("round", question.clone());
        let end = lines(&answer.body).pop().unwrap();
        assert!(
            end["error"].is_string() && end["hint"].is_string(),
            "{question}: {end}"
        );
    }
}

#[test]
fn who_goes_away_calls_the_work_off() {
    let home = Home::new();
    let file = home.path("demo.osm.pbf");
    let demo = synth::Country::demo();
    let never = std::sync::atomic::AtomicBool::new(false);
    demo.generate(&mut |_, _| {}, &never)
        .unwrap()
        .write_pbf(&file)
        .unwrap();
    home.lacet(&["import", "demo", file.to_str().unwrap()])
        .fine();
    let server = home.serve();
    let regions = server.get("/api/regions").expect(200);
    let bounds: Vec<f64> = serde_json::from_value(regions[0]["bounds_deg"].clone()).unwrap();
    let from = [(bounds[1] + bounds[3]) / 2.0, (bounds[0] + bounds[2]) / 2.0];
    let body =
        json!({"region": "demo", "from": from, "taste": "winding", "hours": 6.0, "how_many": 5})
            .to_string();
    // Far more than may wait at once: each must leave its place when its asker has gone.
    for _ in 0..48 {
        let mut stream = TcpStream::connect(&server.host).unwrap();
        write!(
            stream,
            "POST /api/propose/round HTTP/1.1\r\nHost: {}\r\nContent-Type: application/json\r\nContent-Length: {}\r\n\r\n{body}",
            server.host,
            body.len()
        )
        .unwrap();
        let mut some = [0; 15];
        stream.read_exact(&mut some).unwrap();
        assert_eq!(&some, b"HTTP/1.1 200 OK");
    }
    let small = json!({"region": "demo", "from": from, "taste": "winding", "km": 20.0});
    // Answered, whether there is such a trip or not.
    let (_, end) = asked(&server, "round", &small);
    assert!(
        end["proposals"].is_array() || end["hint"].is_string(),
        "{end}"
    );
}

#[test]
fn a_winding_road_is_a_stretch_that_says_why() {
    let home = Home::new();
    home.import("five", &five_roads());
    let server = home.serve();
    // The sine of the winding road crosses its own middle line half way.
    let near = server
        .get("/api/regions/five/near?lat=44.9865&lon=-29.9239&radius_m=200")
        .expect(200);
    assert_eq!(near["name"], "Kehren", "{near}");
    let bends = |why: &Value| why["virtues"]["bends"].as_f64().unwrap();
    assert!(bends(&near["why"]) > 0.5, "{near}");
    assert!(near["why"]["text"].as_str().unwrap().len() > 20, "{near}");
    let id = near["stretch"]["id"]
        .as_u64()
        .expect("it is part of a stretch");
    let stretch = server
        .get(&format!("/api/regions/five/stretch/{id}"))
        .expect(200);
    let length = stretch["length_m"].as_f64().unwrap();
    assert!((10_000.0..25_000.0).contains(&length), "{length}");
    assert!(
        stretch["name"].as_str().unwrap().contains("Kehren"),
        "{}",
        stretch["name"]
    );
    assert_eq!(
        stretch["lat"].as_array().unwrap().len(),
        stretch["lon"].as_array().unwrap().len()
    );
    let best = server
        .get("/api/regions/five/stretches?bounds=-31,44,-29,46&limit=1")
        .expect(200);
    assert_eq!(best[0]["id"], id, "{best}");
    // The fast road has no bends, and says so.
    let fast = server
        .get("/api/regions/five/near?lat=45.0171&lon=-29.9239&radius_m=300")
        .expect(200);
    assert_eq!(fast["name"], "Schnell", "{fast}");
    assert!(bends(&fast["why"]) < 0.1, "{fast}");
    server.get("/api/regions/five/stretch/99999").refused(404);
}
