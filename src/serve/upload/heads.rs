//! Bounds what a form may send before a file's own bytes begin: the lines that name it are kept in memory.

use super::super::limits::PART_HEAD_BYTES;
use axum::body::{Body, Bytes, HttpBody};
use axum::extract::Request;
use http_body::Frame;
use std::future::{Future, poll_fn};
use std::pin::{Pin, pin};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};
use std::task::{Context, Poll};

/// How much more of the body is let through.
#[derive(Clone)]
pub struct Heads(Arc<State>);

struct State {
    left: AtomicUsize,
    starved: AtomicBool,
    thrown_away: AtomicBool,
    /// Bytes that were thrown away so far.
    thrown: AtomicUsize,
}

/// So much more is read and thrown away after a refusal at the most: a browser that goes on sending would not read the answer.
const MOST_THROWN_BYTES: usize = 32 << 20;

impl Heads {
    /// Puts the bound between a request's body and who reads it.
    pub fn bound(request: Request) -> (Request, Self) {
        let heads = Self(Arc::new(State {
            left: AtomicUsize::new(usize::MAX),
            starved: AtomicBool::new(false),
            thrown_away: AtomicBool::new(false),
            thrown: AtomicUsize::new(0),
        }));
        let bound = heads.clone();
        let request = request.map(|body| Body::new(Bounded { body, heads: bound }));
        (request, heads)
    }

    /// Waits for the next file's name, over no more bytes than such lines may take; `None` where they take more.
    pub async fn within<T>(&self, next: impl Future<Output = T>) -> Option<T> {
        self.0.left.store(PART_HEAD_BYTES, Ordering::Relaxed);
        let mut next = pin!(next);
        let found = poll_fn(|cx| match next.as_mut().poll(cx) {
            Poll::Pending if self.0.starved.load(Ordering::Relaxed) => Poll::Ready(None),
            polled => polled.map(Some),
        })
        .await;
        self.0.left.store(usize::MAX, Ordering::Relaxed);
        self.0.starved.store(false, Ordering::Relaxed);
        found
    }

    /// From now on what comes in is read and thrown away.
    pub fn throw_away(&self) {
        self.0.thrown_away.store(true, Ordering::Relaxed);
    }
}

struct Bounded {
    body: Body,
    heads: Heads,
}

impl HttpBody for Bounded {
    type Data = Bytes;
    type Error = axum::Error;

    fn poll_frame(
        mut self: Pin<&mut Self>,
        cx: &mut Context<'_>,
    ) -> Poll<Option<Result<Frame<Bytes>, axum::Error>>> {
        let state = Arc::clone(&self.heads.0);
        let left = state.left.load(Ordering::Relaxed);
        if left == 0 {
            // Who waits is woken by nothing, but looks at this as soon as the poll is back.
            state.starved.store(true, Ordering::Relaxed);
            return Poll::Pending;
        }
        let polled = Pin::new(&mut self.body).poll_frame(cx);
        let Poll::Ready(Some(Ok(frame))) = polled else {
            return polled;
        };
        if state.thrown_away.load(Ordering::Relaxed) {
            let more = frame.data_ref().map_or(0, Bytes::len);
            if MOST_THROWN_BYTES < state.thrown.fetch_add(more, Ordering::Relaxed) {
                return Poll::Ready(None);
            }
            return Poll::Ready(Some(Ok(Frame::data(Bytes::new()))));
        }
        if let Some(data) = frame.data_ref().filter(|_| left != usize::MAX) {
            state
                .left
                .store(left.saturating_sub(data.len()), Ordering::Relaxed);
        }
        Poll::Ready(Some(Ok(frame)))
    }
}
