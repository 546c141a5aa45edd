//! Texts by an HTTP request with a template: any text-message provider.
//!
//! The message's id goes along as `Idempotency-Key`, so that a provider that knows it drops a repeat. Redirects are
//! not followed: a token must not go to another host. Reasons of a failure bear no URL and no secret.

use std::path::Path;
use std::time::Duration;

use reqwest::header::{CONTENT_TYPE, HeaderName, HeaderValue};
use reqwest::{Client, ClientBuilder, Method, StatusCode};

use super::channel::{Channel, Failure, Letter, Sending};
use super::gsm;
use super::roots;
use super::template::{Escape, Template};
use crate::config::{RequestConfig, Secret};
use crate::limits;

pub struct RequestChannel {
    client: Client,
    method: Method,
    url: Template,
    headers: Vec<(HeaderName, Template)>,
    body: Template,
    content_type: String,
    secrets: Vec<Secret>,
    /// Time for one sending from beginning to end.
    patience: Duration,
}

// === impl RequestChannel ===

impl RequestChannel {
    /// Everything that can be wrong in the configuration is said here, not at the first fire.
    pub fn new(config: &RequestConfig) -> Result<RequestChannel, String> {
        let method = Method::from_bytes(config.method.as_bytes())
            .map_err(|_| format!("`{}` is no HTTP method; write POST, PUT or GET", config.method))?;
        let template = |text: &str| Template::parse(text, &config.secrets);
        let mut headers = Vec::new();
        for (name, value) in &config.headers {
            let header = HeaderName::from_bytes(name.as_bytes())
                .map_err(|_| format!("`{}` is no header name", gsm::one_line(name)))?;
            headers.push((header, template(value)?));
        }
        Ok(RequestChannel {
            client: client(&config.url, config.ca_file.as_deref())?,
            method,
            url: template(&config.url)?,
            headers,
            body: template(&config.body)?,
            content_type: config.content_type.clone(),
            secrets: config.secrets.iter().map(|(_, secret)| secret.clone()).collect(),
            patience: limits::SEND_TIMEOUT,
        })
    }

    #[must_use]
    pub fn with_patience(self, patience: Duration) -> RequestChannel {
        RequestChannel { patience, ..self }
    }

    async fn request(&self, letter: &Letter) -> Result<(), Failure> {
        let url = self.url.fill(letter, Escape::Percent);
        let mut request = self.client.request(self.method.clone(), url).timeout(self.patience);
        request = request.header("idempotency-key", &letter.id);
        if self.method != Method::GET {
            let body = self.body.fill(letter, Escape::of_content_type(&self.content_type));
            request = request.header(CONTENT_TYPE, &self.content_type).body(body);
        }
        for (name, value) in &self.headers {
            let value = HeaderValue::from_str(&value.fill(letter, Escape::Line))
                .map_err(|_| Failure::Never(format!("header `{name}` can't be sent with this value")))?;
            request = request.header(name, value);
        }
        let response = request.send().await.map_err(|error| Failure::Later(reason(error)))?;
        let status = response.status();
        if status.is_success() {
            return Ok(());
        }
        Err(refusal(status, &self.excerpt(response).await))
    }

    /// The beginning of the answer, with every secret that it repeats made unreadable.
    async fn excerpt(&self, mut response: reqwest::Response) -> String {
        let mut bytes = Vec::new();
        while bytes.len() < limits::ANSWER_EXCERPT_BYTES
            && let Ok(Some(chunk)) = response.chunk().await
        {
            bytes.extend_from_slice(&chunk);
        }
        let mut text = gsm::one_line(&String::from_utf8_lossy(&bytes));
        for secret in self.secrets.iter().map(|secret| secret.reveal().trim()).filter(|s| !s.is_empty()) {
            text = text.replace(secret, "***");
        }
        gsm::clip(&text, limits::ANSWER_EXCERPT_CHARS)
    }
}

impl Channel for RequestChannel {
    fn send<'a>(&'a self, letter: &'a Letter) -> Sending<'a> {
        Box::pin(self.request(letter))
    }
}

/// A client for an address, on the one TLS stack of the house; `ca_file` replaces the system's authorities.
pub(super) fn client(url: &str, ca_file: Option<&Path>) -> Result<Client, String> {
    super::install_tls();
    let mut builder = Client::builder()
        .connect_timeout(limits::CONNECT_TIMEOUT)
        .timeout(limits::SEND_TIMEOUT)
        .redirect(reqwest::redirect::Policy::none())
        .user_agent(concat!("heapward/", env!("CARGO_PKG_VERSION")));
    if !url.starts_with("http:") || ca_file.is_some() {
        builder = trusting(builder, ca_file)?;
    }
    builder.build().map_err(|error| format!("no HTTP client: {}", reason(error)))
}

/// With the authorities that it trusts; without them it trusts nobody.
pub fn trusting(mut builder: ClientBuilder, ca_file: Option<&Path>) -> Result<ClientBuilder, String> {
    for authority in roots::authorities(ca_file)? {
        let authority = reqwest::Certificate::from_der(&authority).map_err(|error| error.to_string())?;
        builder = builder.add_root_certificate(authority);
    }
    Ok(builder)
}

/// The innermost cause, in words, without the URL.
pub(super) fn reason(error: reqwest::Error) -> String {
    if error.is_timeout() {
        return "no answer in time; it may have arrived all the same".to_owned();
    }
    let error = error.without_url();
    let mut cause: &dyn std::error::Error = &error;
    while let Some(deeper) = cause.source() {
        cause = deeper;
    }
    gsm::one_line(&cause.to_string())
}

/// What can be put right by a person or by waiting is tried again; a request that is wrong in itself is not.
fn refusal(status: StatusCode, excerpt: &str) -> Failure {
    let reason = format!("answered {} {excerpt}", status.as_u16());
    let is_wrong_in_itself = status.is_client_error()
        && !matches!(status.as_u16(), 401 | 402 | 403 | 404 | 407 | 408 | 409 | 421 | 423 | 425 | 429);
    if is_wrong_in_itself { Failure::Never(reason) } else { Failure::Later(reason) }
}

#[cfg(test)]
mod tests;
