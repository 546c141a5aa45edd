//! Pages and API of a daemon, as a script asks for them.

use std::time::Duration;

use serde_json::Value;

/// A daemon's address and a pass for writing.
#[derive(Clone, Debug)]
pub struct Site {
    pub port: u16,
    pub pass: Option<String>,
}

/// Status and body of an answer.
#[derive(Clone, Debug)]
pub struct Answer {
    pub status: u16,
    pub text: String,
}

// === impl Site ===

impl Site {
    /// An answer, or none while nobody listens.
    pub fn try_get(&self, path: &str) -> Option<Answer> {
        self.ask(reqwest::Method::GET, path, None).ok()
    }

    /// The text of an answer that must be good.
    #[track_caller]
    pub fn text(&self, path: &str) -> String {
        let answer = self.ask(reqwest::Method::GET, path, None).unwrap();
        assert_eq!(answer.status, 200, "GET {path}: {}", answer.text);
        answer.text
    }

    #[track_caller]
    pub fn get(&self, path: &str) -> Value {
        let text = self.text(path);
        serde_json::from_str(&text).unwrap_or_else(|error| panic!("GET {path}: {error}: {text}"))
    }

    /// The answer, whatever it is.
    #[track_caller]
    pub fn try_post(&self, path: &str, body: &Value) -> Answer {
        self.ask(reqwest::Method::POST, path, Some(body)).unwrap()
    }

    #[track_caller]
    pub fn post(&self, path: &str, body: &Value) -> Value {
        let answer = self.try_post(path, body);
        assert!((200..300).contains(&answer.status), "POST {path}: {} {}", answer.status, answer.text);
        serde_json::from_str(&answer.text).unwrap()
    }

    fn ask(&self, method: reqwest::Method, path: &str, body: Option<&Value>) -> reqwest::Result<Answer> {
        let _ = rustls::crypto::ring::default_provider().install_default();
        let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap();
        runtime.block_on(async {
            let client = reqwest::Client::builder().timeout(Duration::from_mins(1)).no_proxy().build()?;
            let mut request = client.request(method, format!("http://127.0.0.1:{}{path}", self.port));
            if let Some(pass) = &self.pass {
                request = request.bearer_auth(pass);
            }
            if let Some(body) = body {
                request = request.json(body);
            }
            let response = request.send().await?;
            Ok(Answer { status: response.status().as_u16(), text: response.text().await? })
        })
    }
}
