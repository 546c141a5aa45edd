//! Servers for tests on a loopback port: each connection plays the next act of a script.

use std::net::SocketAddr;
use std::sync::{Arc, Mutex};

use tokio::io::{AsyncBufReadExt, AsyncReadExt, AsyncWriteExt, BufReader};
use tokio::net::{TcpListener, TcpStream};

/// What a server does with a connection.
#[derive(Clone, Debug)]
pub(crate) enum Act {
    /// Takes what comes.
    Take,
    /// Says nothing at all.
    Hang,
    /// Answers so: to a request, or in SMTP to the command that begins with the word.
    Answer(&'static str, &'static str),
    /// Takes the mail or request and closes without an answer: nobody knows whether it arrived.
    DropAfterTaking,
}

/// A running server with what it received: the raw mail or the raw request.
#[derive(Clone)]
pub(crate) struct Server {
    pub(crate) address: SocketAddr,
    received: Arc<Mutex<Vec<String>>>,
}

// === impl Server ===

impl Server {
    /// An SMTP server; after the last act it takes everything.
    pub(crate) async fn smtp(script: &[Act]) -> Server {
        Server::start(script, |stream, act, received| Box::pin(smtp(stream, act, received))).await
    }

    pub(crate) async fn http(script: &[Act]) -> Server {
        Server::start(script, |stream, act, received| Box::pin(http(stream, act, received))).await
    }

    pub(crate) fn received(&self) -> Vec<String> {
        self.received.lock().unwrap().clone()
    }

    async fn start(script: &[Act], play: Play) -> Server {
        let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
        let address = listener.local_addr().unwrap();
        let received = Arc::new(Mutex::new(Vec::new()));
        let log = Arc::clone(&received);
        let mut script: std::collections::VecDeque<Act> = script.iter().cloned().collect();
        tokio::spawn(async move {
            while let Ok((stream, _)) = listener.accept().await {
                tokio::spawn(play(stream, script.pop_front().unwrap_or(Act::Take), Arc::clone(&log)));
            }
        });
        Server { address, received }
    }
}

type Log = Arc<Mutex<Vec<String>>>;
type Play = fn(TcpStream, Act, Log) -> std::pin::Pin<Box<dyn Future<Output = ()> + Send>>;

async fn smtp(stream: TcpStream, act: Act, log: Log) {
    let mut stream = BufReader::new(stream);
    if matches!(act, Act::Hang) {
        std::future::pending::<()>().await;
    }
    let answer = |word: &str, otherwise: &'static str| match act {
        Act::Answer(command, answer) if command.eq_ignore_ascii_case(word) => answer,
        _ => otherwise,
    };
    stream.write_all(format!("{}\r\n", answer("greeting", "220 test")).as_bytes()).await.unwrap();
    let mut line = String::new();
    while stream.read_line(&mut line).await.unwrap_or(0) > 0 {
        let word = line.split([' ', ':', '\r']).next().unwrap_or_default().to_owned();
        let reply = match word.to_ascii_uppercase().as_str() {
            "EHLO" => "250-test\r\n250 AUTH PLAIN",
            "AUTH" => answer("auth", "235 welcome"),
            "DATA" => answer("data", "354 go on"),
            "QUIT" => "221 bye",
            _ => answer(&word, "250 ok"),
        };
        stream.write_all(format!("{reply}\r\n").as_bytes()).await.unwrap();
        if reply.starts_with("354") {
            let mut mail = String::new();
            while !mail.ends_with("\r\n.\r\n") && stream.read_line(&mut mail).await.unwrap_or(0) > 0 {}
            log.lock().unwrap().push(mail);
            if matches!(act, Act::DropAfterTaking) {
                return;
            }
            stream.write_all(format!("{}\r\n", answer("mail", "250 taken")).as_bytes()).await.unwrap();
        }
        line.clear();
    }
}

async fn http(stream: TcpStream, act: Act, log: Log) {
    let mut stream = BufReader::new(stream);
    let mut request = String::new();
    let mut length = 0;
    loop {
        let mut line = String::new();
        if stream.read_line(&mut line).await.unwrap_or(0) == 0 {
            return;
        }
        if let Some(value) = line.to_ascii_lowercase().strip_prefix("content-length:") {
            length = value.trim().parse().unwrap();
        }
        request.push_str(&line);
        if line == "\r\n" {
            break;
        }
    }
    let mut body = vec![0; length];
    stream.read_exact(&mut body).await.unwrap();
    request.push_str(&String::from_utf8(body).unwrap());
    log.lock().unwrap().push(request);
    let (status, body) = match act {
        Act::Hang => return std::future::pending().await,
        Act::DropAfterTaking => return,
        Act::Answer(status, body) => (status, body),
        Act::Take => ("201 Created", "{}"),
    };
    let answer =
        format!("HTTP/1.1 {status}\r\ncontent-length: {}\r\nconnection: close\r\n\r\n{body}", body.len());
    stream.write_all(answer.as_bytes()).await.unwrap();
}
