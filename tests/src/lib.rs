//! What the end-to-end tests share: starting servers, finding the binary, waiting for a sign.
