//! The one binary, `lacet`. Results go to standard output, talk to standard error.
//!
//! Exit codes: 0 fine, 1 the call or its surroundings, 2 the data, 3 a fault of the program.
#![allow(clippy::print_stdout, clippy::print_stderr)]

mod failure;
mod files;
mod handover;
mod make_region;
mod matching;
mod paper;
mod plan;
mod point;
mod progress;
mod propose;
mod regions;
mod serve;
mod shelf;
mod stop;

use std::net::SocketAddr;
use std::path::PathBuf;
use std::process::ExitCode;

use clap::error::ErrorKind;
use clap::{Args, Parser, Subcommand};
use server::Others;
use server::data::DataDir;

use failure::{Failure, Outcome};
use point::PlannedPoint;

/// Plans motorcycle tours on your own machine, from open map data.
#[derive(Debug, Parser)]
#[command(
    name = "lacet",
    version,
    arg_required_else_help = true,
    max_term_width = 100
)]
struct Cli {
    #[command(flatten)]
    all: Global,
    #[command(subcommand)]
    command: Command,
}

/// What every command takes.
#[derive(Clone, Debug, Args)]
struct Global {
    /// Where regions and tours are kept [env: LACET_DATA] [default: lacet in the XDG data directory]
    #[arg(long, value_name = "DIR", global = true)]
    data: Option<PathBuf>,
    /// Print results as JSON
    #[arg(long, global = true)]
    json: bool,
}

#[derive(Debug, Subcommand)]
enum Command {
    /// Invents and imports the demo country if it is absent, serves it, prints the address
    Demo {
        /// Loopback address and port; port 0 takes a free one
        #[arg(long, value_name = "ADDR:PORT", default_value = "127.0.0.1:0", value_parser = address)]
        listen: SocketAddr,
        /// Does not open the browser
        #[arg(long)]
        no_open: bool,
    },
    /// Makes one region from one or more map extracts (.osm.pbf, .osm, .osm.bz2)
    Import {
        /// Name of the region: a-z, 0-9, - and _
        name: String,
        /// Map extracts; where they overlap, roads are not doubled
        #[arg(value_name = "FILE", required = true)]
        files: Vec<PathBuf>,
        /// Elevation: .hgt or GeoTIFF in EPSG:4326, or folders of them
        #[arg(long, value_name = "PATH", num_args = 1..)]
        elevation: Vec<PathBuf>,
    },
    /// Lists what is imported: bounds, size, data date, counts
    Regions,
    /// Serves the page to this machine, or, with a password, to others
    Serve {
        /// Address and port; port 0 takes a free one
        #[arg(long, value_name = "ADDR:PORT", default_value = "127.0.0.1:8080", value_parser = address)]
        listen: SocketAddr,
        /// Serves other machines over TLS with this certificate chain (PEM)
        #[arg(
            long,
            value_name = "FILE",
            requires = "tls_key",
            conflicts_with = "behind_proxy"
        )]
        tls_cert: Option<PathBuf>,
        /// Key of the certificate (PEM)
        #[arg(long, value_name = "FILE", requires = "tls_cert")]
        tls_key: Option<PathBuf>,
        /// Name in the certificate by which browsers call this machine
        #[arg(long, value_name = "NAME", requires = "tls_cert")]
        host: Vec<String>,
        /// Serves other machines through a proxy that does TLS under this name
        #[arg(long, value_name = "NAME")]
        behind_proxy: Option<String>,
    },
    /// Sets the password that other machines are asked for; read from the terminal or from input
    Password,
    /// Keeps rides: brings in recordings, lists, exports, backs up
    Shelf {
        #[command(subcommand)]
        deed: shelf::Deed,
    },
    /// Plans a tour and prints or writes it
    Plan {
        /// Region to plan on
        #[arg(long, value_name = "NAME")]
        region: String,
        /// Points in riding order: [free:]stop:LAT,LON or [free:]via:LAT,LON
        #[arg(value_name = "POINT", required = true, allow_hyphen_values = false)]
        points: Vec<PlannedPoint>,
        /// How road legs are routed: fastest, shortest, winding, quiet, dirt, or a file as in mine.toml
        #[arg(long, value_name = "NAME|FILE", default_value = "fastest")]
        taste: String,
        /// Writes the tour as GPX
        #[arg(long, value_name = "FILE")]
        gpx: Option<PathBuf>,
        /// Writes the tour as GeoJSON
        #[arg(long, value_name = "FILE")]
        geojson: Option<PathBuf>,
    },
    /// Proposes round trips, the best line within a limit, other ways
    Propose {
        #[command(subcommand)]
        what: propose::Propose,
    },
    /// Chooses the points that make GPS units ride a tour, proves it and writes the files
    Handover {
        /// Tour document (JSON), or a ride file: GPX, GeoJSON, KML
        #[arg(value_name = "TOUR|FILE")]
        tour: PathBuf,
        /// Region to plan on
        #[arg(long, value_name = "NAME")]
        region: String,
        /// Unit sheet: older, common, roomy, phone, track-only, or a .toml file
        #[arg(long, value_name = "NAME|FILE", default_value = "common")]
        unit: String,
        /// Folder or mounted unit to write to
        #[arg(long, value_name = "DIR")]
        out: Option<PathBuf>,
        /// Further routers for the panel (.toml)
        #[arg(long, value_name = "FILE")]
        panel: Option<PathBuf>,
        /// How much dearer every other way must be, percent
        #[arg(long, value_name = "PERCENT", default_value_t = 5.0)]
        margin: f64,
        /// Least distance between points where the line can be held so, metres
        #[arg(long, value_name = "METRES", default_value_t = 0.0)]
        spacing: f64,
    },
    /// Writes the roadbook of a tour, day by day: every decision with its sketch
    Roadbook {
        /// Tour document (JSON), or a ride file: GPX, GeoJSON, KML
        #[arg(value_name = "TOUR|FILE")]
        tour: PathBuf,
        /// Region to plan on
        #[arg(long, value_name = "NAME")]
        region: String,
        /// Size of the paper: a5, a4, letter
        #[arg(long, value_name = "SIZE", default_value = "a5")]
        paper: String,
        /// File to write: .pdf or .html
        #[arg(short, long, value_name = "FILE")]
        output: PathBuf,
    },
    /// Writes a tour as one HTML file to hand out: map, days, roadbook, GPX, without network or script
    Handout {
        /// Tour document (JSON), or a ride file: GPX, GeoJSON, KML
        #[arg(value_name = "TOUR|FILE")]
        tour: PathBuf,
        /// Region to plan on
        #[arg(long, value_name = "NAME")]
        region: String,
        /// File to write: .html
        #[arg(short, long, value_name = "FILE")]
        output: PathBuf,
    },
    /// Rides the route points of a file with the panel and compares with its track
    Replay {
        /// File with the planned track, and with the route unless another is named
        plan: PathBuf,
        /// File with the route
        route: Option<PathBuf>,
        /// Region to ride on
        #[arg(long, value_name = "NAME")]
        region: String,
        /// Routers to ask instead of the panel (.toml)
        #[arg(long, value_name = "FILE")]
        panel: Option<PathBuf>,
    },
    /// Lays a recording on roads: which were ridden, what is off them, gaps, rules not kept
    Match {
        /// Recording: GPX, GeoJSON, KML
        file: PathBuf,
        /// Region whose roads were ridden
        #[arg(long, value_name = "NAME")]
        region: String,
    },
    /// Turns GPX, GeoJSON or KML into any of them; several files become one
    Convert {
        /// Files to read
        #[arg(value_name = "FILE", required = true)]
        files: Vec<PathBuf>,
        /// File to write: .gpx, .geojson or .kml
        #[arg(short, long, value_name = "FILE")]
        output: PathBuf,
    },
    /// Says what a strict reader and a GPS unit would object to in a GPX file
    Check {
        /// GPX file
        file: PathBuf,
    },
}

fn main() -> ExitCode {
    let cli = match Cli::try_parse() {
        Ok(cli) => cli,
        Err(e) => return refuse(&e),
    };
    match run(cli) {
        Ok(()) => ExitCode::SUCCESS,
        Err(failure) => failure.report(),
    }
}

fn run(cli: Cli) -> Outcome {
    let Global { data, json } = cli.all;
    let data = || data_dir(data);
    match cli.command {
        Command::Demo { listen, no_open } => serve::demo(data()?, listen, !no_open),
        Command::Import {
            name,
            files,
            elevation,
        } => make_region::run(&data()?, &name, &files, &elevation, json),
        Command::Regions => regions::run(data()?, json),
        Command::Serve {
            listen,
            tls_cert,
            tls_key,
            host,
            behind_proxy,
        } => {
            let tls = tls_cert.zip(tls_key);
            let tls = tls.map(|(certificate, key)| Others::Tls {
                certificate,
                key,
                hosts: host,
            });
            let proxy = behind_proxy.map(|host| Others::Proxy { host });
            serve::run(data()?, listen, tls.or(proxy))
        }
        Command::Password => shelf::password(&data()?),
        Command::Shelf { deed } => shelf::run(&data()?, deed, json),
        Command::Plan {
            region,
            points,
            taste,
            gpx,
            geojson,
        } => {
            let wanted = plan::Wanted {
                region,
                points,
                taste,
                gpx,
                geojson,
                json,
            };
            plan::run(&data()?, &wanted)
        }
        Command::Propose { what } => propose::run(&data()?, what, json),
        Command::Handover {
            tour,
            region,
            unit,
            out,
            panel,
            margin,
            spacing,
        } => {
            let wanted = handover::Wanted {
                tour,
                region,
                unit,
                out,
                panel,
                margin,
                spacing,
                json,
            };
            handover::run(&data()?, &wanted)
        }
        Command::Roadbook {
            tour,
            region,
            paper,
            output,
        } => paper::roadbook(&data()?, &tour, &region, &paper, &output),
        Command::Handout {
            tour,
            region,
            output,
        } => paper::handout(&data()?, &tour, &region, &output),
        Command::Replay {
            plan,
            route,
            region,
            panel,
        } => handover::replay(
            &data()?,
            &plan,
            route.as_deref(),
            &region,
            panel.as_deref(),
            json,
        ),
        Command::Match { file, region } => matching::run(&data()?, &file, &region, json),
        Command::Convert { files, output } => files::convert(&files, &output),
        Command::Check { file } => files::check(&file, json),
    }
}

fn address(text: &str) -> Result<SocketAddr, String> {
    let numeric = text
        .strip_prefix("localhost:")
        .map(|port| format!("127.0.0.1:{port}"));
    let wrong = |_| "give an address and a port, as in 127.0.0.1:8080".to_owned();
    numeric.as_deref().unwrap_or(text).parse().map_err(wrong)
}

/// `--data`, `LACET_DATA`, or the XDG base directory specification's place for data. As there, an
/// empty variable counts as none.
fn data_dir(given: Option<PathBuf>) -> Result<DataDir, Failure> {
    let variable = |name| {
        std::env::var_os(name)
            .filter(|v| !v.is_empty())
            .map(PathBuf::from)
    };
    if let Some(dir) = given.or_else(|| variable("LACET_DATA")) {
        return Ok(DataDir::new(dir));
    }
    let absolute = |name| variable(name).filter(|p| p.is_absolute());
    let base = absolute("XDG_DATA_HOME")
        .or_else(|| absolute("HOME").map(|home| home.join(".local/share")))
        .or_else(|| absolute("LOCALAPPDATA"));
    base.map(|b| DataDir::new(b.join("lacet"))).ok_or_else(|| {
        Failure::user(
            "there is no home directory to keep data in",
            "name one with --data DIR",
        )
    })
}

/// A call that cannot be read: what is wrong in one line, where to look in another.
fn refuse(e: &clap::Error) -> ExitCode {
    match e.kind() {
        ErrorKind::DisplayHelp | ErrorKind::DisplayVersion => {
            let _ = e.print();
            return ExitCode::SUCCESS;
        }
        ErrorKind::DisplayHelpOnMissingArgumentOrSubcommand => {
            let _ = e.print();
            return ExitCode::from(1);
        }
        _ => {}
    }
    let text = e.to_string();
    let first: Vec<&str> = text
        .lines()
        .map(str::trim)
        .take_while(|l| !l.is_empty())
        .collect();
    let what = first.join(" ");
    let what = what.strip_prefix("error: ").unwrap_or(&what);
    let tip = text.lines().find_map(|l| l.trim().strip_prefix("tip: "));
    let looks_like_a_point = [
        "'-0", "'-1", "'-2", "'-3", "'-4", "'-5", "'-6", "'-7", "'-8", "'-9",
    ];
    let hint = if looks_like_a_point.iter().any(|p| what.contains(p)) {
        "write a point as stop:LAT,LON or via:LAT,LON"
    } else {
        tip.unwrap_or("'lacet help' lists the commands, 'lacet COMMAND --help' what each takes")
    };
    Failure::user(what, hint).report()
}
