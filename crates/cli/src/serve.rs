//! `lacet serve` and `lacet demo`.

use std::net::SocketAddr;
use std::process::{Command, Stdio};
use std::time::{Duration, SystemTime};

use import::Job;
use region::Region;
use server::data::{ClaimError, DataDir};
use server::{Config, Others, ServeError};
use synth::{Country, CountryError};

use crate::failure::{Failure, Outcome};
use crate::files::say;
use crate::make_region;
use crate::progress::Progress;
use crate::stop::Stop;

/// Name of the demo's region.
const DEMO: &str = "demo";

/// Serves until told to stop.
pub fn run(data: DataDir, listen: SocketAddr, others: Option<Others>) -> Outcome {
    serve(data, listen, others, false, Stop::listen()?)
}

/// Makes the demo country if it is absent, then serves.
pub fn demo(data: DataDir, listen: SocketAddr, open: bool) -> Outcome {
    let stop = Stop::listen()?;
    let out = data
        .region(DEMO)
        .ok_or_else(|| Failure::internal("the demo has no valid name"))?;
    // Absent, or of another version of this program: both are made anew.
    if Region::open(&out).is_err() {
        invent(&data, &out, &stop)?;
    }
    serve(data, listen, None, open, stop)
}

/// Writes the country as an extract and elevation tiles and imports these like any others.
fn invent(data: &DataDir, out: &std::path::Path, stop: &Stop) -> Outcome {
    data.create()
        .map_err(|e| Failure::io("make the data directory", data.root(), &e))?;
    let folder = tempfile::Builder::new()
        .prefix(".demo-")
        .tempdir_in(data.root())
        .map_err(|e| Failure::io("make a folder in", data.root(), &e))?;
    let progress = Progress::new();
    let mut show = |share: f64, what: &str| progress.show(what, (share * 1000.0) as u64, 1000);
    let world = Country::demo().generate(&mut show, stop.flag());
    progress.finish();
    let world = world.map_err(|e| match e {
        CountryError::Canceled => Failure::user("canceled; nothing was changed", ""),
        e => Failure::internal(e.to_string()),
    })?;
    let extract = folder.path().join("demo.osm.pbf");
    let written = world
        .write_pbf(&extract)
        .and_then(|()| world.write_hgt(folder.path()));
    let elevation = written.map_err(|e| {
        Failure::user(
            e.to_string(),
            "make room on the disk, or choose another place with --data DIR",
        )
    })?;
    drop(world);
    let files = [extract];
    let job = Job {
        name: DEMO,
        files: &files,
        elevation: &elevation,
        credit: None,
        out,
    };
    make_region::make(data, &job, stop).map(|_| ())
}

fn serve(
    data: DataDir,
    listen: SocketAddr,
    others: Option<Others>,
    open: bool,
    stop: Stop,
) -> Outcome {
    let runtime = tokio::runtime::Builder::new_multi_thread()
        .enable_all()
        .build()
        .map_err(|e| Failure::internal(format!("cannot start threads: {e}")))?;
    let scheme = match &others {
        Some(Others::Tls { .. }) => "https",
        _ => "http",
    };
    let ready = |addr: SocketAddr| {
        let url = format!("{scheme}://{addr}/");
        // Scripts wait for this line.
        let _ = say(&format!("Lacet is at {url}"));
        eprintln!("press Ctrl-C to stop");
        if open {
            open_browser(&url);
        }
    };
    let config = Config {
        listen,
        others,
        data,
        now_s,
    };
    let served = runtime.block_on(server::serve(config, stop.wait(), ready));
    runtime.shutdown_timeout(Duration::from_secs(2));
    served.map_err(|e| failure(&e))
}

/// The clock: Unix seconds.
pub fn now_s() -> i64 {
    let since = SystemTime::now().duration_since(SystemTime::UNIX_EPOCH);
    since.map_or(0, |s| i64::try_from(s.as_secs()).unwrap_or(i64::MAX))
}

fn failure(e: &ServeError) -> Failure {
    let what = e.to_string();
    match e {
        ServeError::NotLoopback { .. } => Failure::user(
            what,
            "listen on 127.0.0.1:PORT, or name --tls-cert and --tls-key, or --behind-proxy",
        ),
        ServeError::NoPassword => Failure::user(what, "set one: lacet password"),
        ServeError::Tls(_) => Failure::user(what, "name a certificate chain and its key, both PEM"),
        ServeError::Claim(ClaimError::Taken { .. }) => Failure::user(
            what,
            "open that address, or stop that Lacet first, or choose another --data DIR",
        ),
        ServeError::PortInUse { .. } => Failure::user(
            what,
            "choose another port, or any free one with --listen 127.0.0.1:0",
        ),
        ServeError::DataDir { .. } | ServeError::Claim(_) => Failure::user(
            what,
            "check the rights and the room there, or choose another place with --data DIR",
        ),
        ServeError::Listen { .. } => Failure::user(what, "choose another address with --listen"),
        ServeError::Shelf(_) => Failure::data(what, "nothing was changed"),
        ServeError::Broken { .. } => Failure::internal(what),
    }
}

/// Shows an address in the rider's browser, if there is one.
fn open_browser(url: &str) {
    let program = if cfg!(target_os = "macos") {
        "open"
    } else {
        "xdg-open"
    };
    let null = Stdio::null;
    let _ = Command::new(program)
        .arg(url)
        .stdin(null())
        .stdout(null())
        .stderr(null())
        .spawn();
}
