//! Serves the page, the regions and the shelf over HTTP on the rider's own machine; `docs/api.md`.
//!
//! Keeps no editing state: a request carries the whole tour document. Listens on loopback only,
//! answers only requests of its own page, and leaves everything that computes or waits for the
//! disk to other threads.

pub mod api;
pub mod data;
pub mod regions;

mod answer;
mod guard;
mod hand;
mod maps;
mod page;
mod plans;
mod tours;

use std::future::Future;
use std::net::SocketAddr;
use std::path::PathBuf;
use std::sync::Arc;
use std::time::Duration;

use axum::Router;
use axum::body::Bytes;
use axum::http::StatusCode;
use axum::routing::{get, post};
use axum::serve::ListenerExt;
use quick_cache::Weighter;
use quick_cache::sync::Cache;
use shelf::Shelf;
use thiserror::Error;
use tokio::net::TcpListener;
use tokio::sync::{Semaphore, watch};

use answer::Refusal;
use data::{Claim, ClaimError, DataDir};
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
    /// Loopback address; port 0 takes any free one.
    pub listen: SocketAddr,
    /// The data directory; made if absent.
    pub data: DataDir,
    /// The clock: Unix seconds.
    pub now_s: fn() -> i64,
}

/// Why it does not serve.
#[derive(Debug, Error)]
pub enum ServeError {
    /// Other machines could reach it, and there is no password yet.
    #[error(
        "{addr} can be reached by other machines, and Lacet has no password to keep them out yet"
    )]
    NotLoopback {
        /// Address asked for.
        addr: SocketAddr,
    },
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
    if !addr.ip().is_loopback() {
        return Err(ServeError::NotLoopback { addr });
    }
    let path = config.data.root().to_path_buf();
    config
        .data
        .create()
        .map_err(|source| ServeError::DataDir { path, source })?;
    let mut claim = Claim::take(&config.data)?;
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
    claim.announce(&format!("http://{addr}/"))?;

    let cores = std::thread::available_parallelism().map_or(2, usize::from);
    let (tell, mut asked) = watch::channel(false);
    let app = Arc::new(App {
        regions: Regions::new(config.data),
        shelf,
        tiles: Cache::with_weighter(10_000, TILE_CACHE_BYTES, TileWeight),
        tile_turns: Semaphore::new(cores),
        read_turn: Semaphore::new(1),
        hands: Arc::new(Semaphore::new(hand::MOST_HANDS as usize)),
        plan_turns: Semaphore::new(cores),
        stopping: asked.clone(),
        now_s: config.now_s,
    });
    ready(addr);

    // Small answers must not wait for a full packet.
    let listener = listener.tap_io(|stream| {
        let _ = stream.set_nodelay(true);
    });
    let hands = app.hands.clone();
    let serving = axum::serve(listener, router(app)).with_graceful_shutdown(async move {
        stop.await;
        let _ = tell.send(true);
    });
    let serving = async {
        let ended = serving.await;
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

fn router(app: Arc<App>) -> Router {
    Router::new()
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
        .route("/api/hand", get(hand::hand))
        .route("/api/export/{format}", post(plans::export))
        .route("/api/read", post(plans::read))
        .route("/api/tours", get(tours::list).post(tours::add))
        .route(
            "/api/tours/{id}",
            get(tours::get).put(tours::save).delete(tours::delete),
        )
        .route("/api/tours/{id}/restore", post(tours::restore))
        .route("/api/state", get(tours::state).put(tours::set_state))
        .method_not_allowed_fallback(async || {
            let hint = "see docs/api.md";
            Refusal::new(
                StatusCode::METHOD_NOT_ALLOWED,
                "this call is made another way",
                hint,
            )
        })
        .fallback(page::page)
        .layer(axum::middleware::from_fn(guard::guard))
        .with_state(app)
}
