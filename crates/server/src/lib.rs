//! Serves the page, the regions and the shelf over HTTP on the rider's own machine; `docs/api.md`.
//!
//! Keeps no editing state: a request carries the whole tour document. Listens on loopback unless
//! told otherwise, and then asks for a password; answers only requests of its own page, and leaves
//! everything that computes or waits for the disk to other threads.

pub mod access;
pub mod api;
pub mod data;
pub mod regions;
pub mod survey;

mod answer;
mod cards;
mod door;
mod guard;
mod hand;
mod handover;
mod incoming;
mod maps;
mod matching;
mod page;
mod paper;
mod plans;
mod propose;
mod tours;

use std::future::Future;
use std::net::SocketAddr;
use std::path::PathBuf;
use std::sync::Arc;
use std::time::Duration;

use axum::Router;
use axum::body::Bytes;
use axum::http::StatusCode;
use axum::routing::{delete, get, post, put};
use quick_cache::Weighter;
use quick_cache::sync::Cache;
use shelf::Shelf;
use thiserror::Error;
use tokio::net::TcpListener;
use tokio::sync::{Semaphore, watch};

use access::Access;
use answer::Refusal;
use data::{Claim, ClaimError, DataDir};
pub use door::TlsError;
use guard::Names;
use incoming::Incoming;
use regions::Regions;

/// Largest tour document, bytes: hand-drawn legs make them long.
const MAX_TOUR_BYTES: usize = 16_000_000;
/// Tiles kept in memory, bytes.
const TILE_CACHE_BYTES: u64 = 64 << 20;
/// How long deleted tours stay in the bin.
const BIN_S: i64 = 60 * 24 * 3600;
/// How long requests in flight may take after the call to stop.
const FAREWELL: Duration = Duration::from_secs(5);

/// What to serve, and where.
#[derive(Clone, Debug)]
pub struct Config {
    /// Where to listen; port 0 takes any free one.
    pub listen: SocketAddr,
    /// How other machines reach it; `None` keeps to loopback.
    pub others: Option<Others>,
    /// The data directory; made if absent.
    pub data: DataDir,
    /// The clock: Unix seconds.
    pub now_s: fn() -> i64,
}

/// How other machines reach it. They are asked for the password.
#[derive(Clone, Debug)]
pub enum Others {
    /// Straight, over TLS.
    Tls {
        /// Certificate chain, PEM.
        certificate: PathBuf,
        /// Its key, PEM.
        key: PathBuf,
        /// Names in the certificate.
        hosts: Vec<String>,
    },
    /// Through a proxy that does TLS under this name, passes `Host` on and appends the asker's
    /// address to `X-Forwarded-For`.
    Proxy {
        /// Name of the host that browsers see.
        host: String,
    },
}

/// Why it does not serve.
#[derive(Debug, Error)]
pub enum ServeError {
    /// Other machines could reach it, and nothing was said about how.
    #[error("{addr} can be reached by other machines, and it was not said that it should be")]
    NotLoopback {
        /// Address asked for.
        addr: SocketAddr,
    },
    /// Other machines could reach it, and there is no password.
    #[error("other machines could reach it, and there is no password to keep them out")]
    NoPassword,
    /// The certificate cannot be used.
    #[error(transparent)]
    Tls(#[from] TlsError),
    /// The data directory cannot be made.
    #[error("cannot make the data directory {path}: {source}")]
    DataDir {
        /// The directory.
        path: PathBuf,
        /// What the system said.
        source: std::io::Error,
    },
    /// Another process serves the same directory.
    #[error(transparent)]
    Claim(#[from] ClaimError),
    /// The tours cannot be opened.
    #[error(transparent)]
    Shelf(#[from] shelf::OpenError),
    /// Another program listens there.
    #[error("port {} of {} is in use by another program", addr.port(), addr.ip())]
    PortInUse {
        /// Address asked for.
        addr: SocketAddr,
    },
    /// The address cannot be listened on.
    #[error("cannot listen on {addr}: {source}")]
    Listen {
        /// Address asked for.
        addr: SocketAddr,
        /// What the system said.
        source: std::io::Error,
    },
    /// It stopped serving by itself.
    #[error("stopped serving {addr}: {source}")]
    Broken {
        /// Address served.
        addr: SocketAddr,
        /// What the system said.
        source: std::io::Error,
    },
}

/// Kinds of tile.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
enum Tile {
    Vector,
    Relief,
    /// All layers, roads with what they are worth to the taste of that key.
    Shaded(u64),
    /// The roads alone, likewise.
    Roads(u64),
}

/// Region, kind, zoom, column, row.
type TileKey = (u64, Tile, u8, u32, u32);

#[derive(Clone)]
struct TileWeight;

impl Weighter<TileKey, Bytes> for TileWeight {
    fn weight(&self, _: &TileKey, bytes: &Bytes) -> u64 {
        bytes.len() as u64 + 100
    }
}

/// What all requests share.
struct App {
    regions: Regions,
    shelf: Shelf,
    tiles: Cache<TileKey, Bytes, TileWeight>,
    tile_turns: Semaphore,
    read_turn: Semaphore,
    /// Connections of `/api/hand`, and plans made for them at once.
    hands: Arc<Semaphore>,
    plan_turns: Semaphore,
    row_sets: cards::RowSets,
    incoming: Incoming,
    measuring: survey::Waiting,
    /// Proposals asked for, and worked on at once.
    propose_places: Arc<Semaphore>,
    propose_turns: Arc<Semaphore>,
    stopping: watch::Receiver<bool>,
    now_s: fn() -> i64,
}

/// Serves until `stop` is ready; calls `ready` with the address once requests are answered.
pub async fn serve(
    config: Config,
    stop: impl Future<Output = ()> + Send + 'static,
    ready: impl FnOnce(SocketAddr),
) -> Result<(), ServeError> {
    let addr = config.listen;
    if config.others.is_none() && !addr.ip().is_loopback() {
        return Err(ServeError::NotLoopback { addr });
    }
    let path = config.data.root().to_path_buf();
    config
        .data
        .create()
        .map_err(|source| ServeError::DataDir { path, source })?;
    let mut claim = Claim::take(&config.data)?;
    let gate = Gate::of(&config)?;
    let shelf = Shelf::open(&config.data.shelf())?;
    // A bin that cannot be emptied now is emptied another time.
    let _ = shelf.purge((config.now_s)() - BIN_S);

    let listener = TcpListener::bind(addr)
        .await
        .map_err(|source| match source.kind() {
            std::io::ErrorKind::AddrInUse => ServeError::PortInUse { addr },
            _ => ServeError::Listen { addr, source },
        })?;
    let addr = listener
        .local_addr()
        .map_err(|source| ServeError::Listen { addr, source })?;
    claim.announce(&format!("{}://{addr}/", gate.scheme()))?;

    let cores = std::thread::available_parallelism().map_or(2, usize::from);
    let (tell, mut asked) = watch::channel(false);
    let app = Arc::new(App {
        incoming: Incoming::new(config.data.incoming()),
        row_sets: cards::RowSets::default(),
        measuring: survey::Waiting::default(),
        regions: Regions::new(config.data),
        shelf,
        tiles: Cache::with_weighter(10_000, TILE_CACHE_BYTES, TileWeight),
        tile_turns: Semaphore::new(cores),
        read_turn: Semaphore::new(1),
        hands: Arc::new(Semaphore::new(hand::MOST_HANDS as usize)),
        plan_turns: Semaphore::new(cores),
        propose_places: Arc::new(Semaphore::new(propose::MOST_ASKED)),
        propose_turns: Arc::new(Semaphore::new(cores.div_ceil(2))),
        stopping: asked.clone(),
        now_s: config.now_s,
    });
    ready(addr);

    Incoming::resume(&app);
    tokio::spawn(async move {
        stop.await;
        let _ = tell.send(true);
    });
    let hands = app.hands.clone();
    let stopping = app.stopping.clone();
    let router = router(app, gate.names, gate.access);
    let serving = async {
        let ended = door::serve(listener, gate.tls, router, stopping).await;
        // Connections that have left HTTP say goodbye by themselves.
        let _ = hands.acquire_many(hand::MOST_HANDS).await;
        ended
    };
    let late = async move {
        let _ = asked.wait_for(|stopping| *stopping).await;
        tokio::time::sleep(FAREWELL).await;
    };
    tokio::select! {
        ended = serving => ended.map_err(|source| ServeError::Broken { addr, source }),
        () = late => Ok(()),
    }
}

/// Who is let in, and how.
struct Gate {
    names: Names,
    tls: Option<tokio_rustls::TlsAcceptor>,
    access: Option<Access>,
}

impl Gate {
    fn of(config: &Config) -> Result<Self, ServeError> {
        let alone = Names {
            scheme: "http",
            hosts: Vec::new(),
            numeric: false,
        };
        let Some(others) = &config.others else {
            return Ok(Gate {
                names: alone,
                tls: None,
                access: None,
            });
        };
        let hash =
            std::fs::read_to_string(config.data.password()).map_err(|_| ServeError::NoPassword)?;
        let (names, tls, proxied) = match others {
            Others::Tls {
                certificate,
                key,
                hosts,
            } => {
                let names = Names {
                    scheme: "https",
                    hosts: hosts.clone(),
                    numeric: true,
                };
                (names, Some(door::tls(certificate, key)?), false)
            }
            Others::Proxy { host } => {
                let names = Names {
                    scheme: "https",
                    hosts: vec![host.clone()],
                    numeric: false,
                };
                (names, None, true)
            }
        };
        let access =
            Access::new(&hash, true, proxied, config.now_s).ok_or(ServeError::NoPassword)?;
        Ok(Gate {
            names,
            tls,
            access: Some(access),
        })
    }

    fn scheme(&self) -> &'static str {
        if self.tls.is_some() { "https" } else { "http" }
    }
}

fn router(app: Arc<App>, names: Names, access: Option<Access>) -> Router {
    let calls = Router::new()
        .route("/api/regions", get(maps::regions))
        .route(
            "/api/regions/{name}/tiles/{z}/{x}/{y}",
            get(maps::vector_tile),
        )
        .route(
            "/api/regions/{name}/relief/{z}/{x}/{y}",
            get(maps::relief_tile),
        )
        .route("/api/regions/{name}/find", get(maps::find))
        .route("/api/regions/{name}/near", get(maps::near))
        .route("/api/regions/{name}/stretch/{id}", get(maps::stretch))
        .route("/api/regions/{name}/stretches", get(maps::stretches))
        .route("/api/tastes", get(plans::tastes))
        .route("/api/tastes/read", post(plans::read_taste))
        .route("/api/tastes/write", post(plans::write_taste))
        .route("/api/plan", post(plans::plan))
        .route("/api/days", post(plans::days))
        .route("/api/hand", get(hand::hand))
        .route("/api/propose/{what}", post(propose::propose))
        .route("/api/export/{format}", post(plans::export))
        .route("/api/paper/{what}", post(paper::paper))
        .route("/api/units", get(handover::units))
        .route("/api/handover", post(handover::handover))
        .route("/api/replay", post(handover::replay))
        .route("/api/match", post(matching::matched))
        .route("/api/read", post(plans::read))
        .route("/api/tours", get(tours::list).post(tours::add))
        .route(
            "/api/tours/{id}",
            get(tours::get).put(tours::save).delete(tours::delete),
        )
        .route("/api/tours/{id}/restore", post(tours::restore))
        .route("/api/state", get(tours::state).put(tours::set_state))
        .route("/api/shelf", get(cards::search))
        .route("/api/shelf/tiles/{z}/{x}/{y}", get(cards::tile))
        .route(
            "/api/shelf/items/{key}",
            get(cards::item).patch(cards::change).delete(cards::delete),
        )
        .route("/api/shelf/items/{key}/restore", post(cards::restore))
        .route("/api/shelf/items/{key}/copy", get(cards::copy))
        .route("/api/shelf/items/{key}/{file}", get(cards::file))
        .route("/api/shelf/marks", get(cards::marks).post(cards::add_mark))
        .route("/api/shelf/marks/{key}", put(cards::move_mark))
        .route("/api/shelf/photos", post(cards::add_photo))
        .route(
            "/api/shelf/collections",
            get(cards::collections).post(cards::add_collection),
        )
        .route(
            "/api/shelf/collections/{number}",
            get(cards::collection)
                .put(cards::save_collection)
                .delete(cards::delete_collection),
        )
        .route(
            "/api/shelf/collections/{number}/restore",
            post(cards::restore_collection),
        )
        .route(
            "/api/shelf/imports",
            get(incoming::imports).post(incoming::import),
        )
        .route("/api/shelf/imports/{number}", delete(incoming::cancel))
        .route("/api/shelf/troubles", get(incoming::troubles))
        .route("/api/shelf/export", get(incoming::export))
        .route("/api/openapi.json", get(page::openapi))
        .method_not_allowed_fallback(async || {
            let hint = "see docs/api.md";
            Refusal::new(
                StatusCode::METHOD_NOT_ALLOWED,
                "this call is made another way",
                hint,
            )
        })
        .fallback(page::page)
        .with_state(app);
    // The last layer is the first to look at a request.
    let calls = match access {
        None => calls,
        Some(access) => {
            let access = Arc::new(access);
            calls.layer(axum::middleware::from_fn_with_state(access, access::admit))
        }
    };
    calls.layer(axum::middleware::from_fn_with_state(
        Arc::new(names),
        guard::guard,
    ))
}
