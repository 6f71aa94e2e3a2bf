//! The command lines, fine and not.

use serde_json::Value;

use crate::{Home, names_in, small_map, stop};

#[test]
fn help_and_version_are_results() {
    let home = Home::new();
    assert!(home.lacet(&["--version"]).fine().starts_with("lacet "));
    let help = home.lacet(&["help"]).fine();
    for command in [
        "demo", "import", "regions", "serve", "plan", "convert", "check",
    ] {
        assert!(help.contains(command), "{help}");
        home.lacet(&[command, "--help"]).fine();
    }
    assert!(
        names_in(&home.data()).is_empty(),
        "asking for help made files"
    );
}

#[test]
fn a_wrong_call_is_one_line_and_a_hint() {
    let home = Home::new();
    home.lacet(&["fly"]).refused(1, &["fly"]);
    home.lacet(&["plan"]).refused(1, &["--region"]);
    home.lacet(&["import", "here"]).refused(1, &["FILE"]);
    home.lacet(&["serve", "--listen", "nowhere"])
        .refused(1, &["127.0.0.1:8080"]);
    home.lacet(&["serve", "--listen", "0.0.0.0:0"])
        .refused(1, &["other machines", "127.0.0.1"]);
    home.lacet(&["plan", "--region", "x", "-45.1,7.2"])
        .refused(1, &["stop:LAT,LON"]);
    home.lacet(&["plan", "--region", "x", "stop:1,2"])
        .refused(1, &["one point"]);
    home.lacet(&["plan", "--region", "x", "stop:1,2", "stop:1,3"])
        .refused(1, &["no region 'x'"]);
    home.lacet(&["regions", "extra"]).refused(1, &["extra"]);
}

#[test]
fn a_map_becomes_a_region_a_plan_and_files() {
    let home = Home::new();
    let map = small_map();
    home.import("klein", &map);

    let list = home.lacet(&["regions", "--json"]).json();
    let region = &list[0];
    assert_eq!(
        (list.as_array().unwrap().len(), &region["name"]),
        (1, &Value::from("klein"))
    );
    assert_eq!(region["counts"]["pieces"], 8);
    assert_eq!(region["has_heights"], false);
    let [west, south, east, north] =
        [0, 1, 2, 3].map(|i| region["bounds_deg"][i].as_f64().unwrap());
    for letter in ['A', 'F', 'X', 'Y'] {
        let (lat, lon) = map.lat_lon(letter).unwrap();
        assert!(
            (south - 1e-6..=north + 1e-6).contains(&lat)
                && (west - 1e-6..=east + 1e-6).contains(&lon)
        );
    }
    let table = home.lacet(&["regions"]).fine();
    assert!(
        table.lines().count() == 2 && table.contains("klein"),
        "{table}"
    );

    let (gpx, geojson) = (home.path("tag 1.gpx"), home.path("tag.geojson"));
    let (a, c) = (stop(&map, 'A'), stop(&map, 'C'));
    let args = [
        "plan", "--region", "klein", "--taste", "shortest", &a, &c, "--json",
    ];
    let files = [
        "--gpx",
        gpx.to_str().unwrap(),
        "--geojson",
        geojson.to_str().unwrap(),
    ];
    let plan = home.lacet(&[&args[..], &files[..]].concat()).json();
    // Six steps of 500 m; the drawing is flat on a plane that touches the ground there.
    let length_m = plan["total"]["length_m"].as_f64().unwrap();
    assert!((length_m - 3000.0).abs() < 3.0, "{length_m}");
    // Back against the one-way: round by E and D, six steps and four rows.
    let back = [
        "plan", "--region", "klein", "--taste", "shortest", &c, &a, "--json",
    ];
    let back_m = home.lacet(&back).json()["total"]["length_m"]
        .as_f64()
        .unwrap();
    assert!((back_m - 5000.0).abs() < 5.0, "{back_m}");

    let text = home.lacet(&args[..7]).fine();
    assert!(
        text.contains("3.0 km") && text.contains("Planning aid only"),
        "{text}"
    );
    assert!(text.contains("OpenStreetMap") || plan["attribution"].is_null());

    home.lacet(&["check", gpx.to_str().unwrap()]).fine();
    let kml = home.path("tag.kml");
    let joined = home.path("both.gpx");
    let path = |p: &std::path::PathBuf| p.to_str().unwrap().to_owned();
    home.lacet(&["convert", &path(&gpx), "-o", &path(&kml)])
        .fine();
    home.lacet(&[
        "convert",
        &path(&kml),
        &path(&geojson),
        "-o",
        &path(&joined),
    ])
    .fine();
    let both = std::fs::read_to_string(&joined).unwrap();
    let one = std::fs::read_to_string(&gpx).unwrap();
    assert_eq!(one.matches("<trk>").count(), 1);
    assert_eq!(both.matches("<trk>").count(), 2, "{both}");
    assert_eq!(
        both.matches("<trkpt").count(),
        2 * one.matches("<trkpt").count()
    );
}

#[test]
fn data_goes_where_it_is_told() {
    let home = Home::new();
    let map = small_map();
    let file = home.path("m.osm");
    map.write_xml(&file).unwrap();
    let elsewhere = home.path("elsewhere");
    home.lacet(&[
        "--data",
        elsewhere.to_str().unwrap(),
        "import",
        "m",
        file.to_str().unwrap(),
    ])
    .fine();
    assert_eq!(names_in(&elsewhere.join("regions")), ["m.region"]);
    assert!(names_in(&home.data()).is_empty());
    let mut command = home.command();
    command
        .env("LACET_DATA", &elsewhere)
        .args(["regions", "--json"]);
    assert_eq!(crate::run(command).json()[0]["name"], "m");
    let mut command = home.command();
    command
        .env("LACET_DATA", "")
        .env("XDG_DATA_HOME", home.path("xdg"));
    home.import("other", &map);
    std::fs::create_dir_all(home.path("xdg")).unwrap();
    std::fs::rename(home.data(), home.path("xdg/lacet")).unwrap();
    command.args(["regions", "--json"]);
    assert_eq!(crate::run(command).json()[0]["name"], "other");
}

#[test]
fn a_place_no_road_leads_to_is_said_and_no_file_written() {
    let home = Home::new();
    let map = small_map();
    home.import("klein", &map);
    let (a, x) = (stop(&map, 'A'), stop(&map, 'X'));
    let gpx = home.path("no.gpx");
    let ran = home.lacet(&[
        "plan",
        "--region",
        "klein",
        &a,
        &x,
        "--json",
        "--gpx",
        gpx.to_str().unwrap(),
    ]);
    ran.refused(1, &["point 1", "point 2", "free:"]);
    let plan: Value = serde_json::from_str(&ran.stdout).unwrap();
    assert!(plan["legs"][0]["trouble"].is_string());
    assert!(!gpx.exists(), "a line that no one can ride was written");

    let free = format!("free:{x}");
    let plan = home.lacet(&[
        "plan",
        "--region",
        "klein",
        &a,
        &free,
        "--json",
        "--gpx",
        gpx.to_str().unwrap(),
    ]);
    let plan = plan.json();
    assert!(plan["legs"][0]["trouble"].is_null());
    assert_eq!(plan["legs"][0]["kind"], "free");
    assert!(plan["total"]["free_m"].as_f64().unwrap() > 1000.0);
    assert!(gpx.exists());

    let far = "stop:45.9,-29.5";
    home.lacet(&["plan", "--region", "klein", &a, far])
        .refused(1, &["point 2"]);
}

#[test]
fn swapped_coordinates_are_recognised() {
    let home = Home::new();
    let map = small_map();
    home.import("klein", &map);
    let a = stop(&map, 'A');
    home.lacet(&["plan", "--region", "klein", &a, "stop:-120.5,45.0"])
        .refused(1, &["swapped"]);
    let (lat, lon) = map.lat_lon('C').unwrap();
    let swapped = format!("via:{lon:.5},{lat:.5}");
    let ran = home.lacet(&["plan", "--region", "klein", &a, &swapped, &a]);
    ran.refused(
        1,
        &[
            "point 2",
            "swapped",
            &format!("write via:{:.5},{lon:.5}", lat),
        ],
    );
}

#[test]
fn tastes_are_known_by_name() {
    let home = Home::new();
    let args = ["plan", "--region", "x", "stop:1,2", "stop:1,3", "--taste"];
    home.lacet(&[&args[..], &["curvy"]].concat())
        .refused(1, &["curvy", "fastest", "shortest"]);
    home.lacet(&[&args[..], &["mine.toml"]].concat())
        .refused(1, &["mine.toml", "taste file"]);
    std::fs::write(home.path("mine.toml"), "name = \"mine\"\n\nbends = 7\n").unwrap();
    home.lacet(&[&args[..], &["mine.toml"]].concat())
        .refused(1, &["line 3", "0 to 1"]);
}

#[test]
fn bad_maps_are_refused_and_leave_what_was_there() {
    let home = Home::new();
    let map = small_map();
    home.import("klein", &map);
    let before = std::fs::read(home.region("klein")).unwrap();

    let pbf = home.path("whole.osm.pbf");
    map.write_pbf(&pbf).unwrap();
    let whole = std::fs::read(&pbf).unwrap();
    std::fs::write(home.path("cut.osm.pbf"), &whole[..whole.len() * 2 / 3]).unwrap();
    std::fs::write(home.path("letter.osm.pbf"), "Dear aunt, no map today.").unwrap();
    std::fs::write(home.path("letter.osm"), "Dear aunt, no map today.").unwrap();
    std::fs::write(home.path("empty.osm"), "<osm version=\"0.6\"></osm>").unwrap();
    std::fs::write(home.path("nothing.osm.bz2"), "").unwrap();
    for bad in [
        "cut.osm.pbf",
        "letter.osm.pbf",
        "letter.osm",
        "empty.osm",
        "nothing.osm.bz2",
    ] {
        home.lacet(&["import", "klein", bad]).refused(2, &[]);
        // An extract without roads may well lie beside one with roads.
        if bad != "empty.osm" {
            home.lacet(&["import", "fresh", "klein.osm", bad])
                .refused(2, &[]);
        }
    }
    home.lacet(&["import", "klein", "absent.osm"])
        .refused(1, &["absent.osm"]);
    home.lacet(&["import", "klein", "."])
        .refused(1, &["folder"]);
    home.lacet(&["import", "klein", "klein.osm", "--elevation", "absent"])
        .refused(1, &["absent"]);
    for name in [
        "",
        "Klein",
        "a b",
        "../x",
        "a/b",
        ".hidden",
        "-x",
        "ä",
        &"x".repeat(65),
    ] {
        let ran = home.lacet(&["import", name, "klein.osm"]);
        ran.refused(1, &[]);
    }
    assert_eq!(std::fs::read(home.region("klein")).unwrap(), before);
    assert_eq!(names_in(&home.data().join("regions")), ["klein.region"]);
}

#[test]
fn importing_again_gives_the_same_bytes() {
    let home = Home::new();
    let map = small_map();
    home.import("klein", &map);
    let before = std::fs::read(home.region("klein")).unwrap();
    home.import("klein", &map);
    assert_eq!(std::fs::read(home.region("klein")).unwrap(), before);
}

#[test]
fn an_unusable_region_file_is_named_and_the_others_still_work() {
    let home = Home::new();
    let map = small_map();
    home.import("good", &map);
    let bytes = std::fs::read(home.region("good")).unwrap();
    let spoil = |name: &str, change: &dyn Fn(&mut Vec<u8>)| {
        let mut bytes = bytes.clone();
        change(&mut bytes);
        std::fs::write(home.region(name), bytes).unwrap();
    };
    spoil("flipped", &|b| {
        let middle = b.len() / 2;
        b[middle] ^= 4;
    });
    spoil("other", &|b| b[8] = 99);
    spoil("cut", &|b| b.truncate(b.len() - 100));
    spoil("foreign", &|b| b[..8].copy_from_slice(b"SOMEFILE"));
    spoil("empty", &|b| b.clear());
    let (a, c) = (stop(&map, 'A'), stop(&map, 'C'));
    for (name, word) in [
        ("flipped", "damaged"),
        ("other", "format 99"),
        ("cut", "damaged"),
        ("foreign", "not a region"),
        ("empty", "not a region"),
    ] {
        home.lacet(&["plan", "--region", name, &a, &c])
            .refused(2, &[word, "import"]);
    }
    home.lacet(&["plan", "--region", "good", &a, &c]).fine();
    let list = home.lacet(&["regions", "--json"]).json();
    let list = list.as_array().unwrap();
    assert_eq!(list.iter().filter(|r| r["trouble"].is_string()).count(), 5);
    assert_eq!(list.iter().filter(|r| r["trouble"].is_null()).count(), 1);
}

#[test]
fn ride_files_that_cannot_be_read_are_refused() {
    let home = Home::new();
    std::fs::write(home.path("letter.gpx"), "Dear aunt").unwrap();
    std::fs::write(home.path("cut.gpx"), "<gpx version=\"1.1\"><trk>").unwrap();
    std::fs::write(
        home.path("bomb.gpx"),
        "<!DOCTYPE gpx [<!ENTITY a \"aaaa\"><!ENTITY b \"&a;&a;\">]><gpx version=\"1.1\"><name>&b;</name></gpx>",
    )
    .unwrap();
    for bad in ["letter.gpx", "cut.gpx", "bomb.gpx"] {
        home.lacet(&["convert", bad, "-o", "out.gpx"])
            .refused(2, &[bad]);
        home.lacet(&["check", bad]).refused(2, &[bad]);
    }
    // A file larger than any that is read, without its bytes on the disk.
    std::fs::File::create(home.path("huge.gpx"))
        .unwrap()
        .set_len(500_000_000)
        .unwrap();
    home.lacet(&["convert", "huge.gpx", "-o", "out.gpx"])
        .refused(2, &["200 MB"]);
    home.lacet(&["convert", "absent.gpx", "-o", "out.gpx"])
        .refused(1, &["absent.gpx"]);
    home.lacet(&["convert", "letter.gpx", "-o", "out.doc"])
        .refused(1, &[".geojson"]);
    assert!(!home.path("out.gpx").exists());
    let found = home.lacet(&["check", "--json", "cut.gpx"]);
    assert_eq!(found.code, Some(2));
    let found: Value = serde_json::from_str(&found.stdout).unwrap();
    assert!(
        found
            .as_array()
            .unwrap()
            .iter()
            .any(|f| f["severity"] == "error")
    );
}

#[test]
fn a_recording_is_laid_on_roads() {
    let home = Home::new();
    let map = small_map();
    home.import("klein", &map);
    let at = |letter| map.lat_lon(letter).unwrap();
    // Against the one-way from B to A, then into the fields, 30 s a point.
    let (b, a) = (at('B'), at('A'));
    let mut fixes: Vec<(f64, f64)> = (0..=30)
        .map(|i| f64::from(i) / 30.0)
        .map(|t| (b.0 + (a.0 - b.0) * t + 0.00003, b.1 + (a.1 - b.1) * t))
        .collect();
    fixes.extend((1..=10).map(|i| (a.0 + 0.0006 * f64::from(i), a.1)));
    let points: String = fixes
        .iter()
        .map(|(lat, lon)| format!("<trkpt lat=\"{lat:.7}\" lon=\"{lon:.7}\"/>"))
        .collect();
    let gpx =
        format!("<gpx version=\"1.1\" creator=\"t\"><trk><trkseg>{points}</trkseg></trk></gpx>");
    std::fs::write(home.path("ride.gpx"), gpx).unwrap();
    let call = ["match", "ride.gpx", "--region", "klein"];
    let said = home.lacet(&call).fine();
    assert!(said.contains("against a one-way"), "{said}");
    let json = home.lacet(&[&call[..], &["--json"]].concat()).json();
    assert_eq!(json["points"], 41);
    assert_eq!(json["gaps"].as_array().unwrap().len(), 0);
    assert_eq!(json["breaches"][0]["rule"], "one_way");
    let km = |key: &str| json[key].as_f64().unwrap();
    assert!(
        (km("matched_km") - 1.5).abs() < 0.05,
        "{}",
        json["matched_km"]
    );
    assert!(
        (km("off_road_km") - 0.66).abs() < 0.1,
        "{}",
        json["off_road_km"]
    );
    assert!((km("mean_m") - 3.3).abs() < 1.5, "{}", json["mean_m"]);
    let parts = json["parts"].as_array().unwrap();
    assert_eq!(parts.len(), 2);
    assert_eq!(parts[0]["ways"].as_array().unwrap().len(), 1);
    let line = json["line"].as_array().unwrap();
    assert_eq!(
        parts[1]["line_to"].as_u64().unwrap() as usize,
        line.len() - 1
    );
    home.lacet(&["match", "absent.gpx", "--region", "klein"])
        .refused(1, &["absent.gpx"]);
    std::fs::write(home.path("none.gpx"), "<gpx version=\"1.1\"/>").unwrap();
    home.lacet(&["match", "none.gpx", "--region", "klein"])
        .refused(2, &["none.gpx"]);
}
