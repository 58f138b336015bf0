//! A small HTTP client over a Unix socket: one request a connection. Written
//! here, so that a fault in the client's own library cannot hide one.

use std::io::{self, BufRead, BufReader, Read, Write};
use std::os::unix::net::UnixStream;
use std::path::PathBuf;

use serde::de::DeserializeOwned;
use serde_json::Value;

use ampledger_types::api::{BUILD_HEADER, ErrorResponse};

use super::wait::PATIENCE;

/// Where the API is.
#[derive(Clone)]
pub struct Api {
    socket: PathBuf,
    build: Option<String>,
}

/// What came back.
#[derive(Debug)]
pub struct Answer {
    /// The HTTP status code.
    pub status: u16,
    /// The header lines, names in lower case.
    pub headers: Vec<(String, String)>,
    /// The body.
    pub body: Vec<u8>,
}

impl Api {
    /// The API at this socket.
    pub fn at(socket: PathBuf) -> Api {
        Api { socket, build: None }
    }

    /// The same, saying it is of this build.
    pub fn of_build(&self, build: &str) -> Api {
        Api { socket: self.socket.clone(), build: Some(build.to_owned()) }
    }

    /// `GET`
    #[track_caller]
    pub fn get(&self, path: &str) -> Answer {
        self.request("GET", path, b"").unwrap_or_else(|e| panic!("GET {path}: {e}"))
    }

    /// `GET`, or `None` while nobody answers.
    pub fn try_get(&self, path: &str) -> Option<Answer> {
        self.request("GET", path, b"").ok()
    }

    /// `POST` with a JSON body.
    #[track_caller]
    pub fn post(&self, path: &str, body: &Value) -> Answer {
        let bytes = body.to_string().into_bytes();
        self.request("POST", path, &bytes).unwrap_or_else(|e| panic!("POST {path}: {e}"))
    }

    /// Any request with any body.
    pub fn request(&self, method: &str, path: &str, body: &[u8]) -> io::Result<Answer> {
        let mut stream = self.open(method, path, body)?;
        read_answer(&mut stream)
    }

    /// Sends a request and hands over the connection, for an answer that
    /// never ends.
    pub fn open(&self, method: &str, path: &str, body: &[u8]) -> io::Result<BufReader<UnixStream>> {
        let mut stream = UnixStream::connect(&self.socket)?;
        stream.set_read_timeout(Some(PATIENCE))?;
        stream.set_write_timeout(Some(PATIENCE))?;
        let mut head = format!("{method} {path} HTTP/1.1\r\nhost: ampledger\r\n");
        head.push_str("connection: close\r\ncontent-type: application/json\r\n");
        if let Some(build) = &self.build {
            head.push_str(&format!("{BUILD_HEADER}: {build}\r\n"));
        }
        head.push_str(&format!("content-length: {}\r\n\r\n", body.len()));
        // In one piece: who answers without reading the body may be gone by then.
        stream.write_all(&[head.as_bytes(), body].concat())?;
        Ok(BufReader::new(stream))
    }
}

impl Answer {
    /// The same, if it is a success; otherwise the test ends here.
    #[track_caller]
    pub fn good(self) -> Answer {
        assert!((200..300).contains(&self.status), "{}: {}", self.status, self.text());
        self
    }

    /// The body as a type.
    #[track_caller]
    pub fn read<T: DeserializeOwned>(&self) -> T {
        serde_json::from_slice(&self.body).unwrap_or_else(|e| panic!("{e} in {}", self.text()))
    }

    /// The body of a refusal.
    #[track_caller]
    pub fn refusal(&self) -> ErrorResponse {
        assert!(self.status >= 400, "no refusal: {}: {}", self.status, self.text());
        self.read()
    }

    /// A header line.
    pub fn header(&self, name: &str) -> Option<&str> {
        self.headers.iter().find(|(n, _)| n == name).map(|(_, value)| value.as_str())
    }

    fn text(&self) -> String {
        String::from_utf8_lossy(&self.body).into_owned()
    }
}

fn read_answer(stream: &mut BufReader<UnixStream>) -> io::Result<Answer> {
    let (status, headers) = read_head(stream)?;
    let mut answer = Answer { status, headers, body: Vec::new() };
    let length = answer.header("content-length").and_then(|text| text.parse().ok());
    if answer.header("transfer-encoding") == Some("chunked") {
        read_chunks(stream, &mut answer.body)?;
    } else if let Some(length) = length {
        stream.take(length).read_to_end(&mut answer.body)?;
    } else {
        stream.read_to_end(&mut answer.body)?;
    }
    Ok(answer)
}

/// Status line and headers.
pub fn read_head(stream: &mut impl BufRead) -> io::Result<(u16, Vec<(String, String)>)> {
    let mut line = String::new();
    stream.read_line(&mut line)?;
    let status = line.split(' ').nth(1).and_then(|code| code.parse().ok());
    let status = status.ok_or_else(|| io::Error::other(format!("no status line: {line:?}")))?;
    let mut headers = Vec::new();
    loop {
        line.clear();
        stream.read_line(&mut line)?;
        let Some((name, value)) = line.trim_end().split_once(':') else { break };
        headers.push((name.to_lowercase(), value.trim().to_owned()));
    }
    Ok((status, headers))
}

fn read_chunks(stream: &mut impl BufRead, body: &mut Vec<u8>) -> io::Result<()> {
    loop {
        let mut line = String::new();
        stream.read_line(&mut line)?;
        let length = u64::from_str_radix(line.trim(), 16)
            .map_err(|_| io::Error::other(format!("no chunk length: {line:?}")))?;
        stream.by_ref().take(length).read_to_end(body)?;
        stream.read_line(&mut line)?;
        if length == 0 {
            return Ok(());
        }
    }
}
