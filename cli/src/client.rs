//! Talks to the daemon: one HTTP request over its Unix socket at a time, with
//! a limit on how long and how much. Refuses a daemon of another build. Never
//! tries again by itself, never prints.

use std::io;
use std::path::{Path, PathBuf};
use std::time::Duration;

use ampledger_types::api::{BUILD_HEADER, ErrorResponse};
use http_body_util::{BodyExt, Full};
use hyper::body::{Bytes, Incoming};
use hyper::client::conn::http1;
use hyper::{HeaderMap, Method, Request, Response};
use hyper_util::rt::TokioIo;
use serde::Serialize;
use serde::de::DeserializeOwned;
use tokio::net::UnixStream;

use crate::exit::Exit;

/// This program's build: version and, from a git checkout, the commit.
pub const BUILD: &str = env!("AMPLEDGER_BUILD");

/// Where the daemon's socket is when it runs as a service.
pub const SERVICE_SOCKET: &str = "/run/ampledger/ampledger.sock";

/// How long to wait and how much to take.
#[derive(Clone, Debug)]
pub struct Limits {
    /// Until the connection stands.
    pub connect: Duration,
    /// Until the answer begins. Long sessions take the daemon a while.
    pub answer: Duration,
    /// Between two pieces of an answer.
    pub silence: Duration,
    /// Size of an answer that is held in memory, bytes.
    pub body: usize,
}

impl Default for Limits {
    fn default() -> Self {
        Limits {
            connect: Duration::from_secs(5),
            answer: Duration::from_secs(60),
            silence: Duration::from_secs(30),
            body: 32 << 20,
        }
    }
}

/// Why the daemon gave no answer, or not the one hoped for.
#[derive(Debug, thiserror::Error)]
pub enum ClientError {
    /// Nobody listens there.
    #[error("no daemon answers on {}: {why}", socket.display())]
    NoDaemon {
        /// Where it was looked for.
        socket: PathBuf,
        /// What is wrong, and what to do.
        why: String,
    },
    /// It listens and says nothing.
    #[error(
        "the daemon on {} has not answered for {seconds} s; it may be overloaded or stuck. \
         See its log: journalctl -u ampledgerd", socket.display()
    )]
    Hung {
        /// Where.
        socket: PathBuf,
        /// How long was waited.
        seconds: f64,
    },
    /// The answer broke off, or is no HTTP.
    #[error("the connection to the daemon on {} broke off: {why}", socket.display())]
    Lost {
        /// Where.
        socket: PathBuf,
        /// What the connection said.
        why: String,
    },
    /// The daemon is not the one this program was built with.
    #[error(
        "this is ampledger {own}, but the daemon is {daemon}. Install both from one build, \
         then restart the daemon: systemctl restart ampledgerd"
    )]
    OtherBuild {
        /// This program's build.
        own: String,
        /// The daemon's, as it says.
        daemon: String,
    },
    /// The daemon said no.
    #[error("{}", .0.message)]
    Refused(ErrorResponse),
    /// The answer is longer than is held in memory.
    #[error("the answer to {path} is longer than {limit} bytes")]
    TooLong {
        /// What was asked.
        path: String,
        /// The bound.
        limit: usize,
    },
    /// The answer makes no sense.
    #[error("the answer to {path} cannot be read: {why}")]
    Unreadable {
        /// What was asked.
        path: String,
        /// Why not.
        why: String,
    },
    /// What came could not be handed on.
    #[error("what the daemon sends cannot be written: {0}")]
    Take(io::Error),
}

impl ClientError {
    /// How the process ends for it.
    pub fn exit(&self) -> Exit {
        match self {
            ClientError::NoDaemon { .. } | ClientError::Hung { .. } | ClientError::Lost { .. } => {
                Exit::NoDaemon
            }
            ClientError::OtherBuild { .. } => Exit::OtherBuild,
            ClientError::Refused(_) => Exit::Refused,
            ClientError::TooLong { .. } | ClientError::Unreadable { .. } | ClientError::Take(_) => {
                Exit::Io
            }
        }
    }

    /// The word that programs can rely on.
    pub fn code(&self) -> &str {
        match self {
            ClientError::NoDaemon { .. } => "no_daemon",
            ClientError::Hung { .. } => "daemon_hung",
            ClientError::Lost { .. } => "connection_lost",
            ClientError::OtherBuild { .. } => "build_mismatch",
            ClientError::Refused(response) => &response.code,
            ClientError::TooLong { .. } => "answer_too_long",
            ClientError::Unreadable { .. } => "answer_unreadable",
            ClientError::Take(_) => "io",
        }
    }
}

/// The way to one daemon.
#[derive(Clone, Debug)]
pub struct Client {
    socket: PathBuf,
    limits: Limits,
}

/// Hands on a piece of an answer.
type Take<'a> = &'a mut dyn FnMut(&[u8]) -> Result<(), ClientError>;

impl Client {
    /// The daemon on `socket`. Nothing is connected yet.
    pub fn new(socket: PathBuf) -> Self {
        Client { socket, limits: Limits::default() }
    }

    /// The same daemon with other limits.
    pub fn with_limits(self, limits: Limits) -> Self {
        Client { limits, ..self }
    }

    /// Where the daemon is looked for.
    pub fn socket(&self) -> &Path {
        &self.socket
    }

    /// Reads something.
    pub fn get<T: DeserializeOwned>(&self, path: &str) -> Result<T, ClientError> {
        self.json(Method::GET, path, Vec::new())
    }

    /// Asks for something to be done.
    pub fn post<T: DeserializeOwned>(
        &self,
        path: &str,
        body: &impl Serialize,
    ) -> Result<T, ClientError> {
        self.json(Method::POST, path, encode(path, body)?)
    }

    /// Puts something in its place.
    pub fn put<T: DeserializeOwned>(
        &self,
        path: &str,
        body: &impl Serialize,
    ) -> Result<T, ClientError> {
        self.json(Method::PUT, path, encode(path, body)?)
    }

    /// Reads something of any length, piece by piece. Returns what the answer
    /// says about itself.
    pub fn download(&self, path: &str, to: &mut dyn io::Write) -> Result<HeaderMap, ClientError> {
        self.exchange(Method::GET, path, Vec::new(), &mut |piece| {
            to.write_all(piece).map_err(ClientError::Take)
        })
    }

    fn json<T: DeserializeOwned>(
        &self,
        method: Method,
        path: &str,
        body: Vec<u8>,
    ) -> Result<T, ClientError> {
        let mut answer = Vec::new();
        self.exchange(method, path, body, &mut |piece| self.collect(path, &mut answer, piece))?;
        serde_json::from_slice(&answer).map_err(|error| unreadable(path, error))
    }

    fn collect(&self, path: &str, all: &mut Vec<u8>, piece: &[u8]) -> Result<(), ClientError> {
        if all.len() + piece.len() > self.limits.body {
            return Err(ClientError::TooLong { path: path.to_owned(), limit: self.limits.body });
        }
        all.extend_from_slice(piece);
        Ok(())
    }

    fn exchange(
        &self,
        method: Method,
        path: &str,
        body: Vec<u8>,
        take: Take<'_>,
    ) -> Result<HeaderMap, ClientError> {
        let request = Request::builder()
            .method(method)
            .uri(path)
            .header(hyper::header::HOST, "ampledgerd")
            .header(hyper::header::CONTENT_TYPE, "application/json")
            .header(BUILD_HEADER, BUILD)
            .body(Full::new(Bytes::from(body)))
            .map_err(|error| unreadable(path, error))?;
        let runtime = tokio::runtime::Builder::new_current_thread()
            .enable_all()
            .build()
            .map_err(|error| self.lost(error))?;
        runtime.block_on(self.converse(path, request, take))
    }

    async fn converse(
        &self,
        path: &str,
        request: Request<Full<Bytes>>,
        take: Take<'_>,
    ) -> Result<HeaderMap, ClientError> {
        let stream = self
            .within(self.limits.connect, UnixStream::connect(&self.socket))
            .await?
            .map_err(|error| self.no_daemon(&error))?;
        let (mut sender, connection) =
            http1::handshake(TokioIo::new(stream)).await.map_err(|error| self.lost(error))?;
        // Ends with the runtime, which lives for this one request.
        tokio::spawn(connection);
        let mut response = self
            .within(self.limits.answer, sender.send_request(request))
            .await?
            .map_err(|error| self.lost(error))?;
        check_build(&response)?;
        if !response.status().is_success() {
            let mut text = Vec::new();
            self.pieces(&mut response, &mut |piece| self.collect(path, &mut text, piece)).await?;
            return Err(refusal(&response, &text));
        }
        self.pieces(&mut response, take).await?;
        Ok(std::mem::take(response.headers_mut()))
    }

    async fn pieces(
        &self,
        response: &mut Response<Incoming>,
        take: Take<'_>,
    ) -> Result<(), ClientError> {
        loop {
            let frame = self.within(self.limits.silence, response.body_mut().frame()).await?;
            let Some(frame) = frame else { return Ok(()) };
            let frame = frame.map_err(|error| self.lost(error))?;
            if let Some(piece) = frame.data_ref() {
                take(piece)?;
            }
        }
    }

    async fn within<T>(
        &self,
        limit: Duration,
        work: impl Future<Output = T>,
    ) -> Result<T, ClientError> {
        tokio::time::timeout(limit, work).await.map_err(|_| ClientError::Hung {
            socket: self.socket.clone(),
            seconds: limit.as_secs_f64(),
        })
    }

    fn lost(&self, error: impl std::error::Error) -> ClientError {
        let why = match error.source() {
            Some(source) => format!("{error}: {source}"),
            None => error.to_string(),
        };
        ClientError::Lost { socket: self.socket.clone(), why }
    }

    fn no_daemon(&self, error: &io::Error) -> ClientError {
        let why = match error.kind() {
            io::ErrorKind::NotFound => {
                "there is no such socket. Start it with `systemctl start ampledgerd`, or name \
                 its socket with --socket or AMPLEDGER_SOCKET"
                    .to_owned()
            }
            io::ErrorKind::ConnectionRefused => {
                "the socket is there, but nobody listens: the daemon has ended. \
                 Start it with `systemctl start ampledgerd`"
                    .to_owned()
            }
            io::ErrorKind::PermissionDenied => {
                "you may not open it. Join the group that owns it (ls -l shows which), \
                 then log in again"
                    .to_owned()
            }
            _ => error.to_string(),
        };
        ClientError::NoDaemon { socket: self.socket.clone(), why }
    }
}

/// Where to look for the daemon if nobody says: the service's socket, or one
/// in the person's own runtime folder where only that is there.
pub fn default_socket(runtime_folder: Option<&Path>) -> PathBuf {
    let service = PathBuf::from(SERVICE_SOCKET);
    let own = runtime_folder.map(|folder| folder.join("ampledger/ampledger.sock"));
    match own {
        Some(own) if !service.exists() && own.exists() => own,
        _ => service,
    }
}

/// A name as one piece of a path.
pub fn segment(name: &str) -> String {
    let plain = |byte: u8| byte.is_ascii_alphanumeric() || b"-._~".contains(&byte);
    name.bytes().fold(String::new(), |mut path, byte| {
        match plain(byte) {
            true => path.push(char::from(byte)),
            false => path.push_str(&format!("%{byte:02X}")),
        }
        path
    })
}

fn encode(path: &str, body: &impl Serialize) -> Result<Vec<u8>, ClientError> {
    serde_json::to_vec(body).map_err(|error| unreadable(path, error))
}

fn unreadable(path: &str, error: impl std::fmt::Display) -> ClientError {
    ClientError::Unreadable { path: path.to_owned(), why: error.to_string() }
}

fn check_build(response: &Response<Incoming>) -> Result<(), ClientError> {
    let said = response.headers().get(BUILD_HEADER).and_then(|value| value.to_str().ok());
    match said {
        Some(BUILD) => Ok(()),
        other => Err(ClientError::OtherBuild {
            own: BUILD.to_owned(),
            daemon: other.unwrap_or("something that does not say its build").to_owned(),
        }),
    }
}

fn refusal(response: &Response<Incoming>, text: &[u8]) -> ClientError {
    let response = serde_json::from_slice(text).unwrap_or_else(|_| ErrorResponse {
        code: "unknown".to_owned(),
        message: format!("the daemon answered {}", response.status()),
    });
    ClientError::Refused(response)
}

#[cfg(test)]
#[path = "client/tests.rs"]
mod tests;
