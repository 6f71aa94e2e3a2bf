//! Who comes in: connections, counted and given a time for everything, with or without TLS.

use std::io;
use std::net::{IpAddr, SocketAddr};
use std::path::{Path, PathBuf};
use std::pin::pin;
use std::sync::Arc;
use std::time::Duration;

use axum::Router;
use hyper::Request;
use hyper::body::Incoming;
use hyper::service::service_fn;
use hyper_util::rt::{TokioIo, TokioTimer};
use thiserror::Error;
use tokio::io::{AsyncRead, AsyncWrite};
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::{Semaphore, watch};
use tokio_rustls::TlsAcceptor;
use tokio_rustls::rustls::ServerConfig;
use tokio_rustls::rustls::crypto::ring;
use tokio_rustls::rustls::pki_types::pem::PemObject;
use tokio_rustls::rustls::pki_types::{CertificateDer, PrivateKeyDer};
use tower_service::Service;

/// Connections at a time; the next ones wait to be let in.
const MAX_CONNECTIONS: usize = 512;
/// Time for the headers of a request to arrive, and for the first one.
const HEADER_PATIENCE: Duration = Duration::from_secs(15);
/// Time for a TLS handshake.
const HANDSHAKE_PATIENCE: Duration = Duration::from_secs(10);
/// Most bytes of a request's headers.
const MAX_HEADER_BYTES: usize = 32 * 1024;

/// Who sent a request: the other end of the connection.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Peer(pub IpAddr);

/// Why the certificate cannot be used.
#[derive(Debug, Error)]
#[error("cannot serve TLS with {path}: {reason}")]
pub struct TlsError {
    /// File concerned.
    pub path: PathBuf,
    /// What is wrong with it.
    pub reason: String,
}

/// Reads a certificate chain and its key, both PEM.
pub(crate) fn tls(certificate: &Path, key: &Path) -> Result<TlsAcceptor, TlsError> {
    let failed = |path: &Path, reason: String| TlsError {
        path: path.into(),
        reason,
    };
    let chain: Vec<CertificateDer> = CertificateDer::pem_file_iter(certificate)
        .and_then(Iterator::collect)
        .map_err(|e| failed(certificate, e.to_string()))?;
    let secret = PrivateKeyDer::from_pem_file(key).map_err(|e| failed(key, e.to_string()))?;
    let mut config = ServerConfig::builder_with_provider(Arc::new(ring::default_provider()))
        .with_safe_default_protocol_versions()
        .and_then(|b| b.with_no_client_auth().with_single_cert(chain, secret))
        .map_err(|e| failed(certificate, e.to_string()))?;
    config.alpn_protocols = vec![b"http/1.1".to_vec()];
    Ok(TlsAcceptor::from(Arc::new(config)))
}

/// Serves until `stopping` turns true, then answers what is in flight and returns.
pub(crate) async fn serve(
    listener: TcpListener,
    tls: Option<TlsAcceptor>,
    router: Router,
    stopping: watch::Receiver<bool>,
) -> io::Result<()> {
    let room = Arc::new(Semaphore::new(MAX_CONNECTIONS));
    let mut stop = stopping.clone();
    loop {
        let seat = tokio::select! {
            seat = room.clone().acquire_owned() => seat.map_err(io::Error::other)?,
            _ = stop.wait_for(|s| *s) => break,
        };
        let (stream, peer) = tokio::select! {
            accepted = listener.accept() => match accepted {
                Ok(accepted) => accepted,
                Err(e) if is_of_the_peer(&e) => continue,
                Err(_) => {
                    // Out of file handles: some will be given back.
                    tokio::time::sleep(Duration::from_millis(50)).await;
                    continue;
                }
            },
            _ = stop.wait_for(|s| *s) => break,
        };
        let (tls, router, stopping) = (tls.clone(), router.clone(), stopping.clone());
        tokio::spawn(async move {
            let _seat = seat;
            greet(stream, peer, tls, router, stopping).await;
        });
    }
    drop(listener);
    // Every connection gives its seat back when it is done.
    let _ = room.acquire_many(MAX_CONNECTIONS as u32).await;
    Ok(())
}

fn is_of_the_peer(e: &io::Error) -> bool {
    use io::ErrorKind::{ConnectionAborted, ConnectionRefused, ConnectionReset};
    matches!(
        e.kind(),
        ConnectionAborted | ConnectionRefused | ConnectionReset
    )
}

async fn greet(
    stream: TcpStream,
    peer: SocketAddr,
    tls: Option<TlsAcceptor>,
    router: Router,
    stopping: watch::Receiver<bool>,
) {
    // Small answers must not wait for a full packet.
    let _ = stream.set_nodelay(true);
    match tls {
        None => converse(stream, peer, router, stopping).await,
        Some(tls) => {
            if let Ok(Ok(stream)) =
                tokio::time::timeout(HANDSHAKE_PATIENCE, tls.accept(stream)).await
            {
                converse(stream, peer, router, stopping).await;
            }
        }
    }
}

async fn converse(
    stream: impl AsyncRead + AsyncWrite + Unpin + Send + 'static,
    peer: SocketAddr,
    router: Router,
    mut stopping: watch::Receiver<bool>,
) {
    let service = service_fn(move |mut request: Request<Incoming>| {
        request.extensions_mut().insert(Peer(peer.ip()));
        // A router is always ready.
        router.clone().call(request)
    });
    let mut http = hyper::server::conn::http1::Builder::new();
    http.timer(TokioTimer::new())
        .header_read_timeout(HEADER_PATIENCE)
        .max_buf_size(MAX_HEADER_BYTES);
    let mut connection = pin!(
        http.serve_connection(TokioIo::new(stream), service)
            .with_upgrades()
    );
    tokio::select! {
        // A connection that breaks off is the other side's matter.
        _ = connection.as_mut() => return,
        _ = stopping.wait_for(|s| *s) => {}
    }
    connection.as_mut().graceful_shutdown();
    let _ = connection.await;
}
