//! A hand that drags: measures the time from a pointer move to the new line over HTTP.
//!
//! `hand LACET MAP...` starts the binary `LACET` on a home of its own and drags the points of a
//! tour of five days, seeded, on each map: an extract, or `synth:KM2` for an invented country of
//! that size; `@TASTE` after it names another taste than the fastest. Each answer must equal the plan that another planner makes of the same tour, in
//! another order; every so many also that of a planner made afresh. Then the dials of a taste are
//! turned, each time to where they never stood: the line must come, and the shaded roads of a
//! screenful at three scales.
#![allow(clippy::print_stdout, clippy::print_stderr)]

use std::collections::HashSet;
use std::io::{BufRead, BufReader, Read, Write};
use std::net::TcpStream;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::Arc;
use std::sync::atomic::AtomicBool;
use std::time::{Duration, Instant};

use common::{Outcome, Random};
use planner::Planner;
use planner::document::{PointKind, Tour, TourPoint};
use planner::plan::Plan;
use region::{Point, Region, distance_m};
use serde_json::{Value, json};
use tungstenite::{Message, WebSocket};

/// Bars on a region of a million turns, milliseconds.
const P50_MS: f64 = 4.0;
const P99_MS: f64 = 15.0;
/// From a dial to the line, and to the roads in view; 95 of a hundred.
const LINE_P95_MS: f64 = 120.0;
const TILES_P95_MS: f64 = 250.0;

const DAYS: usize = 5;
const POINTS: usize = 31;
const DRAGS: usize = 12;
const MOVES: usize = 60;
const TURNS_OF_DIALS: u32 = 40;
/// Tiles of 512 pixels in a window of a laptop, and connections a browser opens.
const VIEW: [u32; 2] = [3, 2];
const ZOOMS: [u32; 3] = [9, 11, 13];
/// One in so many answers is compared with a planner made afresh.
const AFRESH: usize = 120;

fn main() -> Outcome<()> {
    let mut words = std::env::args().skip(1);
    let lacet = PathBuf::from(
        words
            .next()
            .ok_or("say where the binary is, then the maps")?,
    );
    println!(
        "{:<22} {:>9} {:>8} {:>8} {:>8} {:>8} {:>8} {:>8} {:>9} {:>9}",
        "map", "turns", "legs km", "p50", "p95", "p99", "most", "cpu ms", "kB", "stream/s"
    );
    println!("dial: 95 of a hundred, ms: to the line; to the roads in view at zoom {ZOOMS:?}");
    let mut missed = Vec::new();
    for map in words {
        let row = measure(&lacet, &map)?;
        println!(
            "{:<22} {:>9} {:>8.1} {:>8.2} {:>8.2} {:>8.2} {:>8.2} {:>8.2} {:>9.0} {:>9.0}",
            row.name,
            row.turns,
            row.leg_km,
            row.ms[0],
            row.ms[1],
            row.ms[2],
            row.ms[3],
            row.cpu_ms,
            row.answer_kb,
            row.per_s
        );
        println!("dial: {:.0}; {:.0?}", row.dial_ms[0], &row.dial_ms[1..]);
        if row.dial_ms[0] > LINE_P95_MS || row.dial_ms[1..].iter().any(|ms| *ms > TILES_P95_MS) {
            missed.push(format!("{}, dials", row.name));
        }
        if row.ms[0] > P50_MS || row.ms[2] > P99_MS {
            missed.push(row.name);
        }
    }
    match missed.is_empty() {
        true => Ok(()),
        false => Err(format!("{} miss a bar; is the machine busy?", missed.join(", ")).into()),
    }
}

struct Row {
    name: String,
    turns: usize,
    leg_km: f64,
    /// Median, 95 and 99 of a hundred, most.
    ms: [f64; 4],
    /// Processor time of the server for a move; the machine may be busy with other things.
    cpu_ms: f64,
    answer_kb: f64,
    /// Answers a second while moves come without waiting for them.
    per_s: f64,
    /// From a turned dial to the line, and to the roads in view at [`ZOOMS`].
    dial_ms: Vec<f64>,
}

fn measure(lacet: &Path, map: &str) -> Outcome<Row> {
    let home = tempfile::tempdir()?;
    let out = home.path().join(".local/share/lacet/regions/drag.region");
    std::fs::create_dir_all(out.parent().ok_or("no folder")?)?;
    let never = AtomicBool::new(false);
    let (file, taste) = map.split_once('@').unwrap_or((map, "fastest"));
    let file = match file.strip_prefix("synth:") {
        None => PathBuf::from(file),
        Some(area) => {
            let country = synth::Country::of_area_km2(7, area.parse()?);
            let file = home.path().join("country.osm.pbf");
            country.generate(&mut |_, _| {}, &never)?.write_pbf(&file)?;
            file
        }
    };
    let job = import::Job {
        name: "drag",
        files: std::slice::from_ref(&file),
        elevation: &[],
        credit: None,
        out: &out,
    };
    import::import(&job, &|_, _, _| {}, &never)?;
    let region = Arc::new(Region::open(&out)?);
    let mut random = Random::new(1);
    let tour = ride(&region, taste, &mut random);

    let server = Server::start(lacet, home.path())?;
    let mut page = server.connect()?;
    let mut seq = 0;
    let mut asked: Vec<(Tour, Vec<String>, Plan)> = Vec::new();
    let (mut first, _, _) = ask(&mut page, &mut seq, &tour, &[])?;
    let leg_km = first.total.length_m / first.legs.len().max(1) as f64 / 1000.0;
    let (mut times_ms, mut bytes) = (Vec::new(), 0);
    let mut moved = tour.clone();
    let cpu_s = server.cpu_s();
    for drag in 0..DRAGS {
        let at = 1 + random.below(POINTS - 2);
        let mut heading = random.below(628) as f64 / 100.0;
        for _ in 0..MOVES {
            // Some twenty pixels at the zoom one plans at, seldom straight on.
            heading += random.below(100) as f64 / 100.0 - 0.5;
            let p = &mut moved.points[at];
            p.lat += heading.cos() * 100.0 / 111_000.0;
            p.lon += heading.sin() * 100.0 / 111_000.0 / p.lat.to_radians().cos();
            let have: Vec<String> = first.legs.iter().map(|l| l.key.clone()).collect();
            let (plan, ms, len) = ask(&mut page, &mut seq, &moved, &have)?;
            times_ms.push(ms);
            bytes += len;
            asked.push((moved.clone(), have, plan.clone()));
            first = plan;
        }
        if drag % 3 == 2 {
            moved = tour.clone();
        }
    }
    let cpu_s = server.cpu_s() - cpu_s;
    let per_s = stream(&mut page, &mut seq, &moved, &mut random)?;

    let dial_ms = dials(&server, &mut page, &mut seq, &tour, &region)?;

    let other = Planner::new(region.clone())?;
    for (i, (tour, have, plan)) in asked.iter().enumerate().rev() {
        let have: HashSet<String> = have.iter().cloned().collect();
        // Through JSON and back, as the answer came.
        let wired =
            |plan: &Plan| serde_json::to_vec(plan).and_then(|b| serde_json::from_slice::<Plan>(&b));
        let again = wired(&other.plan(tour, &have)?)?;
        if *plan != again {
            return Err(format!("{map}: move {i} and a plan in another order disagree").into());
        }
        if i % AFRESH == 0 && wired(&Planner::new(region.clone())?.plan(tour, &have)?)? != again {
            return Err(format!("{map}: move {i} and a plan made afresh disagree").into());
        }
    }
    times_ms.sort_by(f64::total_cmp);
    let of = |share: f64| times_ms[((times_ms.len() - 1) as f64 * share) as usize];
    let name = Path::new(map)
        .file_name()
        .unwrap_or_default()
        .to_string_lossy();
    Ok(Row {
        name: name.chars().take(22).collect(),
        turns: region.turn_head().len(),
        leg_km,
        ms: [of(0.5), of(0.95), of(0.99), of(1.0)],
        cpu_ms: cpu_s * 1000.0 / times_ms.len() as f64,
        answer_kb: bytes as f64 / 1000.0 / times_ms.len() as f64,
        per_s,
        dial_ms,
    })
}

/// Turns dials: 95 of a hundred of the times until the line is there, and until the roads in view
/// are, at each of [`ZOOMS`]. Both are asked for at once, as the page does.
fn dials(
    server: &Server,
    page: &mut WebSocket<TcpStream>,
    seq: &mut u64,
    tour: &Tour,
    region: &Region,
) -> Outcome<Vec<f64>> {
    let mut times = vec![Vec::new(); 1 + ZOOMS.len()];
    let mut tour = tour.clone();
    let middle = tour.points[POINTS / 2].clone();
    let mut lines = HashSet::new();
    for turn in 0..TURNS_OF_DIALS {
        let zoom = turn as usize % ZOOMS.len();
        let mut taste = planner::taste::tastes()
            .into_iter()
            .find(|t| t.name == "winding")
            .ok_or("there is no winding taste")?;
        taste.bends = 1.0 - turn as f32 / 100.0;
        taste.hills = turn as f32 / 100.0;
        taste.longer_min = 4.0 + turn as f32 / 4.0;
        let text = serde_json::to_string(&taste)?;
        tour.taste = taste.into();
        let start = Instant::now();
        let (ms, tiles) = std::thread::scope(|scope| {
            let view = scope.spawn(|| view(server, ZOOMS[zoom], &middle, &text));
            let line = ask(page, seq, &tour, &[]).map_err(|e| e.to_string());
            (line, view.join())
        });
        let (plan, ms, _) = ms?;
        lines.insert(plan.total.riding_s.to_bits());
        times[0].push(ms);
        let done = tiles.map_err(|_| "the view was not fetched")??;
        times[1 + zoom].push((done - start).as_secs_f64() * 1000.0);
    }
    if lines.len() < 3 && region.piece_count() > 1000 {
        return Err("the dials change nothing".into());
    }
    Ok(times
        .into_iter()
        .map(|mut times| {
            times.sort_by(f64::total_cmp);
            times[((times.len() - 1) as f64 * 0.95) as usize]
        })
        .collect())
}

/// When all tiles of a view have come.
fn view(server: &Server, zoom: u32, at: &TourPoint, taste: &str) -> Result<Instant, String> {
    let side = f64::from(1u32 << zoom);
    let x = (at.lon + 180.0) / 360.0 * side;
    let y = (1.0 - at.lat.to_radians().tan().asinh() / std::f64::consts::PI) / 2.0 * side;
    let escaped: String = taste.bytes().map(|b| format!("%{b:02X}")).collect();
    let fetch = |dx: u32, dy: u32| {
        let (x, y) = (x as u32 + dx - VIEW[0] / 2, y as u32 + dy - VIEW[1] / 2);
        let mut stream = TcpStream::connect(&server.host).map_err(|e| e.to_string())?;
        write!(
            stream,
            "GET /api/regions/drag/tiles/{zoom}/{x}/{y}?only=roads&taste={escaped} HTTP/1.1\r\nHost: {}\r\nConnection: close\r\n\r\n",
            server.host
        )
        .map_err(|e| e.to_string())?;
        let mut answer = Vec::new();
        stream.read_to_end(&mut answer).map_err(|e| e.to_string())?;
        match answer.get(9..12) {
            Some(b"200" | b"204") => Ok(()),
            _ => Err(format!(
                "a tile was answered {}",
                String::from_utf8_lossy(&answer)
            )),
        }
    };
    std::thread::scope(|scope| {
        let fetches: Vec<_> = (0..VIEW[0] * VIEW[1])
            .map(|i| scope.spawn(move || fetch(i % VIEW[0], i / VIEW[0])))
            .collect();
        fetches
            .into_iter()
            .try_for_each(|f| f.join().map_err(|_| "a tile was not fetched".to_owned())?)
    })?;
    Ok(Instant::now())
}

/// Asks and waits; the plan, the time it took to have it as text, and its length.
fn ask(
    page: &mut WebSocket<TcpStream>,
    seq: &mut u64,
    tour: &Tour,
    have: &[String],
) -> Outcome<(Plan, f64, usize)> {
    *seq += 1;
    let question = json!({"seq": *seq, "tour": tour, "have": have}).to_string();
    let start = Instant::now();
    page.send(Message::text(question))?;
    let text = page.read()?.into_text()?;
    let ms = start.elapsed().as_secs_f64() * 1000.0;
    let mut answer: Value = serde_json::from_str(&text)?;
    if answer["seq"] != json!(*seq) {
        return Err(format!("asked {seq}, was answered {}", answer["seq"]).into());
    }
    let plan = serde_json::from_value(answer["plan"].take())
        .map_err(|e| format!("no plan ({e}): {}", &text[..text.len().min(300)]))?;
    Ok((plan, ms, text.len()))
}

/// Moves come 125 times a second whether answers do or not: answers a second. The last move must
/// be answered.
fn stream(
    page: &mut WebSocket<TcpStream>,
    seq: &mut u64,
    tour: &Tour,
    random: &mut Random,
) -> Outcome<f64> {
    let mut moved = tour.clone();
    page.get_ref()
        .set_read_timeout(Some(Duration::from_millis(1)))?;
    let mut answered = 0;
    let start = Instant::now();
    let mut last = 0;
    let mut read = |page: &mut WebSocket<TcpStream>, newest: u64| -> Outcome<bool> {
        match page.read() {
            Ok(message) => {
                let answer: Value = serde_json::from_str(&message.into_text()?)?;
                last = answer["seq"].as_u64().ok_or("an answer without number")?;
                answered += 1;
            }
            Err(tungstenite::Error::Io(e)) if e.kind() == std::io::ErrorKind::WouldBlock => {}
            Err(e) => return Err(e.into()),
        }
        Ok(last == newest)
    };
    for i in 0..250 {
        let p = &mut moved.points[POINTS / 2];
        p.lat += (random.below(100) as f64 - 50.0) * 2e-5;
        *seq += 1;
        let question = json!({"seq": *seq, "tour": moved, "have": []}).to_string();
        page.send(Message::text(question))?;
        while start.elapsed() < Duration::from_millis(8 * i) {
            read(page, *seq)?;
        }
    }
    let seconds = start.elapsed().as_secs_f64();
    let patience = Instant::now();
    while !read(page, *seq)? {
        if patience.elapsed() > Duration::from_secs(20) {
            return Err("the last of a stream of moves was never answered".into());
        }
    }
    page.get_ref().set_read_timeout(None)?;
    Ok(f64::from(answered) / seconds)
}

/// Five days from place to place, some 10 to 20 km apart: halts, nights, and vias between.
fn ride(region: &Region, taste: &str, random: &mut Random) -> Tour {
    let mut at = junction(region, random);
    let points = (0..POINTS)
        .map(|i| {
            // The next place is the best of some: near the wanted distance.
            let wanted_m = 10_000.0 + random.below(10_000) as f64;
            let next = (0..40).map(|_| junction(region, random));
            let off = |p: &Point| (distance_m(at, *p) - wanted_m).abs();
            at = next.min_by(|a, b| off(a).total_cmp(&off(b))).unwrap_or(at);
            let night = i > 0 && i % (POINTS / DAYS) == 0;
            TourPoint {
                ends_day: night,
                ..TourPoint::new(
                    if i % 3 == 0 || night {
                        PointKind::Stop
                    } else {
                        PointKind::Via
                    },
                    [at.lat(), at.lon()],
                )
            }
        })
        .collect();
    Tour {
        name: "Five days".into(),
        depart: Some("2026-06-01T09:00".into()),
        ..Tour::new("drag", taste, points)
    }
}

fn junction(region: &Region, random: &mut Random) -> Point {
    region.node_point(random.below(region.node_count() as usize) as u32)
}

/// The binary at work; ended when dropped.
struct Server {
    child: Child,
    host: String,
}

impl Server {
    fn start(lacet: &Path, home: &Path) -> Outcome<Self> {
        let mut child = Command::new(lacet)
            .args(["serve", "--listen", "127.0.0.1:0"])
            .env_clear()
            .env("HOME", home)
            .stdin(Stdio::null())
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()?;
        let mut line = String::new();
        let out = child.stdout.take().ok_or("no output")?;
        BufReader::new(out).read_line(&mut line)?;
        let host = line
            .trim()
            .rsplit_once("http://")
            .map(|(_, h)| h.trim_end_matches('/').to_owned());
        let host = host.ok_or("the binary does not serve")?;
        Ok(Server { child, host })
    }

    /// Processor time used so far, where the system tells; ticks of 10 ms.
    fn cpu_s(&self) -> f64 {
        let stat = std::fs::read_to_string(format!("/proc/{}/stat", self.child.id()));
        let stat = stat.unwrap_or_default();
        let after_name = stat.rsplit(')').next().unwrap_or("");
        let ticks = after_name.split_whitespace().skip(11).take(2);
        ticks.filter_map(|t| t.parse::<f64>().ok()).sum::<f64>() / 100.0
    }

    fn connect(&self) -> Outcome<WebSocket<TcpStream>> {
        let stream = TcpStream::connect(&self.host)?;
        stream.set_nodelay(true)?;
        let address = format!("ws://{}/api/hand", self.host);
        Ok(tungstenite::client(address, stream)
            .map_err(|e| e.to_string())?
            .0)
    }
}

impl Drop for Server {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}
