//! Reading GPX: other people's files, damaged ones and hostile ones.

#![expect(clippy::print_stderr, reason = "skipped checks are told")]

use std::path::PathBuf;
use std::process::Command;

use planner::files::{Counts, MAX_BYTES, ReadError, Ride, read};

/// Real data beside the repository; `None`, told on the terminal, where it is absent.
pub fn shared(path: &str) -> Option<PathBuf> {
    let base = match std::env::var_os("LACET_SHARED") {
        Some(dir) => PathBuf::from(dir).join("data"),
        None => PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("../../../shared/data"),
    };
    let found = base.join(path);
    if found.exists() {
        return Some(found);
    }
    eprintln!("skipped: no {path} in the shared data");
    None
}

/// What a tool prints, given a file; `None`, told on the terminal, where the tool is absent.
pub fn run(program: &str, arguments: &[&str]) -> Option<(bool, String)> {
    match Command::new(program).args(arguments).output() {
        Ok(out) => {
            let text = [out.stdout, out.stderr].concat();
            Some((
                out.status.success(),
                String::from_utf8_lossy(&text).into_owned(),
            ))
        }
        Err(e) => {
            eprintln!("skipped: {program} does not run here ({e})");
            None
        }
    }
}

/// Tracks, segments, track points, routes, route points, waypoints; or a part of the refusal.
type Expected = Result<[usize; 6], &'static str>;

/// Counted with gpxpy 1.6.2, which itself cannot read `odd-utf16le-bom` (counts of its UTF-8
/// twin) and `rs-13` (counted by hand), and which accepts `broken-html` and
/// `broken-out-of-range`.
const EXPECTED: [(&str, Expected); 44] = [
    ("broken-empty", Err("empty")),
    ("broken-html", Err("web page")),
    (
        "broken-out-of-range",
        Err("latitude 91.5 is outside -90..90"),
    ),
    (
        "broken-truncated",
        Err("line 1: the file breaks off inside <trkseg>"),
    ),
    ("js-01", Ok([1, 1, 44, 0, 0, 0])),
    ("js-03", Ok([1, 1, 2, 0, 0, 0])),
    ("js-04", Ok([1, 1, 0, 0, 0, 0])),
    ("js-07", Ok([1, 3, 16, 0, 0, 0])),
    ("js-09", Ok([10, 15, 34, 0, 0, 0])),
    ("js-10", Ok([3, 3, 5000, 0, 0, 0])),
    ("js-12", Ok([1, 1, 1118, 0, 0, 0])),
    ("js-13", Ok([21, 21, 362, 0, 0, 0])),
    ("js-15", Ok([0, 0, 0, 1, 0, 0])),
    ("js-16", Ok([1, 1, 1, 0, 0, 0])),
    ("js-18", Ok([1, 1, 3, 0, 0, 0])),
    ("npm-route-1.1", Ok([1, 1, 7745, 0, 0, 0])),
    ("odd-times-backwards", Ok([1, 1, 104, 0, 0, 0])),
    ("odd-utf16le-bom", Ok([1, 1, 104, 0, 0, 0])),
    ("py-Mojstrovka", Ok([1, 1, 184, 0, 0, 0])),
    ("py-activity-5120pts", Ok([1, 1, 5120, 0, 0, 3])),
    ("py-around-visnjan-with-car", Ok([1, 1, 104, 0, 0, 0])),
    (
        "py-cerknicko-jezero-with-elevations-zero",
        Ok([8, 8, 296, 0, 0, 7]),
    ),
    (
        "py-cerknicko-jezero-without-elevations",
        Ok([8, 8, 296, 0, 0, 7]),
    ),
    ("py-cerknicko-jezero", Ok([8, 8, 296, 0, 0, 7])),
    ("py-default_schema_locations", Ok([0, 0, 0, 0, 0, 0])),
    ("py-first_and_last_elevation", Ok([1, 1, 10, 0, 0, 0])),
    ("py-gpx1.1_with_all_fields", Ok([2, 2, 1, 2, 5, 2])),
    ("py-gpx1.1_with_extensions", Ok([0, 0, 0, 0, 0, 1])),
    ("py-leuven-walk", Ok([1, 1, 65, 0, 0, 1])),
    ("py-route", Ok([0, 0, 0, 1, 55, 0])),
    ("py-track-with-empty-segment", Ok([1, 2, 9, 0, 0, 0])),
    ("py-track-with-small-floats", Ok([1, 1, 3, 0, 0, 0])),
    ("py-track_with_dilution_errors", Ok([1, 1, 1, 1, 1, 1])),
    ("py-track_with_speed", Ok([1, 1, 3, 0, 0, 0])),
    ("py-unicode", Ok([0, 0, 0, 0, 0, 6])),
    ("py-unicode_with_bom_noencoding", Ok([0, 0, 0, 0, 0, 1])),
    ("py-with-point-extension", Ok([0, 0, 0, 0, 0, 1])),
    ("rs-01", Ok([2, 2, 6, 0, 0, 0])),
    ("rs-04", Ok([1, 1, 988, 1, 0, 0])),
    ("rs-06", Ok([1, 1, 41, 0, 0, 0])),
    ("rs-09", Ok([1, 1, 113, 0, 0, 0])),
    ("rs-10", Ok([1, 1, 5, 1, 0, 1])),
    ("rs-11", Ok([1, 1, 3, 0, 0, 0])),
    ("rs-13", Ok([1, 1, 3, 0, 0, 0])),
];

fn numbers(c: Counts) -> [usize; 6] {
    [
        c.tracks,
        c.segments,
        c.track_points,
        c.routes,
        c.route_points,
        c.waypoints,
    ]
}

#[test]
fn reads_or_refuses_every_real_file() {
    let Some(dir) = shared("gpx") else { return };
    let there = std::fs::read_dir(&dir).unwrap().count();
    assert_eq!(there, EXPECTED.len(), "a file has no expectation");
    for (name, expected) in EXPECTED {
        let file = format!("{name}.gpx");
        let result = read(&file, &std::fs::read(dir.join(&file)).unwrap());
        match (result, expected) {
            (Ok(ride), Ok(counts)) => {
                assert_eq!(numbers(ride.counts()), counts, "{file}");
                assert_eq!(ride.warnings, Vec::<String>::new(), "{file}");
            }
            (Err(e), Err(part)) => {
                let message = e.to_string();
                assert!(message.contains(part), "{file}: {message}");
                assert!(message.starts_with(&file), "{message}");
                assert!(!message.contains('\n'), "{message}");
            }
            (got, _) => panic!("{file}: {got:?}"),
        }
    }
}

/// gpxpy reads the same points, heights, times and names.
#[test]
fn agrees_with_gpxpy() {
    const SCRIPT: &str = r#"
import datetime, sys
try:
    import gpxpy
except ImportError:
    sys.exit(9)
for name in sys.argv[1:]:
    data = open(name, 'rb').read()
    try:
        g = gpxpy.parse(data.decode('utf-16') if data[:2] == b'\xff\xfe' else data)
    except Exception:
        print('refused'); continue
    def show(p):
        t = p.time and (p.time if p.time.tzinfo else p.time.replace(tzinfo=datetime.timezone.utc))
        t = '%.3f' % t.timestamp() if t else '-'
        e = '-' if p.elevation is None else '%.2f' % p.elevation
        return '%.7f %.7f %s %s' % (p.latitude, p.longitude, e, t)
    for t in g.tracks:
        print('trk', ' '.join((t.name or '').split()))
        for s in t.segments:
            print('seg')
            for p in s.points: print(show(p))
    for r in g.routes:
        print('rte', ' '.join((r.name or '').split()))
        for p in r.points: print(show(p), ' '.join((p.name or '').split()))
    for p in g.waypoints: print('wpt', show(p), ' '.join((p.name or '').split()))
"#;
    let Some(dir) = shared("gpx") else { return };
    let mut compared = 0;
    for (name, expected) in EXPECTED {
        if expected.is_err() {
            continue;
        }
        let path = dir.join(format!("{name}.gpx"));
        let Some((_, theirs)) = run("python3", &["-c", SCRIPT, path.to_str().unwrap()]) else {
            return;
        };
        if theirs.is_empty() && !numbers_are_zero(expected) {
            eprintln!("skipped: gpxpy is not installed for python3");
            return;
        }
        if theirs.trim() == "refused" {
            assert!(["odd-utf16le-bom", "rs-13"].contains(&name), "{name}");
            continue;
        }
        let ours = listing(&read(name, &std::fs::read(&path).unwrap()).unwrap());
        for (line, (a, b)) in ours.lines().zip(theirs.lines()).enumerate() {
            assert!(same(a, b), "{name}, item {line}: {a} / gpxpy {b}");
        }
        assert_eq!(ours.lines().count(), theirs.lines().count(), "{name}");
        compared += 1;
    }
    assert!(compared >= 38, "only {compared} files were compared");
}

fn numbers_are_zero(expected: Expected) -> bool {
    expected == Ok([0; 6])
}

/// Equal words; places to 1e-7 degree, heights (kept as f32) and times to 0.02.
fn same(a: &str, b: &str) -> bool {
    let (a, b): (Vec<&str>, Vec<&str>) = (a.split(' ').collect(), b.split(' ').collect());
    let close = |(a, b): (&&str, &&str)| match (a.parse::<f64>(), b.parse::<f64>()) {
        _ if a == b => true,
        (Ok(x), Ok(y)) => {
            (x - y).abs()
                < if a.contains('.') && a.len() > 9 {
                    2e-7
                } else {
                    0.02
                }
        }
        _ => false,
    };
    a.len() == b.len() && a.iter().zip(&b).all(close)
}

fn listing(ride: &Ride) -> String {
    use planner::files::Fix;
    use std::fmt::Write;
    fn show(f: &Fix) -> String {
        let height = f.height_m.map_or("-".into(), |h| format!("{h:.2}"));
        let time = f.time_s.map_or("-".into(), |t| format!("{t:.3}"));
        format!("{:.7} {:.7} {height} {time}", f.lat, f.lon)
    }
    let mut out = String::new();
    for track in &ride.tracks {
        writeln!(out, "trk {}", track.name).unwrap();
        for segment in &track.segments {
            writeln!(out, "seg").unwrap();
            segment
                .iter()
                .for_each(|f| writeln!(out, "{}", show(f)).unwrap());
        }
    }
    for route in &ride.routes {
        writeln!(out, "rte {}", route.name).unwrap();
        route
            .points
            .iter()
            .for_each(|p| writeln!(out, "{} {}", show(&p.at), p.name).unwrap());
    }
    ride.waypoints
        .iter()
        .for_each(|p| writeln!(out, "wpt {} {}", show(&p.at), p.name).unwrap());
    out
}

fn gpx(body: &str) -> String {
    format!(
        "<?xml version=\"1.0\"?><gpx version=\"1.1\" creator=\"x\" xmlns=\"http://www.topografix.com/GPX/1/1\">{body}</gpx>"
    )
}

fn refusal(bytes: &[u8]) -> String {
    let message = read("ride.gpx", bytes).expect_err("was read").to_string();
    assert!(!message.contains('\n') && message.len() < 300, "{message}");
    message
}

#[test]
fn reads_encodings() {
    let body = "<wpt lat=\"1\" lon=\"2\"><name>Alp Grüm é</name></wpt>";
    let name = |bytes: &[u8]| {
        let ride = read("x", bytes).unwrap();
        (ride.waypoints[0].name.clone(), ride.warnings.len())
    };
    let text = gpx(body);
    let good = ("Alp Grüm é".to_string(), 0);
    assert_eq!(name(text.as_bytes()), good);
    assert_eq!(name(format!("\u{feff}{text}").as_bytes()), good);
    for label in ["ISO-8859-1", "iso-8859-1", "windows-1252"] {
        let head = format!("<?xml version='1.0' encoding='{label}'?>");
        let text = text.replace("<?xml version=\"1.0\"?>", &head);
        let latin: Vec<u8> = text
            .chars()
            .map(|c| u8::try_from(c as u32).unwrap())
            .collect();
        assert_eq!(name(&latin), good, "{label}");
    }
    let utf16 = |text: &str, big: bool, mark: bool| -> Vec<u8> {
        let text = if mark {
            format!("\u{feff}{text}")
        } else {
            text.into()
        };
        let bytes = |u: u16| {
            if big {
                u.to_be_bytes()
            } else {
                u.to_le_bytes()
            }
        };
        text.encode_utf16().flat_map(bytes).collect()
    };
    for (big, mark) in [(true, true), (false, true), (true, false), (false, false)] {
        assert_eq!(name(&utf16(&text, big, mark)), good);
    }
    // A lie: says nothing (so UTF-8), is Latin-1. Read, with a word about it.
    let latin: Vec<u8> = text
        .chars()
        .map(|c| u8::try_from(c as u32).unwrap())
        .collect();
    assert_eq!(name(&latin), ("Alp Grüm é".to_string(), 1));
    // Cyrillic in its old encoding.
    let mut koi8 =
        b"<?xml version=\"1.0\" encoding=\"KOI8-R\"?><gpx><wpt lat='1' lon='2'><name>".to_vec();
    koi8.extend([0xed, 0xc9, 0xd2]);
    koi8.extend(b"</name></wpt></gpx>");
    assert_eq!(name(&koi8), ("Мир".to_string(), 0));
}

#[test]
fn tolerates_what_people_write() {
    let read = |text: &str| read("x", text.as_bytes()).unwrap();
    // Elements out of order, a prefix for the vocabulary, foreign elements of the same name.
    let ride = read(
        "<g:gpx xmlns:g='http://www.topografix.com/GPX/1/1' xmlns:o='urn:o'><g:trk><g:trkseg>\
         <g:trkpt lon=' 2.5 ' lat='+1'><g:time>2024-05-01T10:00:00+02:00</g:time><o:ele>9</o:ele>\
         <g:ele> 12.5 </g:ele></g:trkpt></g:trkseg><g:name>a &amp; <![CDATA[<b>]]> &#x4e;</g:name>\
         </g:trk><g:extensions><g:wpt lat='1' lon='1'/></g:extensions></g:gpx>",
    );
    let fix = ride.tracks[0].segments[0][0];
    assert_eq!((fix.lat, fix.lon, fix.height_m), (1.0, 2.5, Some(12.5)));
    // date -u -d 2024-05-01T08:00:00Z +%s
    assert_eq!(fix.time_s, Some(1_714_550_400.0));
    assert_eq!(ride.tracks[0].name, "a & <b> N");
    assert!(
        ride.waypoints.is_empty(),
        "points within extensions are not the file's waypoints"
    );
    // Heights and times that make no sense cost only themselves.
    let ride = read(&gpx(
        "<wpt lat='1' lon='2'><ele>NaN</ele><time>yesterday</time></wpt><wpt lat='1' lon='2'><ele/></wpt>",
    ));
    assert_eq!(ride.waypoints[0].at.height_m, None);
    assert_eq!(ride.warnings.len(), 2, "{:?}", ride.warnings);
    // Points without a segment around them.
    let ride = read(&gpx(
        "<trk><trkpt lat='1' lon='2'/><trkpt lat='1' lon='3'/></trk>",
    ));
    assert_eq!(ride.tracks[0].segments[0].len(), 2);
}

#[test]
fn refuses_in_one_clear_line() {
    for (bytes, part) in [
        (&b""[..], "empty"),
        (b" \n\t", "empty"),
        (b"<html><body>Sign in</body>", "web page"),
        (b"<!doctype HTML><html>", "web page"),
        (b"PK\x03\x04rest", "zip"),
        (b"\x1f\x8b\x08", "gzip"),
        (b"lat,lon\n1,2\n", "neither"),
        (b"<osm/>", "outermost element is <osm>"),
        (b"\x00\x01\x02", "not text"),
        (b"<", "breaks off"),
        (b"<gpx", "breaks off"),
    ] {
        let message = refusal(bytes);
        assert!(message.contains(part), "{message}");
    }
    for (body, part) in [
        (
            "<wpt lat='91.5' lon='1'/>",
            "latitude 91.5 is outside -90..90",
        ),
        ("<wpt lat='120' lon='45'/>", "swapped"),
        (
            "<wpt lat='1' lon='-180.5'/>",
            "longitude -180.5 is outside -180..180",
        ),
        ("<wpt lat='NaN' lon='1'/>", "not a finite number"),
        ("<wpt lat='1' lon='inf'/>", "not a finite number"),
        ("<wpt lat='1e999' lon='1'/>", "not a finite number"),
        ("<wpt lat='' lon='1'/>", "is not a number"),
        ("<wpt lon='1'/>", "no lat given (<wpt>, item 1 of the file)"),
        (
            "\n<trk>\n<trkseg>\n<trkpt lat='1' lon='x'/></trkseg></trk>",
            "line 4: lon \"x\"",
        ),
        ("<trk></wpt>", "</wpt> stands where </trk> should"),
        (
            "<wpt lat='1' lon='1'><name>&nbsp;</name></wpt>",
            "entity &nbsp;",
        ),
        ("</gpx><gpx>", "follows after </gpx>"),
    ] {
        let message = refusal(gpx(body).as_bytes());
        assert!(message.contains(part), "{message}");
    }
    // However the file is cut, it is not taken for a whole one.
    let whole = gpx(
        "<trk><name>a</name><trkseg><trkpt lat='1' lon='2'><ele>1</ele></trkpt></trkseg></trk>",
    );
    for end in 0..whole.len() {
        assert!(
            read("x", &whole.as_bytes()[..end]).is_err(),
            "{}",
            &whole[..end]
        );
    }
}

#[test]
fn refuses_bombs_and_entities() {
    let bomb = "<?xml version=\"1.0\"?><!DOCTYPE gpx [<!ENTITY a \"aaaaaaaaaa\"><!ENTITY b \
                \"&a;&a;&a;&a;&a;&a;&a;&a;\">]><gpx><wpt lat='1' lon='1'><name>&b;</name></wpt></gpx>";
    let outside = "<!DOCTYPE gpx SYSTEM \"file:///etc/passwd\"><gpx/>";
    let entity = "<!DOCTYPE gpx [<!ENTITY x SYSTEM \"file:///etc/passwd\">]><gpx>&x;</gpx>";
    let masked = "<!DOCTYPE html [<!ENTITY x SYSTEM \"file:///etc/passwd\">]><gpx>&x;</gpx>";
    for text in [bomb, outside, entity, masked] {
        assert!(refusal(text.as_bytes()).contains("document type definition"));
    }
    let deep = "<a>".repeat(200_000);
    assert!(refusal(gpx(&deep).as_bytes()).contains("nested more than 100 deep"));
    let attributes: String = (0..200_000).map(|i| format!(" a{i}='1'")).collect();
    let ride = read(
        "x",
        gpx(&format!("<wpt lat='1' lon='2'{attributes}/>")).as_bytes(),
    )
    .unwrap();
    assert_eq!(ride.waypoints.len(), 1);
}

#[test]
fn refuses_what_is_too_large() {
    let big = vec![b' '; MAX_BYTES + 1];
    assert_eq!(read("big.gpx", &big), Err(ReadError::too_large("big.gpx")));
    assert!(
        ReadError::too_large("big.gpx")
            .to_string()
            .contains("larger than the 200 MB")
    );
    drop(big);
    let many = gpx(&"<rte/>".repeat(5_000_001));
    assert!(refusal(many.as_bytes()).contains("more than 5 million points"));
}
