//! Takes connections on the loopback address, no more than a fixed number at once, and none that dawdles over its head.
//!
//! Each connection carries one request. Where all places are taken, a connection that has not shown the key for a
//! moment gives up its place: other users of this machine cannot hold the owner up.

use super::Limits;
use axum::{Extension, Router};
use hyper::server::conn::http1;
use hyper_util::rt::{TokioIo, TokioTimer};
use hyper_util::service::TowerToHyperService;
use std::collections::BTreeMap;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Duration;
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::{Notify, OwnedSemaphorePermit, Semaphore};
use tokio::time::Instant;

/// Bytes that a request's head may take: a browser's takes some hundred.
const HEAD_BYTES: usize = 64 << 10;
/// How long a connection may keep its place without the key while others wait for one.
const MOMENT: Duration = Duration::from_millis(500);

/// Whether a connection has shown the key. It goes along with the connection's request.
#[derive(Debug, Clone, Default)]
pub struct Shown(Arc<AtomicBool>);

impl Shown {
    /// It has.
    pub fn set(&self) {
        self.0.store(true, Ordering::Relaxed);
    }
}

/// A connection that is open.
struct Open {
    since: Instant,
    shown: Shown,
    end: Arc<Notify>,
}

#[derive(Clone, Default)]
struct Connections(Arc<Mutex<BTreeMap<u64, Open>>>);

impl Connections {
    fn all(&self) -> MutexGuard<'_, BTreeMap<u64, Open>> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Ends the oldest connection that has not shown the key for a moment.
    fn end_a_stranger(&self) {
        let open = self.all();
        let mut strangers = open.values().filter(|c| !c.shown.0.load(Ordering::Relaxed));
        if let Some(oldest) = strangers.next().filter(|c| MOMENT < c.since.elapsed()) {
            oldest.end.notify_one();
        }
    }
}

/// Serves until it is dropped.
pub async fn serve(listener: TcpListener, router: Router, limits: Limits) {
    let places = Arc::new(Semaphore::new(limits.connections));
    let open = Connections::default();
    for number in 0.. {
        let Some(place) = place(&places, &open).await else {
            return; // the places are never closed
        };
        let Ok((stream, _)) = listener.accept().await else {
            // Out of file descriptors: connections that end will free some.
            tokio::time::sleep(Duration::from_millis(100)).await;
            continue;
        };
        tokio::spawn(converse(
            stream,
            router.clone(),
            limits,
            open.clone(),
            number,
            place,
        ));
    }
}

/// A place for one more connection.
async fn place(places: &Arc<Semaphore>, open: &Connections) -> Option<OwnedSemaphorePermit> {
    loop {
        let free = Arc::clone(places).acquire_owned();
        match tokio::time::timeout(MOMENT / 5, free).await {
            Ok(place) => return place.ok(),
            Err(_) => open.end_a_stranger(),
        }
    }
}

/// Answers one connection's request.
async fn converse(
    stream: TcpStream,
    router: Router,
    limits: Limits,
    open: Connections,
    number: u64,
    place: OwnedSemaphorePermit,
) {
    let (shown, end) = (Shown::default(), Arc::new(Notify::new()));
    let here = Open {
        since: Instant::now(),
        shown: shown.clone(),
        end: Arc::clone(&end),
    };
    open.all().insert(number, here);
    let service = TowerToHyperService::new(router.layer(Extension(shown)));
    let conversation = http1::Builder::new()
        .timer(TokioTimer::new())
        .header_read_timeout(limits.head_time)
        .keep_alive(false)
        .max_buf_size(HEAD_BYTES)
        .serve_connection(TokioIo::new(stream), service);
    tokio::select! {
        // A connection that breaks concerns nobody but its browser.
        _ = conversation => {}
        () = end.notified() => {}
    }
    open.all().remove(&number);
    drop(place);
}
