//! The dead-man switch: a request to an address outside while all is well, and systemd's watchdog while all is alive.
//!
//! When the barn loses power nothing in it can send a text. Whoever watches the heartbeat from outside can: it asks
//! for an alarm after an hour without.

use std::future::Future;
use std::time::Duration;

use heapward_rules::units::Span;
use reqwest::Client;

use super::request;
use super::signs::Signs;
use crate::clock::SharedClock;
use crate::config::HeartbeatConfig;

pub struct Heartbeat {
    url: String,
    every: Span,
    client: Client,
}

// === impl Heartbeat ===

impl Heartbeat {
    pub fn new(config: &HeartbeatConfig) -> Result<Heartbeat, String> {
        Ok(Heartbeat {
            url: config.url.clone(),
            every: config.every,
            client: request::client(&config.url, None)?,
        })
    }

    /// Beats until `shutdown` completes. A beat that fails is not repeated: the next one says the same.
    pub async fn run(self, signs: Signs, clock: SharedClock, shutdown: impl Future<Output = ()> + Send) {
        let mut shutdown = std::pin::pin!(shutdown);
        let mut was_well = true;
        loop {
            let is_well = self.beat(&signs, was_well).await;
            was_well = is_well;
            tokio::select! {
                () = &mut shutdown => return,
                () = clock.sleep(self.every) => {}
            }
        }
    }

    /// One beat; says in the log only what has changed.
    async fn beat(&self, signs: &Signs, was_well: bool) -> bool {
        let ill = signs.ill();
        if let Some(first) = ill.first() {
            if was_well {
                tracing::warn!(%first, "heartbeat withheld");
            }
            return false;
        }
        let answer = self.client.get(&self.url).send().await;
        let failure = match answer {
            Ok(answer) if answer.status().is_success() => None,
            Ok(answer) => Some(format!("answered {}", answer.status().as_u16())),
            Err(error) => Some(request::reason(error)),
        };
        match &failure {
            Some(reason) if was_well => tracing::warn!(%reason, "heartbeat not taken"),
            None if !was_well => tracing::info!("heartbeat goes out again"),
            _ => {}
        }
        failure.is_none()
    }
}

/// Feeds systemd's watchdog while every organ is alive; returns at once where there is none. `feed` is
/// `feed_systemd` outside of tests, `interval` what `watchdog_interval` says.
pub async fn watch(
    signs: Signs,
    interval: Option<Duration>,
    feed: impl Fn() + Send,
    shutdown: impl Future<Output = ()> + Send,
) {
    let Some(interval) = interval else { return };
    let mut shutdown = std::pin::pin!(shutdown);
    let mut was_alive = true;
    loop {
        let dead = signs.dead();
        match dead.first() {
            None => feed(),
            Some(first) if was_alive => {
                tracing::error!(%first, "watchdog not fed; systemd will start the daemon anew");
            }
            Some(_) => {}
        }
        was_alive = dead.is_empty();
        tokio::select! {
            () = &mut shutdown => return,
            () = tokio::time::sleep(interval / 3) => {}
        }
    }
}

/// The watchdog's time limit, if systemd set one.
pub fn watchdog_interval() -> Option<Duration> {
    sd_notify::watchdog_enabled()
}

pub fn feed_systemd() {
    // Without systemd there is nobody to tell, and that is no error.
    let _ = sd_notify::notify(&[sd_notify::NotifyState::Watchdog]);
}

#[cfg(test)]
mod tests {
    use std::sync::Arc;
    use std::sync::atomic::{AtomicUsize, Ordering};

    use super::*;
    use crate::clock::ManualClock;
    use crate::telling::fixture::at;
    use crate::telling::scripted::{Act, Server};
    use crate::telling::signs::Organ;

    async fn wait_for(what: impl Fn() -> bool) {
        for _ in 0..500 {
            if what() {
                return;
            }
            tokio::time::sleep(Duration::from_millis(10)).await;
        }
        panic!("nothing came within 5 s");
    }

    #[tokio::test]
    async fn it_beats_only_while_all_is_well() {
        let server = Server::http(&[Act::Answer("500 Oops", "")]).await;
        let clock = Arc::new(ManualClock::new(at("12 14:00")));
        let signs = Signs::new(Arc::clone(&clock) as SharedClock, &[Organ::Ingest, Organ::Recorder]);
        let config =
            HeartbeatConfig { url: format!("http://{}/beat", server.address), every: Span::minutes(15) };
        let beats = Heartbeat::new(&config).unwrap().run(
            signs.clone(),
            Arc::clone(&clock) as SharedClock,
            std::future::pending(),
        );
        tokio::spawn(beats);
        wait_for(|| server.received().len() == 1).await;
        assert!(server.received()[0].starts_with("GET /beat HTTP/1.1\r\n"));

        let quarter = async |organs: &[Organ]| {
            tokio::time::sleep(Duration::from_millis(50)).await;
            clock.advance(Span::minutes(14));
            for organ in organs {
                signs.tick(*organ);
            }
            clock.advance(Span::minutes(1));
            tokio::time::sleep(Duration::from_millis(50)).await;
        };
        let all = [Organ::Ingest, Organ::Recorder];
        quarter(&all).await;
        wait_for(|| server.received().len() == 2).await;
        // The recorder hangs.
        quarter(&[Organ::Ingest]).await;
        assert_eq!(server.received().len(), 2);
        // The broker is away.
        signs.ails(Organ::Ingest, Some("broker away"));
        quarter(&all).await;
        assert_eq!(server.received().len(), 2);
        signs.ails(Organ::Ingest, None);
        quarter(&all).await;
        wait_for(|| server.received().len() == 3).await;
    }

    #[tokio::test(start_paused = true)]
    async fn the_watchdog_goes_hungry_when_an_organ_is_dead() {
        let clock = Arc::new(ManualClock::new(at("12 14:00")));
        let signs = Signs::new(Arc::clone(&clock) as SharedClock, &[Organ::Recorder]);
        let meals = Arc::new(AtomicUsize::new(0));
        let count = Arc::clone(&meals);
        let give = move || {
            count.fetch_add(1, Ordering::SeqCst);
        };
        tokio::spawn(watch(signs.clone(), Some(Duration::from_mins(1)), give, std::future::pending()));
        tokio::time::sleep(Duration::from_secs(61)).await;
        assert_eq!(meals.load(Ordering::SeqCst), 4);
        // An ailing organ is alive.
        signs.ails(Organ::Recorder, Some("card full"));
        tokio::time::sleep(Duration::from_secs(20)).await;
        assert_eq!(meals.load(Ordering::SeqCst), 5);
        clock.advance(Span::minutes(5));
        tokio::time::sleep(Duration::from_mins(1)).await;
        assert_eq!(meals.load(Ordering::SeqCst), 5);
        // Without a watchdog there is nothing to do.
        watch(signs, None, || panic!("nobody asked"), std::future::pending()).await;
    }
}
