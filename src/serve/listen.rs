//! Takes connections on the loopback address, no more than a fixed number at once, and none that dawdles over its head.

use super::Limits;
use axum::Router;
use hyper::server::conn::http1;
use hyper_util::rt::{TokioIo, TokioTimer};
use hyper_util::service::TowerToHyperService;
use std::sync::Arc;
use std::time::Duration;
use tokio::net::TcpListener;
use tokio::sync::Semaphore;

/// Bytes that a request's head may take: a browser's takes some hundred.
const HEAD_BYTES: usize = 64 << 10;

/// Serves until it is dropped.
pub async fn serve(listener: TcpListener, router: Router, limits: Limits) {
    let places = Arc::new(Semaphore::new(limits.connections));
    loop {
        let Ok(place) = Arc::clone(&places).acquire_owned().await else {
            return; // the places are never closed
        };
        let Ok((stream, _)) = listener.accept().await else {
            // Out of file descriptors: connections that end will free some.
            tokio::time::sleep(Duration::from_millis(100)).await;
            continue;
        };
        let service = TowerToHyperService::new(router.clone());
        tokio::spawn(async move {
            // A connection that breaks concerns nobody but its browser.
            let _ = http1::Builder::new()
                .timer(TokioTimer::new())
                .header_read_timeout(limits.request_time)
                .max_buf_size(HEAD_BYTES)
                .serve_connection(TokioIo::new(stream), service)
                .await;
            drop(place);
        });
    }
}
