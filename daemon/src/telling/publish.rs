//! A message on an MQTT topic: a lamp or a siren in the barn.

use std::future::Future;
use std::pin::Pin;
use std::sync::Arc;

use super::channel::{Channel, Failure, Letter, Sending};
use super::template::{Escape, Template};

pub type Publishing<'a> = Pin<Box<dyn Future<Output = Result<(), String>> + Send + 'a>>;

/// Whoever can publish: the client of the outside broker, or the endpoint of our own.
pub trait Publish: Send + Sync {
    /// At least once, not retained. The error says why not, in words.
    fn publish<'a>(&'a self, topic: &'a str, payload: Vec<u8>) -> Publishing<'a>;
}

pub struct PublishChannel {
    way: Arc<dyn Publish>,
    topic: String,
    body: Template,
    escape: Escape,
}

// === impl PublishChannel ===

impl PublishChannel {
    /// A body that begins with a bracket is JSON, anything else one line of text.
    pub fn new(way: Arc<dyn Publish>, topic: &str, body: &str) -> Result<PublishChannel, String> {
        let is_json = body.trim_start().starts_with(['{', '[']) && !body.trim_start().starts_with("{{");
        let escape = if is_json { Escape::Json } else { Escape::Line };
        Ok(PublishChannel { way, topic: topic.to_owned(), body: Template::parse(body, &[])?, escape })
    }
}

impl Channel for PublishChannel {
    fn send<'a>(&'a self, letter: &'a Letter) -> Sending<'a> {
        Box::pin(async move {
            let payload = self.body.fill(letter, self.escape).into_bytes();
            self.way.publish(&self.topic, payload).await.map_err(Failure::Later)
        })
    }
}

#[cfg(test)]
mod tests {
    use std::sync::Mutex;

    use super::*;
    use crate::telling::fixture::letter;

    #[derive(Default)]
    struct Recording(Mutex<Vec<(String, String)>>);

    impl Publish for Recording {
        fn publish<'a>(&'a self, topic: &'a str, payload: Vec<u8>) -> Publishing<'a> {
            self.0.lock().unwrap().push((topic.to_owned(), String::from_utf8(payload).unwrap()));
            Box::pin(
                async move { if topic == "barn/none" { Err("not connected".to_owned()) } else { Ok(()) } },
            )
        }
    }

    #[tokio::test]
    async fn a_lamp_gets_its_topic_and_body() {
        let way = Arc::new(Recording::default());
        for (topic, body, is_sent) in [
            ("barn/lamp", r#"{"on":true,"why":"{{text}}"}"#, true),
            ("barn/siren", "{{level}}", true),
            ("barn/none", "on", false),
        ] {
            let channel = PublishChannel::new(Arc::clone(&way) as Arc<dyn Publish>, topic, body).unwrap();
            assert_eq!(channel.send(&letter("a \"hot\" pile")).await.is_ok(), is_sent);
        }
        let published = way.0.lock().unwrap();
        assert_eq!(published[0].1, r#"{"on":true,"why":"a \"hot\" pile"}"#);
        assert_eq!(published[1], ("barn/siren".to_owned(), "act".to_owned()));
    }
}
