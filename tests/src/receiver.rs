//! Receives HTTP requests as a provider of text messages does.

use std::io::{BufRead, BufReader, Read, Write};
use std::net::{TcpListener, TcpStream};
use std::sync::{Arc, Mutex};

/// Answers every request with 200 and keeps it.
pub struct Receiver {
    pub port: u16,
    requests: Arc<Mutex<Vec<Request>>>,
}

/// A request as it arrived.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Request {
    /// `POST /v1/messages`.
    pub line: String,
    /// In order, names in small letters.
    pub headers: Vec<(String, String)>,
    pub body: String,
}

// === impl Receiver ===

impl Receiver {
    pub fn start() -> Receiver {
        let listener = TcpListener::bind("127.0.0.1:0").unwrap();
        let port = listener.local_addr().unwrap().port();
        let requests = Arc::new(Mutex::new(Vec::new()));
        let kept = Arc::clone(&requests);
        std::thread::spawn(move || {
            for stream in listener.incoming().flatten() {
                if let Some(request) = receive(&stream) {
                    kept.lock().unwrap().push(request);
                }
            }
        });
        Receiver { port, requests }
    }

    /// All requests so far.
    pub fn requests(&self) -> Vec<Request> {
        self.requests.lock().unwrap().clone()
    }
}

fn receive(stream: &TcpStream) -> Option<Request> {
    let mut reader = BufReader::new(stream);
    let mut line = String::new();
    reader.read_line(&mut line).ok()?;
    let mut headers: Vec<(String, String)> = Vec::new();
    loop {
        let mut header = String::new();
        reader.read_line(&mut header).ok()?;
        let Some((name, value)) = header.trim_end().split_once(':') else { break };
        headers.push((name.to_lowercase(), value.trim().to_owned()));
    }
    let length = headers.iter().find(|(name, _)| name == "content-length").map(|(_, value)| value.parse());
    let mut body = vec![0; length.and_then(Result::ok).unwrap_or(0)];
    reader.read_exact(&mut body).ok()?;
    let mut out = stream;
    out.write_all(b"HTTP/1.1 200 OK\r\nContent-Length: 2\r\nConnection: close\r\n\r\nok").ok()?;
    let line = line.rsplit_once(" HTTP/").map(|(line, _)| line.to_owned())?;
    Some(Request { line, headers, body: String::from_utf8_lossy(&body).into_owned() })
}
