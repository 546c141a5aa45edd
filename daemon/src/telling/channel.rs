//! What every channel is: a letter goes in, and it says whether it went out.

use std::future::Future;
use std::pin::Pin;

use heapward_rules::units::At;

/// One message on its way to one address.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Letter {
    /// Stable id: Message-ID of a mail, idempotency header of a request.
    pub id: String,
    /// Name of the contact.
    pub to: String,
    /// Mail address or telephone number.
    pub address: String,
    /// `note`, `act`, `urgent` or `danger`.
    pub level: String,
    pub subject: String,
    /// The text, or the plain body of a mail.
    pub text: String,
    pub html: Option<String>,
    /// Content id and PNG bytes in base64.
    pub images: Vec<(String, String)>,
    pub sent_at: At,
}

/// Why a letter did not go out, in words without any secret.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum Failure {
    /// May go out later; after a time-out it may even have arrived.
    #[error("{0}")]
    Later(String),
    /// Will never go out so: the address doesn't exist, the request is refused as wrong.
    #[error("{0}")]
    Never(String),
}

pub type Sending<'a> = Pin<Box<dyn Future<Output = Result<(), Failure>> + Send + 'a>>;

/// A way to people. Implementations bound their own time.
pub trait Channel: Send + Sync {
    fn send<'a>(&'a self, letter: &'a Letter) -> Sending<'a>;
}
