//! A connection that gives up on a client that takes nothing of its answer.

use std::future::Future;
use std::io;
use std::pin::Pin;
use std::task::{Context, Poll};
use std::time::Duration;

use tokio::io::{AsyncRead, AsyncWrite, ReadBuf};
use tokio::time::{Sleep, sleep};

use crate::limits::HTTP_STALL_SECONDS_MAX;

/// Reads as the inner stream does; a write that makes no way for [`HTTP_STALL_SECONDS_MAX`] is an error.
pub(super) struct Paced<S> {
    inner: S,
    stalled: Option<Pin<Box<Sleep>>>,
}

// === impl Paced ===

impl<S> Paced<S> {
    pub(super) fn new(inner: S) -> Paced<S> {
        Paced { inner, stalled: None }
    }

    fn pace<T>(&mut self, polled: Poll<io::Result<T>>, cx: &mut Context<'_>) -> Poll<io::Result<T>> {
        if polled.is_ready() {
            self.stalled = None;
            return polled;
        }
        let limit = Duration::from_secs(HTTP_STALL_SECONDS_MAX);
        let stalled = self.stalled.get_or_insert_with(|| Box::pin(sleep(limit)));
        match stalled.as_mut().poll(cx) {
            Poll::Ready(()) => Poll::Ready(Err(io::ErrorKind::TimedOut.into())),
            Poll::Pending => Poll::Pending,
        }
    }
}

impl<S: AsyncRead + Unpin> AsyncRead for Paced<S> {
    fn poll_read(
        mut self: Pin<&mut Self>,
        cx: &mut Context<'_>,
        buf: &mut ReadBuf<'_>,
    ) -> Poll<io::Result<()>> {
        Pin::new(&mut self.inner).poll_read(cx, buf)
    }
}

impl<S: AsyncWrite + Unpin> AsyncWrite for Paced<S> {
    fn poll_write(mut self: Pin<&mut Self>, cx: &mut Context<'_>, buf: &[u8]) -> Poll<io::Result<usize>> {
        let polled = Pin::new(&mut self.inner).poll_write(cx, buf);
        self.pace(polled, cx)
    }

    fn poll_write_vectored(
        mut self: Pin<&mut Self>,
        cx: &mut Context<'_>,
        bufs: &[io::IoSlice<'_>],
    ) -> Poll<io::Result<usize>> {
        let polled = Pin::new(&mut self.inner).poll_write_vectored(cx, bufs);
        self.pace(polled, cx)
    }

    fn is_write_vectored(&self) -> bool {
        self.inner.is_write_vectored()
    }

    fn poll_flush(mut self: Pin<&mut Self>, cx: &mut Context<'_>) -> Poll<io::Result<()>> {
        let polled = Pin::new(&mut self.inner).poll_flush(cx);
        self.pace(polled, cx)
    }

    fn poll_shutdown(mut self: Pin<&mut Self>, cx: &mut Context<'_>) -> Poll<io::Result<()>> {
        let polled = Pin::new(&mut self.inner).poll_shutdown(cx);
        self.pace(polled, cx)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use tokio::io::AsyncWriteExt;
    use tokio::time::Instant;

    #[tokio::test(start_paused = true)]
    async fn a_client_that_takes_nothing_is_given_up() {
        let (ours, _theirs) = tokio::io::duplex(1_000);
        let began = Instant::now();
        let error = Paced::new(ours).write_all(&[0; 2_000]).await.unwrap_err();
        assert_eq!(error.kind(), io::ErrorKind::TimedOut);
        assert_eq!(began.elapsed().as_secs(), HTTP_STALL_SECONDS_MAX);
    }
}
