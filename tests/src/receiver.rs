//! Receives HTTP requests as a provider of text messages does.

use std::io::{BufRead, BufReader, Read, Write};
use std::net::{TcpListener, TcpStream};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex};

/// Answers every request with 200 and keeps it.
pub struct Receiver {
    pub port: u16,
    requests: Arc<Mutex<Vec<Request>>>,
    is_mute: Arc<AtomicBool>,
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
        let is_mute = Arc::new(AtomicBool::new(false));
        let mute = Arc::clone(&is_mute);
        std::thread::spawn(move || {
            let mut unanswered = Vec::new();
            for stream in listener.incoming().flatten() {
                let Some(request) = receive(&stream) else { continue };
                kept.lock().unwrap().push(request);
                if mute.load(Ordering::SeqCst) {
                    unanswered.push(stream);
                } else {
                    // Who has gone meanwhile needs no answer.
                    let _ = answer(&stream);
                }
            }
        });
        Receiver { port, requests, is_mute }
    }

    /// From now on takes every request, keeps it, and answers none.
    pub fn fall_mute(&self) {
        self.is_mute.store(true, Ordering::SeqCst);
    }

    /// Answers again.
    pub fn speak_again(&self) {
        self.is_mute.store(false, Ordering::SeqCst);
    }

    /// Requests so far whose body or line holds a text.
    pub fn with(&self, text: &str) -> Vec<Request> {
        let holds = |request: &Request| request.body.contains(text) || request.line.contains(text);
        self.requests().into_iter().filter(holds).collect()
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
    let line = line.rsplit_once(" HTTP/").map(|(line, _)| line.to_owned())?;
    Some(Request { line, headers, body: String::from_utf8_lossy(&body).into_owned() })
}

fn answer(mut stream: &TcpStream) -> std::io::Result<()> {
    stream.write_all(b"HTTP/1.1 200 OK\r\nContent-Length: 2\r\nConnection: close\r\n\r\nok")
}

// === impl Request ===

impl Request {
    /// The value of a header; its name in small letters.
    pub fn header(&self, name: &str) -> Option<&str> {
        self.headers.iter().find(|(known, _)| known == name).map(|(_, value)| value.as_str())
    }
}
