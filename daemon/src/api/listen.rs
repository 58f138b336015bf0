//! The Unix socket: made afresh, even over one that a crash left behind, but
//! never taken from a daemon that still answers. Connections are bounded.

use std::fs;
use std::io;
use std::os::unix::fs::PermissionsExt;
use std::path::{Path, PathBuf};
use std::pin::Pin;
use std::sync::Arc;
use std::task::{Context, Poll};

use tokio::io::{AsyncRead, AsyncWrite, ReadBuf};
use tokio::net::unix::SocketAddr;
use tokio::net::{UnixListener, UnixStream};
use tokio::sync::{OwnedSemaphorePermit, Semaphore};

/// Connections that are served at once; further ones wait.
const CONNECTIONS: usize = 64;

/// Why the socket cannot be used.
#[derive(Debug, thiserror::Error)]
pub enum ListenError {
    /// Another daemon answers there.
    #[error("another daemon answers at {0}; stop it, or give this one another `api.socket`")]
    InUse(PathBuf),
    /// It cannot be made.
    #[error("the socket {path} cannot be made: {why}")]
    Io {
        /// Where.
        path: PathBuf,
        /// What the system said.
        why: io::Error,
    },
}

/// Listens with a bounded number of connections.
pub struct Listener {
    socket: UnixListener,
    free: Arc<Semaphore>,
}

/// Makes the socket; its group may use it, others may not.
pub async fn bind(path: &Path) -> Result<Listener, ListenError> {
    let io_error = |why| ListenError::Io { path: path.to_owned(), why };
    if UnixStream::connect(path).await.is_ok() {
        return Err(ListenError::InUse(path.to_owned()));
    }
    if let Some(folder) = path.parent().filter(|f| !f.as_os_str().is_empty()) {
        fs::create_dir_all(folder).map_err(io_error)?;
    }
    match fs::symlink_metadata(path) {
        Ok(left) if is_socket(&left) => fs::remove_file(path).map_err(io_error)?,
        Ok(_) => return Err(io_error(io::Error::other("there is a file that is no socket"))),
        Err(_) => {}
    }
    let socket = UnixListener::bind(path).map_err(io_error)?;
    fs::set_permissions(path, fs::Permissions::from_mode(0o660)).map_err(io_error)?;
    Ok(Listener { socket, free: Arc::new(Semaphore::new(CONNECTIONS)) })
}

fn is_socket(metadata: &fs::Metadata) -> bool {
    use std::os::unix::fs::FileTypeExt;
    metadata.file_type().is_socket()
}

impl axum::serve::Listener for Listener {
    type Io = Connection;
    type Addr = SocketAddr;

    async fn accept(&mut self) -> (Connection, SocketAddr) {
        loop {
            let permit = self.free.clone().acquire_owned().await;
            match (permit, self.socket.accept().await) {
                (Ok(permit), Ok((stream, from))) => {
                    return (Connection { stream, _permit: permit }, from);
                }
                (_, accepted) => {
                    if let Err(error) = accepted {
                        tracing::warn!("a connection could not be taken: {error}");
                    }
                    // Out of file descriptors, most likely: do not spin.
                    tokio::time::sleep(std::time::Duration::from_millis(100)).await;
                }
            }
        }
    }

    fn local_addr(&self) -> io::Result<SocketAddr> {
        self.socket.local_addr()
    }
}

/// A connection that holds its place until it ends.
pub struct Connection {
    stream: UnixStream,
    _permit: OwnedSemaphorePermit,
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
        Pin::new(&mut self.stream).poll_write(cx, bytes)
    }

    fn poll_flush(mut self: Pin<&mut Self>, cx: &mut Context<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.stream).poll_flush(cx)
    }

    fn poll_shutdown(mut self: Pin<&mut Self>, cx: &mut Context<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.stream).poll_shutdown(cx)
    }
}
