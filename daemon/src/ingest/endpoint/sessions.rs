//! What the endpoint remembers of clients that asked for it (clean session off): that they were here, and what they
//! had subscribed to.
//!
//! A client library that is told "session not present" throws away what was not acknowledged yet, and with it
//! readings. So this is kept over a restart, in a small file beside the store. There is nothing else to remember: the
//! messages that were not acknowledged are the client's to repeat, and what we publish is sent with QoS 0.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::sync::{Mutex, PoisonError};

use serde::{Deserialize, Serialize};
use tokio::sync::watch;

use super::clients::ClientKey;
use crate::limits::{MQTT_SESSIONS_FILE_BYTES_MAX, MQTT_SESSIONS_MAX};

/// The sessions, and what is to be written of them.
pub(super) struct Sessions {
    known: Mutex<Known>,
    changed: watch::Sender<u64>,
}

#[derive(Default)]
struct Known {
    by_client: BTreeMap<ClientKey, Session>,
    /// Counts uses, to find the session unused for longest.
    turn: u64,
}

struct Session {
    filters: Vec<String>,
    used: u64,
}

/// One session in the file.
#[derive(Serialize, Deserialize)]
struct Line {
    user: String,
    client: String,
    filters: Vec<String>,
}

// === impl Sessions ===

impl Sessions {
    /// Reads the file, if there is one. One that can't be read is worth no more than a line in the log: clients
    /// subscribe again.
    pub(super) fn load(file: Option<&Path>) -> Sessions {
        let mut known = Known::default();
        for line in file.map(read).unwrap_or_default().into_iter().take(MQTT_SESSIONS_MAX) {
            known.turn += 1;
            let session = Session { filters: line.filters, used: known.turn };
            known.by_client.insert((line.user, line.client), session);
        }
        Sessions { known: Mutex::new(known), changed: watch::Sender::new(0) }
    }

    /// A client connects: its former subscriptions, if it wants a session and has one.
    pub(super) fn resume(&self, client: &ClientKey, is_clean: bool) -> Option<Vec<String>> {
        let mut known = self.lock();
        known.turn += 1;
        let turn = known.turn;
        if is_clean {
            if known.by_client.remove(client).is_some() {
                self.note_change();
            }
            return None;
        }
        if let Some(session) = known.by_client.get_mut(client) {
            session.used = turn;
            return Some(session.filters.clone());
        }
        if known.by_client.len() >= MQTT_SESSIONS_MAX {
            let oldest =
                known.by_client.iter().min_by_key(|(_, session)| session.used).map(|(key, _)| key.clone());
            oldest.map(|oldest| known.by_client.remove(&oldest));
        }
        known.by_client.insert(client.clone(), Session { filters: Vec::new(), used: turn });
        self.note_change();
        None
    }

    /// A client with a session has subscribed or unsubscribed.
    pub(super) fn set_filters(&self, client: &ClientKey, filters: Vec<String>) {
        if let Some(session) = self.lock().by_client.get_mut(client)
            && session.filters != filters
        {
            session.filters = filters;
            self.note_change();
        }
    }

    /// Writes the file whenever something has changed, until `stop` is true. Runs beside the connections, so that a
    /// slow card holds up none of them.
    pub(super) async fn keep(&self, file: PathBuf, mut stop: watch::Receiver<bool>) {
        let mut news = self.changed.subscribe();
        loop {
            let is_last = tokio::select! {
                heard = news.changed() => heard.is_err(),
                _ = stop.wait_for(|stop| *stop) => true,
            };
            let (lines, target) = (self.text(), file.clone());
            let written = tokio::task::spawn_blocking(move || write(&target, &lines)).await;
            if let Ok(Err(error)) = written {
                tracing::warn!(file = %file.display(), %error, "the list of MQTT clients can't be written");
            }
            if is_last {
                return;
            }
        }
    }

    fn note_change(&self) {
        self.changed.send_modify(|changes| *changes += 1);
    }

    fn text(&self) -> String {
        let known = self.lock();
        let lines = known.by_client.iter().map(|((user, client), session)| {
            let (user, client, filters) = (user.clone(), client.clone(), session.filters.clone());
            serde_json::to_string(&Line { user, client, filters }).unwrap_or_default() + "\n"
        });
        lines.collect()
    }

    fn lock(&self) -> std::sync::MutexGuard<'_, Known> {
        self.known.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

fn read(file: &Path) -> Vec<Line> {
    let text = match std::fs::metadata(file) {
        Ok(about) if about.len() <= MQTT_SESSIONS_FILE_BYTES_MAX => std::fs::read_to_string(file),
        Ok(_) => Err(std::io::Error::other("it is too long")),
        Err(error) => Err(error),
    };
    match text {
        Ok(text) => text.lines().filter_map(|line| serde_json::from_str(line).ok()).collect(),
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => Vec::new(),
        Err(error) => {
            tracing::warn!(file = %file.display(), %error, "the list of MQTT clients can't be read; they subscribe again");
            Vec::new()
        }
    }
}

/// Whole or not at all: a new file takes the place of the old one.
fn write(file: &Path, text: &str) -> std::io::Result<()> {
    let new = file.with_extension("new");
    std::fs::write(&new, text)?;
    std::fs::rename(&new, file)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn client(id: &str) -> ClientKey {
        ("shed".to_owned(), id.to_owned())
    }

    #[tokio::test]
    async fn sessions_outlive_a_restart() {
        let folder = tempfile::tempdir().unwrap();
        let file = folder.path().join("clients");
        let sessions = Sessions::load(Some(&file));
        assert_eq!(sessions.resume(&client("node"), false), None);
        sessions.set_filters(&client("node"), vec!["heapward/#".to_owned()]);
        assert_eq!(sessions.resume(&client("lamp"), false), None);
        assert_eq!(sessions.resume(&client("lamp"), true), None);
        let (stop, stopped) = watch::channel(true);
        sessions.keep(file.clone(), stopped).await;
        drop(stop);
        let again = Sessions::load(Some(&file));
        assert_eq!(again.resume(&client("node"), false), Some(vec!["heapward/#".to_owned()]));
        assert_eq!(again.resume(&client("lamp"), false), None);
        assert_eq!(again.resume(&("gate".to_owned(), "node".to_owned()), false), None);
    }

    #[test]
    fn a_damaged_file_and_too_many_clients_do_no_harm() {
        let folder = tempfile::tempdir().unwrap();
        let file = folder.path().join("clients");
        std::fs::write(&file, b"{broken\n\xff\xfe").unwrap();
        let sessions = Sessions::load(Some(&file));
        for n in 0..MQTT_SESSIONS_MAX + 10 {
            assert_eq!(sessions.resume(&client(&n.to_string()), false), None);
        }
        assert_eq!(sessions.lock().by_client.len(), MQTT_SESSIONS_MAX);
        assert_eq!(sessions.resume(&client("0"), false), None);
        assert_eq!(sessions.resume(&client(&MQTT_SESSIONS_MAX.to_string()), false), Some(Vec::new()));
    }

    #[test]
    fn a_file_as_long_as_it_may_be_is_read_and_a_longer_one_is_not() {
        let folder = tempfile::tempdir().unwrap();
        let file = folder.path().join("clients");
        let line = r#"{"user":"shed","client":"node","filters":[]}"#.to_owned() + "\n";
        for (more, known) in [(0, Some(Vec::new())), (1, None)] {
            let length = usize::try_from(MQTT_SESSIONS_FILE_BYTES_MAX).unwrap() + more;
            std::fs::write(&file, line.clone() + &"\n".repeat(length - line.len())).unwrap();
            assert_eq!(Sessions::load(Some(&file)).resume(&client("node"), false), known);
        }
    }
}
