//! The body of a request, read strictly: JSON of a known shape, unknown keys refused.

use axum::body::Bytes;
use axum::extract::{FromRequest, Request};
use axum::http::StatusCode;
use axum::http::header::CONTENT_TYPE;
use axum::response::{IntoResponse, Response};
use serde::de::{DeserializeOwned, Error};
use serde::{Deserialize, Deserializer, Serialize};
use serde_json::Value;

use crate::http::problem::{Problem, shown};

/// A JSON body.
pub(in crate::http) struct Body<T>(pub(in crate::http) T);

/// A JSON object. Serde by itself would also take an array of the values, in the order of a type's fields.
pub(in crate::http) struct Object<T>(pub(in crate::http) T);

impl<'de, T: DeserializeOwned> Deserialize<'de> for Object<T> {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Object<T>, D::Error> {
        let value = Value::deserialize(deserializer)?;
        if !value.is_object() {
            return Err(D::Error::custom("an object with named members is wanted"));
        }
        serde_json::from_value(value).map(Object).map_err(D::Error::custom)
    }
}

impl<S: Send + Sync, T: DeserializeOwned> FromRequest<S> for Body<T> {
    type Rejection = Problem;

    async fn from_request(request: Request, state: &S) -> Result<Body<T>, Problem> {
        let kind =
            request.headers().get(CONTENT_TYPE).and_then(|kind| kind.to_str().ok()).unwrap_or_default();
        if kind.split(';').next().map(str::trim) != Some("application/json") {
            return Err(Problem::of_status(StatusCode::UNSUPPORTED_MEDIA_TYPE));
        }
        let bytes = Bytes::from_request(request, state)
            .await
            .map_err(|rejection| Problem::of_status(rejection.into_response().status()))?;
        serde_json::from_slice::<Object<T>>(&bytes)
            .map(|object| Body(object.0))
            .map_err(|error| Problem::bad(format!("the body can't be read: {}", line(&error.to_string()))))
    }
}

/// An answer as JSON.
pub(in crate::http) fn json(what: &impl Serialize) -> Response {
    match serde_json::to_vec(what) {
        Ok(body) => ([(CONTENT_TYPE, "application/json")], body).into_response(),
        Err(error) => {
            tracing::error!(%error, "an answer could not be written as JSON");
            Problem::new(StatusCode::INTERNAL_SERVER_ERROR, "the answer could not be made").into_response()
        }
    }
}

/// The same for something new.
pub(in crate::http) fn created(what: &impl Serialize) -> Response {
    let mut response = json(what);
    if response.status() == StatusCode::OK {
        *response.status_mut() = StatusCode::CREATED;
    }
    response
}

/// A parser's message on one line, without the client's own control characters.
fn line(message: &str) -> String {
    message
        .split(", expected one of")
        .next()
        .map(|text| text.split('\n').map(shown_long).collect())
        .unwrap_or_default()
}

fn shown_long(text: &str) -> String {
    if text.len() <= 60 { shown(text) } else { text.chars().filter(|c| !c.is_control()).take(200).collect() }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::model::pile::SpotRecord;

    #[test]
    fn an_array_is_no_object() {
        let read = |text: &str| serde_json::from_str::<Object<SpotRecord>>(text).map(|spot| spot.0.name);
        assert_eq!(read(r#"{ "name": "core", "zone": "core" }"#).unwrap(), "core");
        assert!(read(r#"["core", "core", null, false]"#).is_err());
    }
}
