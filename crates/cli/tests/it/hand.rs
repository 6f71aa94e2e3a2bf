//! The connection on which a page asks while a point is dragged.

use std::net::TcpStream;
use std::time::Duration;

use serde_json::{Value, json};
use tungstenite::handshake::client::Request;
use tungstenite::{Message, WebSocket};

use crate::{Home, Server, small_map, tour};

/// A page's end of the connection.
pub(crate) struct Page(WebSocket<TcpStream>);

fn handshake(server: &Server, more: &[(&str, &str)]) -> Request {
    let mut request = Request::builder()
        .uri(format!("ws://{}/api/hand", server.host))
        .header("Host", &server.host)
        .header("Connection", "Upgrade")
        .header("Upgrade", "websocket")
        .header("Sec-WebSocket-Version", "13")
        .header(
            "Sec-WebSocket-Key",
            tungstenite::handshake::client::generate_key(),
        );
    for (name, value) in more {
        request.headers_mut().unwrap().remove(*name);
        request = request.header(*name, *value);
    }
    request.body(()).unwrap()
}

impl Page {
    pub(crate) fn open(server: &Server) -> Self {
        let origin = format!("http://{}", server.host);
        Self::try_open(server, &[("Origin", &origin)]).unwrap()
    }

    /// The status it is refused with, if it is.
    fn try_open(server: &Server, more: &[(&str, &str)]) -> Result<Self, u16> {
        let stream = TcpStream::connect(&server.host).unwrap();
        stream
            .set_read_timeout(Some(Duration::from_secs(60)))
            .unwrap();
        match tungstenite::client(handshake(server, more), stream) {
            Ok((socket, _)) => Ok(Page(socket)),
            Err(tungstenite::HandshakeError::Failure(tungstenite::Error::Http(answer))) => {
                Err(answer.status().as_u16())
            }
            Err(e) => panic!("{e}"),
        }
    }

    fn send(&mut self, question: &Value) {
        self.0.send(Message::text(question.to_string())).unwrap();
    }

    fn answer(&mut self) -> Value {
        loop {
            match self.0.read().unwrap() {
                Message::Text(text) => return serde_json::from_str(&text).unwrap(),
                Message::Ping(_) | Message::Pong(_) => {}
                other => panic!("{other:?}"),
            }
        }
    }

    pub(crate) fn ask(&mut self, question: &Value) -> Value {
        self.send(question);
        self.answer()
    }

    /// Refused in plain words with a next step; gives the words.
    fn refused(&mut self, question: &Value) -> String {
        let answer = self.ask(question);
        assert!(answer.get("plan").is_none(), "{answer}");
        assert!(answer["hint"].as_str().is_some_and(|h| !h.is_empty()));
        assert_eq!(answer["seq"], question["seq"]);
        answer["error"].as_str().unwrap().to_owned()
    }

    /// The code the server closes the connection with.
    fn closed_with(&mut self) -> Option<u16> {
        loop {
            match self.0.read() {
                Ok(Message::Close(frame)) => return frame.map(|f| f.code.into()),
                Ok(_) => {}
                Err(_) => return None,
            }
        }
    }
}

#[test]
fn answers_are_those_of_a_plan_asked_for_alone_and_known_lines_stay_away() {
    let home = Home::new();
    let map = small_map();
    home.import("klein", &map);
    let server = home.serve();
    let mut page = Page::open(&server);
    let mut document = tour(&map, "klein", "", "AFC");
    let mut have = json!([]);
    for seq in 0..20 {
        document["points"][1]["lat"] =
            json!(document["points"][1]["lat"].as_f64().unwrap() + 0.0002);
        let answer = page.ask(&json!({"seq": seq, "tour": document, "have": have}));
        assert_eq!(answer["seq"], seq);
        let alone = json!({"tour": document, "have": have});
        let alone = server.send("POST", "/api/plan", &alone).expect(200);
        assert_eq!(answer["plan"], alone);
        let legs = answer["plan"]["legs"].as_array().unwrap();
        have = legs.iter().map(|leg| leg["key"].clone()).collect();
    }
    let again = page.ask(&json!({"seq": 20, "tour": document, "have": have}));
    let legs = again["plan"]["legs"].as_array().unwrap();
    assert!(legs.iter().all(|leg| leg.get("line").is_none()), "{again}");
}

#[test]
fn of_ten_thousand_questions_at_once_the_newest_is_answered_and_memory_stays_bounded() {
    let home = Home::new();
    let map = small_map();
    home.import("klein", &map);
    let server = home.serve();
    let mut page = Page::open(&server);
    let mut document = tour(&map, "klein", "", "AFCBDE");
    document["note"] = json!("x".repeat(10_000));
    page.ask(&json!({"seq": 0, "tour": document}));
    let before = server.memory_kb();
    for seq in 1..=10_000u32 {
        let lat = 45.0 - f64::from(seq % 100) * 1e-5;
        document["points"][1]["lat"] = json!(lat);
        page.send(&json!({"seq": seq, "tour": document}));
    }
    let (mut answers, mut last) = (0, 0);
    while last < 10_000 {
        let answer = page.answer();
        let seq = answer["seq"].as_u64().unwrap();
        assert!(seq > last, "{seq} after {last}");
        assert!(answer.get("plan").is_some(), "{answer}");
        (answers, last) = (answers + 1, seq);
    }
    assert!(answers >= 1);
    // 100 MB were sent.
    if let Some((before, after)) = before.zip(server.memory_kb()) {
        assert!(after < before + 40_000, "{before} kB, then {after} kB");
    }
    // It goes on as if nothing had been.
    assert_eq!(
        page.ask(&json!({"seq": 10_001, "tour": document}))["seq"],
        10_001
    );
}

#[test]
fn what_makes_no_sense_is_answered_in_plain_words() {
    let home = Home::new();
    let map = small_map();
    home.import("klein", &map);
    // No road that may be ridden.
    let shut = [("highway", "unclassified"), ("access", "no")];
    let paths = synth::ascii("A--B").defaults(&shut);
    home.import("leer", &paths.build().unwrap());
    let server = home.serve();
    let mut page = Page::open(&server);
    let good = tour(&map, "klein", "", "AF");

    for foul in [
        "",
        "Dear aunt",
        "{",
        "[]",
        "null",
        "{\"tour\": {}}",
        "\u{0}",
    ] {
        page.0.send(Message::text(foul)).unwrap();
        let answer = page.answer();
        assert_eq!(answer["seq"], Value::Null, "{answer}");
        assert!(answer["error"].as_str().is_some_and(|e| !e.is_empty()));
    }
    page.0.send(Message::binary(vec![0xff; 1000])).unwrap();
    assert!(page.answer()["error"].as_str().is_some());
    // Text that is no UTF-8, deep nesting and odd numbers cannot shake it either.
    page.0.send(Message::text("[".repeat(1_000_000))).unwrap();
    assert!(page.answer()["error"].as_str().is_some());
    for odd in [json!(-1), json!(1.5), json!("1"), json!(null)] {
        page.send(&json!({"seq": odd, "tour": good}));
        assert_eq!(page.answer()["seq"], Value::Null);
    }

    page.refused(&json!({"seq": 1, "tour": {}}));
    page.refused(&json!({"seq": 2, "tour": good, "have": 7}));
    let mut wrong = good.clone();
    wrong["taste"] = json!("sideways");
    assert!(
        page.refused(&json!({"seq": 3, "tour": wrong}))
            .contains("sideways")
    );
    for region in ["nowhere", "../../etc", ""] {
        wrong = good.clone();
        wrong["region"] = json!(region);
        page.refused(&json!({"seq": 4, "tour": wrong}));
    }
    wrong = good.clone();
    wrong["points"][0]["lat"] = json!(400);
    page.refused(&json!({"seq": 5, "tour": wrong}));

    // Off the map, on an island, without any road: plans that say so.
    let warned = |page: &mut Page, tour: &Value, kind: &str| {
        let answer = page.ask(&json!({"seq": 6, "tour": tour}));
        let warnings = answer["plan"]["warnings"].as_array().unwrap().clone();
        assert!(warnings.iter().any(|w| w["kind"] == kind), "{answer}");
    };
    let mut far = good.clone();
    far["points"][0]["lat"] = json!(12.5);
    warned(&mut page, &far, "off_map");
    warned(&mut page, &tour(&map, "klein", "", "AX"), "unreachable");
    warned(&mut page, &tour(&map, "leer", "", "AF"), "off_map");
    assert!(page.ask(&json!({"seq": 7, "tour": good}))["plan"]["total"]["length_m"].is_number());
}

#[test]
fn too_much_at_once_ends_the_connection_and_no_other() {
    let home = Home::new();
    let map = small_map();
    home.import("klein", &map);
    let server = home.serve();
    let mut other = Page::open(&server);
    let mut page = Page::open(&server);
    // The other side may hang up before all of it is sent.
    let _ = page.0.send(Message::text("x".repeat(17_000_000)));
    assert!(matches!(page.closed_with(), Some(1009) | None));
    let document = tour(&map, "klein", "", "AF");
    assert_eq!(other.ask(&json!({"seq": 1, "tour": document}))["seq"], 1);
    assert_eq!(
        Page::open(&server).ask(&json!({"seq": 2, "tour": document}))["seq"],
        2
    );
}

#[test]
fn other_pages_and_plain_calls_are_kept_out() {
    let home = Home::new();
    let server = home.serve();
    let refused = |more: &[(&str, &str)]| Page::try_open(&server, more).err();
    assert_eq!(refused(&[("Origin", "http://example.org")]), Some(403));
    assert_eq!(refused(&[("Origin", "null")]), Some(403));
    assert_eq!(refused(&[("Host", "example.org")]), Some(403));
    assert_eq!(refused(&[("Sec-Fetch-Site", "cross-site")]), Some(403));
    server.get("/api/hand").refused(400);
    server.send("POST", "/api/hand", &json!({})).refused(405);
}

#[test]
fn connections_are_counted_and_given_back() {
    let home = Home::new();
    let map = small_map();
    home.import("klein", &map);
    let server = home.serve();
    let mut pages: Vec<Page> = (0..32).map(|_| Page::open(&server)).collect();
    assert_eq!(Page::try_open(&server, &[]).err(), Some(503));
    let document = tour(&map, "klein", "", "AFC");
    for page in &mut pages {
        page.send(&json!({"seq": 1, "tour": document}));
    }
    for page in &mut pages {
        assert_eq!(page.answer()["seq"], 1);
    }
    // One says goodbye, one is pulled off the wall.
    pages[0].0.close(None).unwrap();
    while pages[0].0.read().is_ok() {}
    drop(pages.pop());
    for _ in 0..2 {
        let mut again = Err(503);
        for _ in 0..100 {
            again = Page::try_open(&server, &[]);
            if again.is_ok() {
                break;
            }
            std::thread::sleep(Duration::from_millis(20));
        }
        pages.push(again.unwrap_or_else(|s| panic!("still refused with {s}")));
    }
}

#[test]
fn stopping_says_goodbye_to_pages() {
    let home = Home::new();
    let map = small_map();
    home.import("klein", &map);
    let server = home.serve();
    let mut page = Page::open(&server);
    page.ask(&json!({"seq": 1, "tour": tour(&map, "klein", "", "AF")}));
    let told = std::thread::spawn(move || page.closed_with());
    assert_eq!(server.stop(), Some(0));
    assert_eq!(told.join().unwrap(), Some(1001));
}
