//! Connections: how many, how long one may take nothing, and how they end.

use std::future::Future;
use std::io;
use std::net::SocketAddr;
use std::pin::Pin;
use std::sync::Arc;
use std::task::{Context, Poll, ready};
use std::time::Duration;

use axum::Router;
use axum::serve::Listener;
use tokio::io::{AsyncRead, AsyncWrite, ReadBuf};
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::{OwnedSemaphorePermit, Semaphore};
use tokio::time::{Sleep, sleep};
use tokio_util::sync::CancellationToken;

/// Connections at a time; more wait in the system's queue.
const MOST: u32 = 256;

/// How long a peer may take nothing of what is written to it.
const PATIENCE: Duration = Duration::from_secs(30);

/// How long connections may take to end.
const ENDING: Duration = Duration::from_millis(1500);

/// Serves until `stop` is cancelled, and ends within two seconds then.
///
/// # Errors
/// When the listener fails for good.
pub async fn serve(
    listener: TcpListener,
    router: Router,
    stop: CancellationToken,
) -> io::Result<()> {
    serve_with(listener, router, stop, PATIENCE).await
}

pub(super) async fn serve_with(
    listener: TcpListener,
    router: Router,
    stop: CancellationToken,
    patience: Duration,
) -> io::Result<()> {
    let places = Arc::new(Semaphore::new(MOST as usize));
    let door = Door { listener, places: Arc::clone(&places), patience };
    let serving = axum::serve(door, router).with_graceful_shutdown(stop.clone().cancelled_owned());
    let late = async {
        stop.cancelled().await;
        sleep(ENDING).await;
    };
    let ended = async {
        let outcome = serving.await;
        // Live feeds have left the server's hands and say goodbye on their own.
        places.acquire_many(MOST).await.ok();
        outcome
    };
    tokio::select! {
        outcome = ended => outcome,
        () = late => Ok(()),
    }
}

struct Door {
    listener: TcpListener,
    places: Arc<Semaphore>,
    patience: Duration,
}

impl Listener for Door {
    type Io = Connection;
    type Addr = SocketAddr;

    async fn accept(&mut self) -> (Connection, SocketAddr) {
        loop {
            let Ok(place) = Arc::clone(&self.places).acquire_owned().await else {
                // Nobody closes the places; were they closed, nobody would come in any more.
                std::future::pending::<()>().await;
                continue;
            };
            let (stream, peer) = Listener::accept(&mut self.listener).await;
            // An alarm is a small message and must not wait for a larger one.
            stream.set_nodelay(true).ok();
            let connection =
                Connection { stream, stalled: None, patience: self.patience, _place: place };
            return (connection, peer);
        }
    }

    fn local_addr(&self) -> io::Result<SocketAddr> {
        self.listener.local_addr()
    }
}

/// A connection that is given up when its peer takes nothing for too long.
struct Connection {
    stream: TcpStream,
    stalled: Option<Pin<Box<Sleep>>>,
    patience: Duration,
    _place: OwnedSemaphorePermit,
}

impl Connection {
    /// Passes on what writing came to; while it waits the clock runs.
    fn written<T>(
        &mut self,
        cx: &mut Context<'_>,
        outcome: Poll<io::Result<T>>,
    ) -> Poll<io::Result<T>> {
        if outcome.is_ready() {
            self.stalled = None;
            return outcome;
        }
        let patience = self.patience;
        let stalled = self.stalled.get_or_insert_with(|| Box::pin(sleep(patience)));
        ready!(stalled.as_mut().poll(cx));
        let why = format!("the peer has taken nothing for {} s", patience.as_secs_f64());
        Poll::Ready(Err(io::Error::new(io::ErrorKind::TimedOut, why)))
    }
}

impl AsyncRead for Connection {
    fn poll_read(
        mut self: Pin<&mut Self>,
        cx: &mut Context<'_>,
        buffer: &mut ReadBuf<'_>,
    ) -> Poll<io::Result<()>> {
        Pin::new(&mut self.stream).poll_read(cx, buffer)
    }
}

impl AsyncWrite for Connection {
    fn poll_write(
        mut self: Pin<&mut Self>,
        cx: &mut Context<'_>,
        bytes: &[u8],
    ) -> Poll<io::Result<usize>> {
        let outcome = Pin::new(&mut self.stream).poll_write(cx, bytes);
        self.written(cx, outcome)
    }

    fn poll_write_vectored(
        mut self: Pin<&mut Self>,
        cx: &mut Context<'_>,
        parts: &[io::IoSlice<'_>],
    ) -> Poll<io::Result<usize>> {
        let outcome = Pin::new(&mut self.stream).poll_write_vectored(cx, parts);
        self.written(cx, outcome)
    }

    fn is_write_vectored(&self) -> bool {
        self.stream.is_write_vectored()
    }

    fn poll_flush(mut self: Pin<&mut Self>, cx: &mut Context<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.stream).poll_flush(cx)
    }

    fn poll_shutdown(mut self: Pin<&mut Self>, cx: &mut Context<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.stream).poll_shutdown(cx)
    }
}
