//! Who is connected: one connection for each user and client id.

use std::collections::BTreeMap;
use std::sync::{Arc, Mutex, PoisonError};

use tokio::sync::Notify;

/// User and client id: a client can't throw out one of another user.
pub(super) type ClientKey = (String, String);

#[derive(Default)]
pub(super) struct Clients(Mutex<BTreeMap<ClientKey, (u64, Arc<Notify>)>>);

// === impl Clients ===

impl Clients {
    /// Enters a connection; the former one of the same client is told to end. The bell rings when this one's turn has
    /// come.
    pub(super) fn enter(&self, key: ClientKey, number: u64) -> Arc<Notify> {
        let bell = Arc::new(Notify::new());
        let mut clients = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some((_, former)) = clients.insert(key, (number, Arc::clone(&bell))) {
            former.notify_one();
        }
        bell
    }

    /// Takes a connection out, unless another has taken over.
    pub(super) fn leave(&self, key: &ClientKey, number: u64) {
        let mut clients = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        if clients.get(key).is_some_and(|(entered, _)| *entered == number) {
            clients.remove(key);
        }
    }

    pub(super) fn count(&self) -> usize {
        self.0.lock().unwrap_or_else(PoisonError::into_inner).len()
    }
}
