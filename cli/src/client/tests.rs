//! The client against a daemon that speaks from a script.

use std::io::{Read as _, Write as _};
use std::os::unix::net::UnixListener;
use std::sync::mpsc;
use std::thread;

use serde_json::Value;

use super::*;

/// Answers one connection with `answer`, then waits until the test is over.
/// Gives the request as it came.
struct Scripted {
    client: Client,
    request: mpsc::Receiver<String>,
    _hold: mpsc::Sender<()>,
    _folder: tempfile::TempDir,
}

fn scripted(answer: String) -> Scripted {
    let folder = tempfile::tempdir().unwrap();
    let socket = folder.path().join("d.sock");
    let listener = UnixListener::bind(&socket).unwrap();
    let (tell, request) = mpsc::channel();
    let (hold, over) = mpsc::channel::<()>();
    thread::spawn(move || {
        let (mut stream, _) = listener.accept().unwrap();
        let mut head = Vec::new();
        let mut byte = [0];
        while !head.ends_with(b"\r\n\r\n") && stream.read(&mut byte).unwrap_or(0) == 1 {
            head.push(byte[0]);
        }
        let _ = tell.send(String::from_utf8_lossy(&head).into_owned());
        let _ = stream.write_all(answer.as_bytes());
        if !answer.is_empty() && !answer.contains("chunked") {
            return;
        }
        let _ = over.recv();
    });
    let short = Limits {
        connect: Duration::from_secs(5),
        answer: Duration::from_millis(200),
        silence: Duration::from_millis(200),
        body: 1000,
    };
    let client = Client::new(socket).with_limits(short);
    Scripted { client, request, _hold: hold, _folder: folder }
}

fn answer(status: &str, build: &str, body: &str) -> String {
    format!(
        "HTTP/1.1 {status}\r\n{BUILD_HEADER}: {build}\r\ncontent-length: {}\r\n\r\n{body}",
        body.len()
    )
}

#[test]
fn an_answer_of_the_same_build_is_read() {
    let daemon = scripted(answer("200 OK", BUILD, r#"{"a":1}"#));
    let value: Value = daemon.client.get("/v1/status").unwrap();
    assert_eq!(value["a"], 1);
    let request = daemon.request.recv().unwrap();
    assert!(request.starts_with("GET /v1/status HTTP/1.1"), "{request}");
    assert!(request.contains(&format!("{BUILD_HEADER}: {BUILD}\r\n")), "{request}");
}

#[test]
fn a_daemon_of_another_build_is_refused_by_name() {
    for status in ["200 OK", "409 Conflict"] {
        let daemon = scripted(answer(status, "0.0.9+abc", "{}"));
        let error = daemon.client.get::<Value>("/v1/status").unwrap_err();
        assert_eq!(error.exit(), Exit::OtherBuild);
        let text = error.to_string();
        assert!(text.contains("0.0.9+abc") && text.contains(BUILD), "{text}");
    }
}

#[test]
fn something_that_says_no_build_is_refused() {
    let daemon = scripted("HTTP/1.1 200 OK\r\ncontent-length: 2\r\n\r\n{}".to_owned());
    let error = daemon.client.get::<Value>("/v1/status").unwrap_err();
    assert_eq!(error.exit(), Exit::OtherBuild);
}

#[test]
fn a_refusal_keeps_the_daemons_words() {
    let body = r#"{"code":"no_such_session","message":"There is no session 9."}"#;
    let daemon = scripted(answer("404 Not Found", BUILD, body));
    let error = daemon.client.get::<Value>("/v1/sessions/9").unwrap_err();
    assert_eq!((error.exit(), error.code()), (Exit::Refused, "no_such_session"));
    assert_eq!(error.to_string(), "There is no session 9.");
}

#[test]
fn no_socket_and_a_socket_left_over_say_what_to_do() {
    let folder = tempfile::tempdir().unwrap();
    let socket = folder.path().join("d.sock");
    let client = Client::new(socket.clone());
    let missing = client.get::<Value>("/v1/status").unwrap_err();
    drop(UnixListener::bind(&socket).unwrap());
    let left = client.get::<Value>("/v1/status").unwrap_err();
    for error in [&missing, &left] {
        assert_eq!(error.exit(), Exit::NoDaemon);
        assert!(error.to_string().contains("systemctl start ampledgerd"), "{error}");
    }
    assert_ne!(missing.to_string(), left.to_string());
}

#[test]
fn a_daemon_that_hangs_before_or_in_its_answer_is_left() {
    let silent = scripted(String::new());
    let error = silent.client.get::<Value>("/v1/status").unwrap_err();
    assert!(matches!(error, ClientError::Hung { .. }), "{error}");

    let head =
        format!("HTTP/1.1 200 OK\r\n{BUILD_HEADER}: {BUILD}\r\ntransfer-encoding: chunked\r\n\r\n");
    let halting = scripted(format!("{head}2\r\n[1\r\n"));
    let error = halting.client.get::<Value>("/v1/status").unwrap_err();
    assert!(matches!(error, ClientError::Hung { .. }), "{error}");
    assert_eq!(error.exit(), Exit::NoDaemon);
}

#[test]
fn an_answer_in_memory_is_bounded_and_a_download_is_not() {
    let long = format!("\"{}\"", "x".repeat(5000));
    let daemon = scripted(answer("200 OK", BUILD, &long));
    let error = daemon.client.get::<Value>("/v1/status").unwrap_err();
    assert!(matches!(error, ClientError::TooLong { limit: 1000, .. }), "{error}");

    let daemon = scripted(answer("200 OK", BUILD, &long));
    let mut file = Vec::new();
    daemon.client.download("/v1/sessions/1/export", &mut file).unwrap();
    assert_eq!(file, long.as_bytes());
}

#[test]
fn an_answer_that_breaks_off_is_no_answer() {
    let mut cut = answer("200 OK", BUILD, "[1,2,3]");
    cut.truncate(cut.len() - 3);
    let daemon = scripted(cut);
    let mut file = Vec::new();
    let error = daemon.client.download("/v1/sessions/1/export", &mut file).unwrap_err();
    assert!(matches!(error, ClientError::Lost { .. }), "{error}");
}

#[test]
fn names_travel_as_one_piece_of_the_path() {
    assert_eq!(segment("GAL-07"), "GAL-07");
    assert_eq!(segment("a/b c?%ä"), "a%2Fb%20c%3F%25%C3%A4");
}
