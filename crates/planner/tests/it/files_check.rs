//! Objections to GPX files, against xmllint with the published schemas.

use planner::files::{Objection, Ride, Severity, check, write_gpx};

use crate::files_gpx::{run, shared};

fn errors(bytes: &[u8]) -> Vec<String> {
    let is_error = |o: &Objection| o.severity == Severity::Error;
    check(bytes)
        .into_iter()
        .filter(is_error)
        .map(|o| o.text)
        .collect()
}

/// For every real file: an error exactly where xmllint finds one. (xmllint, too, refuses the
/// over-long decimals of rs-04, which the letter of XML Schema would allow.)
#[test]
fn agrees_with_xmllint() {
    let (Some(dir), Some(schemas)) = (shared("gpx"), shared("xsd")) else {
        return;
    };
    let mut compared = [0, 0];
    for entry in std::fs::read_dir(dir).unwrap() {
        let path = entry.unwrap().path();
        let bytes = std::fs::read(&path).unwrap();
        let is_old =
            String::from_utf8_lossy(&bytes).contains("\"http://www.topografix.com/GPX/1/0\"");
        let schema = schemas.join(if is_old { "gpx10.xsd" } else { "gpx11.xsd" });
        let arguments = [
            "--noout",
            "--schema",
            schema.to_str().unwrap(),
            path.to_str().unwrap(),
        ];
        let Some((valid, said)) = run("xmllint", &arguments) else {
            return;
        };
        let errors = errors(&bytes);
        assert_eq!(
            errors.is_empty(),
            valid,
            "{}\n{errors:#?}\n{said}",
            path.display()
        );
        compared[usize::from(valid)] += 1;
    }
    assert!(compared[0] >= 12 && compared[1] >= 25, "{compared:?}");
}

fn gpx(version: &str, body: &str) -> String {
    let ns = version.replace('.', "/");
    format!(
        "<gpx version=\"{version}\" creator=\"x\" xmlns=\"http://www.topografix.com/GPX/{ns}\">{body}</gpx>"
    )
}

const POINT: &str = "lat=\"1\" lon=\"2\"";

/// Small files, each with one fault or none: the same verdict as xmllint.
#[test]
fn agrees_with_xmllint_on_single_faults() {
    let wpt = |inner: &str| format!("<wpt {POINT}>{inner}</wpt>");
    let metadata = |inner: &str| format!("<metadata>{inner}</metadata>");
    let eleven = [
        String::new(),
        wpt("<ele>1</ele><time>2024-05-01T08:00:00Z</time><name/><link href='u'/><link href='v'/>"),
        wpt("<time>2024-05-01T08:00:00Z</time><ele>1</ele>"),
        wpt("<ele>1</ele><ele>1</ele>"),
        wpt("<ele>1e3</ele>"),
        wpt("<ele> +1.50 </ele>"),
        wpt("<ele>.5</ele>"),
        wpt("<ele>5.</ele>"),
        wpt("<ele>.</ele>"),
        wpt("<ele/>"),
        wpt("<ele>1<b/></ele>"),
        wpt("<ele a='1'>1</ele>"),
        wpt("<time>2024-05-01 08:00:00</time>"),
        wpt("<time>2024-05-01T08:00:00</time>"),
        wpt("<time>2024-05-01T08:00:00.123456+02:00</time>"),
        wpt("<time>2024-05-01T08:00:00+0200</time>"),
        wpt("<time>2024-05-01T24:00:00Z</time>"),
        wpt("<time>2024-05-01T08:00:60Z</time>"),
        wpt("<time>2024-02-30T08:00:00Z</time>"),
        wpt("<time>2024-05-01T08:00Z</time>"),
        wpt("<magvar>360</magvar>"),
        wpt("<magvar>359.9</magvar>"),
        wpt("<fix>4d</fix>"),
        wpt("<sat>-1</sat>"),
        wpt("<sat>+3</sat>"),
        wpt("<dgpsid>1024</dgpsid>"),
        wpt("<dgpsid>1023</dgpsid>"),
        wpt("<speed>3</speed>"),
        wpt("<extensions><a xmlns='urn:a'><b/></a></extensions>"),
        wpt("<extensions><a xmlns=''/></extensions>"),
        wpt("<extensions><wpt/></extensions>"),
        wpt("<extensions>x</extensions>"),
        wpt("<extensions/><extensions/>"),
        wpt("<a xmlns='urn:a'/>"),
        wpt("<link><text>t</text></link>"),
        wpt("text"),
        wpt("<name>a]b &amp; &#233;</name>"),
        "<wpt lat='1'/>".into(),
        "<wpt lat='90' lon='-180'/>".into(),
        "<wpt lat='1' lon='180'/>".into(),
        "<wpt lat='1' lon='179.99999'/>".into(),
        "<wpt lat='-90.1' lon='1'/>".into(),
        format!("<wpt {POINT} id='3'/>"),
        format!("<wpt {POINT} lat='3'/>"),
        format!("<trk/><wpt {POINT}/>"),
        format!("<rte><rtept {POINT}/><name>late</name></rte>"),
        format!("<rte><number>1</number><type>t</type><rtept {POINT}/><rtept {POINT}/></rte>"),
        format!("<trk><trkpt {POINT}/></trk>"),
        format!("<trk><trkseg><trkpt {POINT}/></trkseg><trkseg/></trk>"),
        "<trk/><metadata/>".into(),
        metadata(
            "<name>n</name><copyright author='a'><year>2024</year><license>u</license></copyright>",
        ),
        metadata("<copyright><year>2024</year></copyright>"),
        metadata("<copyright author='a'><year>24</year></copyright>"),
        metadata("<author><name>n</name><email id='a' domain='b'/></author>"),
        metadata("<author>n</author>"),
        metadata("<bounds minlat='1' minlon='1' maxlat='2'/>"),
        metadata("<time/>"),
        "<!-- a -- b -->".into(),
        "<!-- a - b -->".into(),
        "<name>&</name>".into(),
        "<metadata><name>a & b</name></metadata>".into(),
        "<metadata><name>a\u{1}b</name></metadata>".into(),
        "<metadata><name a=b/></metadata>".into(),
        "<metadata><name>a</metadata>".into(),
    ];
    let ten = [
        "<name>n</name><email>a_b.c@d.e</email><time>2024-05-01T08:00:00Z</time>".to_string(),
        "<email>a1@d.e</email>".into(),
        "<email>a@d</email>".into(),
        "<time>2024-05-01T08:00:00Z</time><name>n</name>".into(),
        format!(
            "<trk><trkseg><trkpt {POINT}><course>360</course><speed>3</speed></trkpt></trkseg></trk>"
        ),
        format!("<wpt {POINT}><speed>3</speed></wpt>"),
        "<wpt lat='1' lon='180'/>".into(),
        format!("<wpt {POINT}><a xmlns='urn:a'/></wpt>"),
        format!("<wpt {POINT}><link href='u'/></wpt>"),
        "<metadata/>".into(),
    ];
    let Some(schemas) = shared("xsd") else { return };
    let path = std::env::temp_dir().join(format!("lacet-check-{}.gpx", std::process::id()));
    let cases = eleven
        .iter()
        .map(|b| ("1.1", b))
        .chain(ten.iter().map(|b| ("1.0", b)));
    let mut verdicts = [0, 0];
    for (version, body) in cases {
        let file = gpx(version, body);
        std::fs::write(&path, &file).unwrap();
        let schema = schemas.join(format!("gpx{}.xsd", version.replace('.', "")));
        let arguments = [
            "--noout",
            "--schema",
            schema.to_str().unwrap(),
            path.to_str().unwrap(),
        ];
        let Some((valid, said)) = run("xmllint", &arguments) else {
            return;
        };
        let errors = errors(file.as_bytes());
        assert_eq!(errors.is_empty(), valid, "{body}\n{errors:#?}\n{said}");
        verdicts[usize::from(valid)] += 1;
    }
    std::fs::remove_file(&path).unwrap();
    assert!(verdicts[0] > 30 && verdicts[1] > 20, "{verdicts:?}");
}

fn has(objections: &[Objection], severity: Severity, part: &str) -> bool {
    objections
        .iter()
        .any(|o| o.severity == severity && o.text.contains(part))
}

#[test]
fn names_the_line_and_counts_repetitions() {
    let bad = format!("\n<wpt {POINT}><speed>1</speed></wpt>\n<wpt {POINT}><speed>1</speed></wpt>");
    let objections = check(gpx("1.1", &bad).as_bytes());
    assert_eq!(objections[0].line, Some(2));
    assert!(
        objections[0]
            .text
            .contains("<wpt> may not hold an element <speed> (2 times)"),
        "{objections:?}"
    );
    let broken = check(b"<gpx>\n<trk>\n");
    assert_eq!(
        broken
            .iter()
            .filter(|o| o.text.contains("breaks off"))
            .count(),
        1,
        "{broken:?}"
    );
    assert!(has(&broken, Severity::Error, "breaks off inside <trk>"));
    assert!(has(&check(b""), Severity::Error, "empty"));
    assert!(has(&check(b"<html>"), Severity::Error, "web page"));
    assert!(has(&check(b"{}"), Severity::Error, "no GPX"));
    assert!(has(
        &check(b"<!DOCTYPE gpx []><gpx/>"),
        Severity::Error,
        "document type definition"
    ));
    let many: String = (0..1000).map(|i| format!("<x{i}/>")).collect();
    assert!(check(gpx("1.1", &many).as_bytes()).len() <= 102);
}

#[test]
fn objects_as_a_unit_would() {
    let point =
        |lat: f64, lon: f64, inner: &str| format!("<trkpt lat='{lat}' lon='{lon}'>{inner}</trkpt>");
    let track = |name: &str, points: String| {
        format!("<trk><name>{name}</name><trkseg>{points}</trkseg></trk>")
    };
    let line = |n: i32| {
        (0..n)
            .map(|i| point(46.0 + f64::from(i) * 1e-4, 7.0, ""))
            .collect::<String>()
    };
    let time = |t: u32| format!("<time>2024-05-01T08:00:{t:02}Z</time>");
    for (body, severity, part) in [
        (String::new(), Severity::Warning, "no point at all"),
        (
            format!("<wpt {POINT}/>"),
            Severity::Warning,
            "neither a track nor a route",
        ),
        (
            track("a", line(501)),
            Severity::Warning,
            "old units hold 500",
        ),
        (
            track("a", line(10_001)),
            Severity::Warning,
            "most units hold 10000",
        ),
        (
            format!("<rte>{}</rte>", format!("<rtept {POINT}/>").repeat(51)),
            Severity::Warning,
            "old units hold 50",
        ),
        (track("a", line(1)), Severity::Warning, "no line to draw"),
        (
            track("a", point(1.0, 1.0, "").repeat(3)),
            Severity::Warning,
            "no length",
        ),
        (
            track("a", point(46.0, 7.0, "") + &point(46.5, 7.0, "")),
            Severity::Warning,
            "jumps 56 km after point 1",
        ),
        (
            track(
                "a",
                point(46.0, 7.0, &time(5)) + &point(46.1, 7.0, &time(4)),
            ),
            Severity::Warning,
            "backwards",
        ),
        (
            track("a", point(0.0, 0.0, "") + &line(2)),
            Severity::Warning,
            "at 0, 0",
        ),
        (
            track("Same", line(2)) + &track("same", line(2)),
            Severity::Warning,
            "the name is there already",
        ),
        (
            track("a name that is long", line(2)),
            Severity::Note,
            "longer than the 14",
        ),
        (track("é", line(2)), Severity::Note, "cannot show"),
        (
            track("", line(2)),
            Severity::Note,
            "1 tracks without a name",
        ),
        (
            track("a", line(2)),
            Severity::Note,
            "no point of a track has a height",
        ),
        (
            track("a", line(2) + &point(46.0, 7.0, "<ele>1</ele>")),
            Severity::Note,
            "2 of 3 track points have no height",
        ),
        (
            track("a", line(2) + &point(46.0, 7.0, &time(1))),
            Severity::Note,
            "2 of 3 track points have no time",
        ),
        (
            track(
                "a",
                point(46.0, 7.0, "<extensions><a xmlns='urn:a'/></extensions>"),
            ),
            Severity::Note,
            "extensions",
        ),
    ] {
        let objections = check(gpx("1.1", &body).as_bytes());
        assert!(has(&objections, severity, part), "{part}: {objections:#?}");
    }
    assert!(has(
        &check(gpx("1.0", "").as_bytes()),
        Severity::Note,
        "GPX 1.0"
    ));
    let good = track(
        "a",
        (0..5)
            .map(|i| point(46.0 + f64::from(i) * 1e-3, 7.0, "<ele>1</ele>"))
            .collect(),
    );
    assert_eq!(check(gpx("1.1", &good).as_bytes()), []);
    assert!(errors(&write_gpx(&Ride::default())).is_empty());
}
