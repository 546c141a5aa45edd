//! Mail by SMTP; a carrier's mail-to-text address is one with `as_text`.
//!
//! Every send has a connection of its own and a time limit around all of it: the library's own limit covers the
//! connecting only, and a connection that was given up in the middle must not serve the next mail.

use std::time::{Duration, UNIX_EPOCH};

use base64::Engine as _;
use base64::engine::general_purpose::STANDARD;
use lettre::message::header::{ContentType, HeaderName, HeaderValue};
use lettre::message::{Attachment, Mailbox, MultiPart, SinglePart};
use lettre::transport::smtp::authentication::Credentials;
use lettre::transport::smtp::client::{Certificate, CertificateStore, Tls, TlsParameters};
use lettre::{Address, AsyncSmtpTransport, AsyncTransport, Message, Tokio1Executor};

use super::channel::{Channel, Failure, Letter, Sending};
use super::gsm;
use super::roots;
use crate::config::{MailConfig, MailSecurity};
use crate::limits;

pub struct MailChannel {
    config: MailConfig,
    from: Mailbox,
    tls: Tls,
    /// Time for one sending from beginning to end.
    patience: Duration,
}

// === impl MailChannel ===

impl MailChannel {
    pub fn new(config: &MailConfig) -> Result<MailChannel, String> {
        super::install_tls();
        let from = config
            .from
            .parse::<Mailbox>()
            .map_err(|_| format!("`{}` is no mail address", gsm::one_line(&config.from)))?;
        let tls = match config.security {
            MailSecurity::Plain => Tls::None,
            MailSecurity::StartTls => Tls::Required(tls_parameters(config)?),
            MailSecurity::ImplicitTls => Tls::Wrapper(tls_parameters(config)?),
        };
        Ok(MailChannel { config: config.clone(), from, tls, patience: limits::SEND_TIMEOUT })
    }

    #[must_use]
    pub fn with_patience(self, patience: Duration) -> MailChannel {
        MailChannel { patience, ..self }
    }

    async fn mail(&self, letter: &Letter) -> Result<(), Failure> {
        let message = self.message(letter)?;
        let sending = self.transport();
        match tokio::time::timeout(self.patience, sending.send(message)).await {
            Ok(Ok(_)) => Ok(()),
            Ok(Err(error)) => Err(failure(&error)),
            Err(_) => Err(Failure::Later("no answer in time; it may have arrived all the same".to_owned())),
        }
    }

    fn transport(&self) -> AsyncSmtpTransport<Tokio1Executor> {
        let mut builder = AsyncSmtpTransport::<Tokio1Executor>::builder_dangerous(&self.config.host)
            .port(self.config.port)
            .tls(self.tls.clone())
            .timeout(Some(limits::CONNECT_TIMEOUT));
        if let (Some(user), Some(password)) = (&self.config.user, &self.config.password) {
            builder =
                builder.credentials(Credentials::new(user.clone(), password.reveal().trim().to_owned()));
        }
        builder.build()
    }

    fn message(&self, letter: &Letter) -> Result<Message, Failure> {
        let wrong = |what: String| Failure::Never(what);
        let address: Address = letter
            .address
            .parse()
            .map_err(|_| wrong(format!("`{}` is no mail address", gsm::one_line(&letter.address))))?;
        let to = Mailbox::new(Some(gsm::one_line(&letter.to)), address);
        let sent = Duration::from_millis(u64::try_from(letter.sent_at.0).unwrap_or(0));
        let mut builder = Message::builder()
            .from(self.from.clone())
            .to(to)
            .date(UNIX_EPOCH + sent)
            .message_id(Some(format!("<{}@{}>", letter.id, self.from.email.domain())))
            // RFC 3834: no holiday answers to a machine.
            .raw_header(HeaderValue::new(
                HeaderName::new_from_ascii_str("Auto-Submitted"),
                "auto-generated".to_owned(),
            ));
        if !self.config.as_text {
            builder = builder.subject(gsm::one_line(&letter.subject));
        }
        let plain = SinglePart::plain(letter.text.clone());
        let message = match letter.html.as_ref().filter(|_| !self.config.as_text) {
            None => builder.singlepart(plain),
            Some(html) => {
                let mut related = MultiPart::related().singlepart(SinglePart::html(html.clone()));
                for (id, png) in &letter.images {
                    related = related.singlepart(image(id, png)?);
                }
                builder.multipart(MultiPart::alternative().singlepart(plain).multipart(related))
            }
        };
        message.map_err(|error| wrong(format!("mail can't be written: {error}")))
    }
}

impl Channel for MailChannel {
    fn send<'a>(&'a self, letter: &'a Letter) -> Sending<'a> {
        Box::pin(self.mail(letter))
    }
}

fn image(id: &str, png: &str) -> Result<SinglePart, Failure> {
    let bytes =
        STANDARD.decode(png).map_err(|_| Failure::Never("an image of the mail is damaged".to_owned()))?;
    let kind = ContentType::parse("image/png").map_err(|error| Failure::Never(error.to_string()))?;
    Ok(Attachment::new_inline(id.to_owned()).body(bytes, kind))
}

fn tls_parameters(config: &MailConfig) -> Result<TlsParameters, String> {
    let mut builder = TlsParameters::builder(config.host.clone()).certificate_store(CertificateStore::None);
    for authority in roots::authorities(config.ca_file.as_deref())? {
        let authority = Certificate::from_der(authority.to_vec()).map_err(|error| error.to_string())?;
        builder = builder.add_root_certificate(authority);
    }
    builder.build_rustls().map_err(|error| format!("no TLS for {}: {error}", gsm::one_line(&config.host)))
}

/// Replies about the mailbox or the mail itself are final (RFC 5321 section 4.2.3); a wrong password, a server that
/// doesn't want us today, and errors of connection or certificate may be put right.
fn failure(error: &lettre::transport::smtp::Error) -> Failure {
    let code = error.status().map(u16::from);
    let cause = std::error::Error::source(error).map(|source| format!(": {source}")).unwrap_or_default();
    let text = error.to_string();
    let reason = if text.contains(cause.trim_start_matches(": ")) { text } else { format!("{text}{cause}") };
    let reason = gsm::clip(&gsm::one_line(&reason), limits::ANSWER_EXCERPT_CHARS);
    match code {
        Some(501 | 550..=553 | 555 | 556) => Failure::Never(reason),
        _ => Failure::Later(reason),
    }
}

#[cfg(test)]
mod tests;
