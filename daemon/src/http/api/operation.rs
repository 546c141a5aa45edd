//! How a route of the API is described. The `OpenAPI` document is made of these.

use axum::http::Method;

/// What one method of one path takes and answers.
#[derive(Clone, Debug)]
pub(in crate::http) struct Operation {
    pub(in crate::http) method: Method,
    /// Unique name in camel case.
    pub(in crate::http) id: &'static str,
    pub(in crate::http) summary: &'static str,
    /// Parameters of the query, by their names in `schemas`. Those of the path follow from the path.
    pub(in crate::http) query: &'static [&'static str],
    /// Schema of the body.
    pub(in crate::http) body: Option<&'static str>,
    pub(in crate::http) answer: Answer,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(in crate::http) enum Answer {
    /// 200 with JSON of this schema.
    Json(&'static str),
    /// 201 with JSON of this schema.
    Created(&'static str),
    /// 200 with JSON of this schema, or CSV.
    JsonOrCsv(&'static str),
    /// 204.
    Nothing,
    /// 200 with plain text.
    Text,
    /// 200 with server-sent events.
    Events,
}

// === impl Operation ===

impl Operation {
    pub(in crate::http) const fn get(id: &'static str, summary: &'static str, answer: Answer) -> Operation {
        Operation { method: Method::GET, id, summary, query: &[], body: None, answer }
    }

    pub(in crate::http) const fn post(
        id: &'static str,
        summary: &'static str,
        body: &'static str,
        answer: Answer,
    ) -> Operation {
        Operation { method: Method::POST, id, summary, query: &[], body: Some(body), answer }
    }

    pub(in crate::http) const fn query(mut self, names: &'static [&'static str]) -> Operation {
        self.query = names;
        self
    }
}
