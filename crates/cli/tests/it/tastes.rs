//! Tastes from outside: what they choose, their files, their shading of tiles.

use serde_json::{Value, json};
use synth::{Node, Way, World};

use crate::{Home, small_map};

/// Five roads from west to east, 12 km: short through a town, fast, winding, quiet and unpaved.
pub(crate) fn five_roads() -> World {
    let mut world = World::default();
    let node = |world: &mut World, [east_m, north_m]: [f64; 2]| {
        let id = world.nodes.len() as i64 + 1;
        // Metres to degrees near 45° north; a few per mille do not matter here.
        let (lat, lon) = (45.0 + north_m / 111_130.0, -30.0 + east_m / 78_850.0);
        world.nodes.push(Node {
            id,
            lat_e7: (lat * 1e7).round() as i32,
            lon_e7: (lon * 1e7).round() as i32,
            tags: vec![],
        });
        id
    };
    let tagged = |tags: &[(&str, &str)]| {
        let tags = tags.iter().map(|&(k, v)| (k.into(), v.into()));
        tags.collect::<Vec<(String, String)>>()
    };
    let ends = [[-400.0, 0.0], [0.0, 0.0], [12_000.0, 0.0], [12_400.0, 0.0]];
    let ends = ends.map(|p| node(&mut world, p));
    let way = |world: &mut World, refs: Vec<i64>, tags: &[(&str, &str)]| {
        let id = world.ways.len() as i64 + 1;
        let tags = tagged(tags);
        world.ways.push(Way { id, refs, tags });
    };
    for pair in [[ends[0], ends[1]], [ends[2], ends[3]]] {
        way(
            &mut world,
            pair.to_vec(),
            &[("highway", "secondary"), ("name", "Rand")],
        );
    }
    #[expect(clippy::type_complexity, reason = "a table of roads")]
    let roads: [(f64, f64, &[(&str, &str)]); 5] = [
        (
            0.0,
            0.0,
            &[
                ("name", "Kurz"),
                ("highway", "residential"),
                ("maxspeed", "30"),
            ],
        ),
        (
            1900.0,
            0.0,
            &[
                ("name", "Schnell"),
                ("highway", "trunk"),
                ("maxspeed", "100"),
            ],
        ),
        (
            -1500.0,
            40.0,
            &[
                ("name", "Kehren"),
                ("highway", "secondary"),
                ("maxspeed", "100"),
            ],
        ),
        (
            900.0,
            0.0,
            &[
                ("name", "Still"),
                ("highway", "tertiary"),
                ("maxspeed", "80"),
            ],
        ),
        (
            -2600.0,
            0.0,
            &[
                ("name", "Schotter"),
                ("highway", "unclassified"),
                ("surface", "gravel"),
                ("maxspeed", "80"),
            ],
        ),
    ];
    for (bow_m, swing_m, tags) in roads {
        let mut refs = vec![ends[1]];
        for i in 1..800 {
            let e = f64::from(i) * 15.0;
            let bow = (e / 12_000.0 * std::f64::consts::PI).sin().powf(0.3) * bow_m;
            let swing = (e / 400.0 * std::f64::consts::TAU).sin() * swing_m;
            refs.push(node(&mut world, [e, bow + swing]));
        }
        refs.push(ends[2]);
        let mut tags = tags.to_vec();
        if !tags.iter().any(|t| t.0 == "surface") {
            tags.push(("surface", "asphalt"));
        }
        way(&mut world, refs, &tags);
    }
    world
}

const ACROSS: [&str; 2] = ["stop:45.0,-30.004", "stop:45.0,-29.8440"];

fn longest_run(plan: &Value) -> String {
    let line = &plan["legs"][0]["line"];
    let at = |i: &Value| {
        line["distance_m"][i.as_u64().unwrap() as usize]
            .as_f64()
            .unwrap()
    };
    let runs = line["runs"].as_array().unwrap();
    let longest = runs
        .iter()
        .max_by(|a, b| {
            let length = |r: &Value| at(&r["to"]) - at(&r["from"]);
            length(a).total_cmp(&length(b))
        })
        .unwrap();
    longest["name"].as_str().unwrap().to_owned()
}

#[test]
fn every_taste_takes_the_road_its_name_says() {
    let home = Home::new();
    home.import("five", &five_roads());
    let plan = |taste: &str| {
        let args = ["plan", "--region", "five", "--json", "--taste", taste];
        home.lacet(&[&args[..], &ACROSS].concat()).json()
    };
    for (taste, road) in [
        ("shortest", "Kurz"),
        ("fastest", "Schnell"),
        ("winding", "Kehren"),
        ("quiet", "Still"),
        ("dirt", "Schotter"),
    ] {
        let plan = plan(taste);
        assert_eq!(longest_run(&plan), road, "{taste}: {}", plan["taste_price"]);
        let price = &plan["taste_price"];
        assert_eq!(price.is_null(), taste == "fastest");
        if taste == "winding" {
            assert!(price["winding_m"].as_f64().unwrap() > 10_000.0, "{price}");
            assert!(
                price["winding_m_fastest"].as_f64().unwrap() < 500.0,
                "{price}"
            );
            assert!(price["extra_s"].as_f64().unwrap() > 60.0, "{price}");
        }
    }
    // A file of one's own, made from one that is there.
    let mine = "name = \"mine\"\nbends = 1\nlonger_min = 30\nmotorways = \"never\"\n";
    std::fs::write(home.path("mine.toml"), mine).unwrap();
    assert_eq!(longest_run(&plan("mine.toml")), "Kehren");
    let said = home.lacet(
        &[
            &["plan", "--region", "five", "--taste", "winding"][..],
            &ACROSS,
        ]
        .concat(),
    );
    let said = said.fine();
    assert!(said.contains("of winding road"), "{said}");
}

#[test]
fn tastes_are_offered_read_and_written() {
    let home = Home::new();
    let server = home.serve();
    let tastes = server.get("/api/tastes").expect(200);
    let tastes = tastes.as_array().unwrap();
    for name in ["shortest", "fastest", "winding", "quiet", "dirt"] {
        let taste = tastes.iter().find(|t| t["name"] == name).unwrap();
        for dial in ["bends", "hills", "quiet", "surroundings", "longer_min"] {
            assert!(taste[dial].is_number(), "{dial} of {name}");
        }
        assert!(taste["surface"]["seek_unpaved"].is_number());
        let file = server.send("POST", "/api/tastes/write", taste);
        assert_eq!(
            (file.status, file.header("content-type")),
            (200, Some("application/toml"))
        );
        let names = file.header("content-disposition").unwrap();
        assert!(names.contains(&format!("{name}.toml")), "{names}");
        let read = server.upload("/api/tastes/read", &file.body).expect(200);
        assert_eq!(read, *taste);
    }
    let answer = server.upload("/api/tastes/read", b"name = \"a\"\nbends = 9");
    assert!(answer.json()["error"].as_str().unwrap().contains("line 2"));
    answer.refused(422);
    server
        .upload("/api/tastes/read", b"name = \"\xff\"")
        .refused(422);
    server
        .upload("/api/tastes/read", &[b'#'; 64_500])
        .refused(413);
    if let Some(answer) = server.try_upload("/api/tastes/read", &[b'#'; 1_000_000]) {
        answer.refused(413);
    }
    server.get("/api/tastes").expect(200);
    let odd = json!({"name": "a", "bends": -1});
    server.send("POST", "/api/tastes/write", &odd).refused(422);
}

#[test]
fn tiles_show_what_roads_are_worth_to_a_taste() {
    let home = Home::new();
    let map = small_map();
    home.import("klein", &map);
    let server = home.serve();
    let (x, y) = super::http::tile_of(45.0, -30.0, 14);
    let tile =
        |question: &str| server.get(&format!("/api/regions/klein/tiles/14/{x}/{y}{question}"));
    let plain = tile("");
    let has = |body: &[u8], word: &str| body.windows(word.len()).any(|w| w == word.as_bytes());
    assert!(!has(&plain.body, "worth"));
    let quiet = tile("?taste=quiet");
    assert_eq!(quiet.status, 200);
    assert!(has(&quiet.body, "worth"));
    assert_eq!(has(&quiet.body, "places"), has(&plain.body, "places"));
    let roads = tile("?taste=quiet&only=roads");
    assert!(has(&roads.body, "worth") && !has(&roads.body, "places"));
    let tag = |taste: &str| {
        tile(&format!("?taste={taste}"))
            .header("etag")
            .unwrap()
            .to_owned()
    };
    assert_ne!(tag("quiet"), plain.header("etag").unwrap());
    assert_ne!(tag("quiet"), tag("dirt"));
    // {"name":"a","bends":1,"longer_min":N}: the price makes no difference to the worth.
    let own =
        |n: u32| format!("%7B%22name%22%3A%22a%22%2C%22bends%22%3A1%2C%22longer_min%22%3A{n}%7D");
    assert_eq!(tag(&own(1)), tag(&own(9)));
    let again = server.get_with(
        &format!("/api/regions/klein/tiles/14/{x}/{y}?taste=quiet"),
        &[("If-None-Match", &tag("quiet"))],
    );
    assert_eq!((again.status, again.body.len()), (304, 0));
    for bad in [
        "?taste=bendy",
        "?taste=%7B",
        "?taste=%7B%22name%22%3A1%7D",
        "?only=roads",
        "?taste=quiet&only=x",
    ] {
        tile(bad).refused(400);
    }
    tile(&own(31).replace("%7B", "?taste=%7B")).refused(400);
}
