//! Reading GeoJSON and KML of other hands.

use planner::files::{Counts, Ride, read};

fn ride(text: &str) -> Ride {
    read("x", text.as_bytes()).unwrap()
}

fn refusal(text: &str) -> String {
    let message = read("ride", text.as_bytes())
        .expect_err("was read")
        .to_string();
    assert!(!message.contains('\n') && message.len() < 300, "{message}");
    message
}

#[test]
fn reads_geojson() {
    // RFC 7946 section 1.5, the example document, its polygon included.
    let example = r#"{ "type": "FeatureCollection", "features": [
      { "type": "Feature", "geometry": { "type": "Point", "coordinates": [102.0, 0.5] },
        "properties": { "prop0": "value0" } },
      { "type": "Feature", "geometry": { "type": "LineString", "coordinates": [
          [102.0, 0.0], [103.0, 1.0], [104.0, 0.0], [105.0, 1.0] ] },
        "properties": { "prop0": "value0", "prop1": 0.0 } },
      { "type": "Feature", "geometry": { "type": "Polygon", "coordinates": [ [
          [100.0, 0.0], [101.0, 0.0], [101.0, 1.0], [100.0, 1.0], [100.0, 0.0] ] ] },
        "properties": { "prop0": "value0", "prop1": { "this": "that" } } } ] }"#;
    let read = ride(example);
    let counts = Counts {
        tracks: 1,
        segments: 1,
        track_points: 4,
        waypoints: 1,
        ..Counts::default()
    };
    assert_eq!(read.counts(), counts);
    assert_eq!(
        (read.waypoints[0].at.lat, read.waypoints[0].at.lon),
        (0.5, 102.0)
    );
    assert_eq!(read.warnings, ["1 areas were left out"]);

    // Members in any order, heights, times, names; bare geometries and collections of them.
    let read = ride(
        r#"{"geometry":{"coordinates":[[[7,46,1200.5],[7.1,46,null]],[[8,46],[8.1,46,3]]],"type":"MultiLineString"},
            "properties":{"name":"Über\n den  Pass","coordinateProperties":{"times":[["2024-05-01T08:00:00Z",null],[1714550400000,"x"]]}},
            "type":"Feature","id":7}"#,
    );
    let track = &read.tracks[0];
    assert_eq!(track.name, "Über den Pass");
    assert_eq!(
        track.segments.iter().map(Vec::len).collect::<Vec<_>>(),
        [2, 2]
    );
    assert_eq!(track.segments[0][0].height_m, Some(1200.5));
    assert_eq!(track.segments[0][0].time_s, Some(1_714_550_400.0));
    assert_eq!(track.segments[0][1].height_m, None);
    assert_eq!(track.segments[1][0].time_s, Some(1_714_550_400.0));
    assert_eq!(
        read.warnings,
        ["1 times could not be read and were left out"]
    );
    let read = ride(r#"{"type":"MultiPoint","coordinates":[[1,2],[3,4]]}"#);
    assert_eq!(read.waypoints.len(), 2);
    let read = ride(
        "\u{feff}{\"type\":\"GeometryCollection\",\"geometries\":[{\"type\":\"Point\",\"coordinates\":[1,2]},\
         {\"type\":\"LineString\",\"coordinates\":[[1,2],[3,4]]}]}",
    );
    assert_eq!((read.waypoints.len(), read.tracks.len()), (1, 1));
    assert_eq!(
        ride(r#"{"type":"Feature","geometry":null,"properties":null}"#),
        Ride::default()
    );
    assert_eq!(
        ride(r#"{"type":"FeatureCollection","features":[]}"#),
        Ride::default()
    );
}

#[test]
fn refuses_geojson_in_one_clear_line() {
    for (text, part) in [
        (
            r#"{"type":"LineString","coordinates":[[1,2],[3"#,
            "breaks off",
        ),
        (
            r#"{"type":"LineString","coordinates":[[1,2],[3,91.5]]}"#,
            "latitude 91.5 is outside",
        ),
        (
            r#"{"type":"LineString","coordinates":[[1,2],[500000,5000000]]}"#,
            "(position 2; GeoJSON needs degrees",
        ),
        (r#"{"type":"Point","coordinates":[1]}"#, "only one number"),
        (r#"{"type":"Point","coordinates":[null,1]}"#, "null"),
        (r#"{"type":"Point","coordinates":[1e999,1]}"#, "line 1"),
        (
            r#"{"type":"Point","coordinates":[[1,2]]}"#,
            "nested wrongly",
        ),
        (r#"{"type":"LineString","coordinates":[[1,2],3]}"#, "mix"),
        (
            r#"{"type":"LineString","coordinates":[[1,2],[[3,4]]]}"#,
            "unevenly",
        ),
        (
            r#"{"type":"LineString","coordinates":"abc"}"#,
            "invalid type",
        ),
        (
            r#"{"type":"Topology","objects":{}}"#,
            "\"Topology\" is no GeoJSON type",
        ),
        (r#"{"a":1}"#, "\"type\" is missing"),
        ("{\n\"a\" 1}", "line 2: not well-formed JSON"),
        ("[1,2]", "expected a GeoJSON object"),
        (
            r#"{"type":"Point","coordinates":[1,2]} x"#,
            "not well-formed",
        ),
        (r#"{"type":"Point"}"#, "no coordinates"),
    ] {
        let message = refusal(text);
        assert!(message.contains(part), "{text}: {message}");
    }
    let deep = format!(
        "{{\"type\":\"Point\",\"coordinates\":{}",
        "[".repeat(200_000)
    );
    assert!(refusal(&deep).contains("nested too deep"));
    let deep = format!("{{\"x\":{}", "[".repeat(200_000));
    assert!(refusal(&deep).contains("breaks off"));
    let many = format!(
        "{{\"type\":\"FeatureCollection\",\"features\":[{}",
        "{},".repeat(5_000_001)
    );
    assert!(refusal(&many).contains("\"type\" is missing"));
    let many = format!(
        "{{\"type\":\"MultiPoint\",\"coordinates\":[{}",
        "[1,2],".repeat(5_000_001)
    );
    assert!(refusal(&many).contains("more than 5 million"));
}

#[test]
fn reads_kml() {
    let read = ride(
        r#"<?xml version="1.0"?><kml xmlns="http://www.opengis.net/kml/2.2" xmlns:gx="http://www.google.com/kml/ext/2.2">
        <Document><name>Trip</name><Style id="s"><LineStyle/></Style><Folder><name>Inner</name>
        <Placemark><name>Pass</name><TimeStamp><when>2024-05-01T08:00:00Z</when></TimeStamp>
          <Point><coordinates>7.5,46.5,2400</coordinates></Point></Placemark>
        <Placemark><name>Way</name><MultiGeometry>
          <LineString><coordinates>
             7,46 7.1,46.1,5
             7.2, 46.2, 6</coordinates></LineString>
          <LineString><coordinates>8,47 8.1,47</coordinates></LineString></MultiGeometry></Placemark>
        <Placemark><gx:Track><when>2024-05-01T08:00:00Z</when><when>2024-05-01T08:00:10Z</when>
          <gx:coord>7 46 100</gx:coord><gx:coord>7.1 46.1 101</gx:coord></gx:Track></Placemark>
        <Placemark><Polygon><outerBoundaryIs/></Polygon></Placemark>
        <NetworkLink/></Folder></Document></kml>"#,
    );
    assert_eq!(read.name, "Trip");
    let counts = Counts {
        tracks: 2,
        segments: 3,
        track_points: 7,
        waypoints: 1,
        ..Counts::default()
    };
    assert_eq!(read.counts(), counts);
    assert_eq!(read.waypoints[0].at.height_m, Some(2400.0));
    assert_eq!(read.waypoints[0].at.time_s, Some(1_714_550_400.0));
    assert_eq!(read.tracks[0].segments[0][2].height_m, Some(6.0));
    assert_eq!(read.tracks[1].segments[0][1].time_s, Some(1_714_550_410.0));
    assert_eq!(read.warnings.len(), 2, "{:?}", read.warnings);
    // Old files have no namespace, or another one.
    assert_eq!(
        ride("<kml><Placemark><Point><coordinates>1,2</coordinates></Point></Placemark></kml>")
            .waypoints
            .len(),
        1
    );
}

#[test]
fn refuses_kml_in_one_clear_line() {
    let kml = |c: &str| {
        format!(
            "<kml><Placemark><LineString><coordinates>{c}</coordinates></LineString></Placemark></kml>"
        )
    };
    for (text, part) in [
        (
            kml("1,2 3,91.5"),
            "latitude 91.5 is outside -90..90; are latitude and longitude swapped? (<coordinates>, item 3 of the file)",
        ),
        (kml("1,2 3"), "only one number"),
        (kml("1,x"), "\"x\" is not a number"),
        (kml("NaN,1"), "not a finite number"),
        ("<kml><Document>".into(), "breaks off inside <Document>"),
        (
            "<!DOCTYPE kml [<!ENTITY a 'b'>]><kml/>".into(),
            "document type definition",
        ),
        (
            format!("<kml>{}", "<Folder>".repeat(5000)),
            "nested more than 100 deep",
        ),
    ] {
        let message = refusal(&text);
        assert!(message.contains(part), "{message}");
    }
}
