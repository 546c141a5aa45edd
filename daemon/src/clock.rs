//! The one place that knows what time it is. Everything else is handed a [`Clock`].

use std::future::Future;
use std::pin::Pin;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};

use heapward_rules::units::{At, Span};

/// Wall time with its trust, monotonic time, and sleeping: the demo and the tests bring virtual ones.
pub trait Clock: Send + Sync {
    /// Wall time now.
    fn now(&self) -> At;

    /// Whether wall time may date a reading: it is set, and nobody doubts it.
    fn is_trusted(&self) -> bool;

    /// Whether the machine says that its clock is set: the kernel has it synchronised, or a hardware clock is fitted.
    fn is_set(&self) -> bool {
        self.is_trusted()
    }

    /// Who follows the clock says whether it shows a time that can't be, though it is set. Everybody is told by
    /// [`Clock::is_trusted`].
    fn doubt(&self, _is_doubtful: bool) {}

    /// Time since some fixed instant of this process; never steps.
    fn monotonic(&self) -> Span;

    /// Sleeps for a span of this clock's time.
    fn sleep(&self, span: Span) -> Pin<Box<dyn Future<Output = ()> + Send + '_>>;
}

pub type SharedClock = Arc<dyn Clock>;

/// The machine's own clock.
pub struct SystemClock {
    started: Instant,
    hardware_clock: bool,
    is_doubtful: AtomicBool,
}

/// A clock that starts at an instant and runs a number of times faster than the machine's: for the demo.
pub struct FastClock {
    started: Instant,
    origin: At,
    factor: u32,
}

/// A clock that stands still until a test moves it.
pub struct ManualClock {
    state: tokio::sync::watch::Sender<ManualState>,
}

#[derive(Clone, Copy)]
struct ManualState {
    now: At,
    monotonic: Span,
    set: bool,
    doubtful: bool,
}

// === impl SystemClock ===

impl SystemClock {
    pub fn new(hardware_clock: bool) -> SystemClock {
        SystemClock { started: Instant::now(), hardware_clock, is_doubtful: AtomicBool::new(false) }
    }
}

impl Clock for SystemClock {
    fn now(&self) -> At {
        #[expect(clippy::disallowed_methods, reason = "this is the one place that asks")]
        let since_epoch = std::time::SystemTime::now().duration_since(std::time::UNIX_EPOCH);
        At(since_epoch.map_or(0, millis))
    }

    fn is_trusted(&self) -> bool {
        self.is_set() && !self.is_doubtful.load(Ordering::Relaxed)
    }

    /// `systemd-timesyncd` makes the file when it has set the clock; a container or a desktop with another time
    /// service says so in the configuration (`hardware_clock = true`).
    fn is_set(&self) -> bool {
        self.hardware_clock || std::path::Path::new("/run/systemd/timesync/synchronized").exists()
    }

    fn doubt(&self, is_doubtful: bool) {
        self.is_doubtful.store(is_doubtful, Ordering::Relaxed);
    }

    fn monotonic(&self) -> Span {
        Span(millis(self.started.elapsed()))
    }

    fn sleep(&self, span: Span) -> Pin<Box<dyn Future<Output = ()> + Send + '_>> {
        Box::pin(tokio::time::sleep(duration(span)))
    }
}

// === impl FastClock ===

impl FastClock {
    pub fn new(origin: At, factor: u32) -> FastClock {
        FastClock { started: Instant::now(), origin, factor: factor.max(1) }
    }
}

impl Clock for FastClock {
    fn now(&self) -> At {
        self.origin + self.monotonic()
    }

    fn is_trusted(&self) -> bool {
        true
    }

    fn monotonic(&self) -> Span {
        Span(millis(self.started.elapsed() * self.factor))
    }

    fn sleep(&self, span: Span) -> Pin<Box<dyn Future<Output = ()> + Send + '_>> {
        Box::pin(tokio::time::sleep(duration(span) / self.factor))
    }
}

// === impl ManualClock ===

impl ManualClock {
    pub fn new(now: At) -> ManualClock {
        let state = ManualState { now, monotonic: Span::ZERO, set: true, doubtful: false };
        ManualClock { state: tokio::sync::watch::Sender::new(state) }
    }

    /// Lets time pass: wall and monotonic alike.
    pub fn advance(&self, span: Span) {
        self.state.send_modify(|state| {
            state.now = state.now + span;
            state.monotonic = state.monotonic + span;
        });
    }

    /// Sets the wall clock alone, as a time service does.
    pub fn step_to(&self, now: At) {
        self.state.send_modify(|state| state.now = now);
    }

    pub fn set_trusted(&self, trusted: bool) {
        self.state.send_modify(|state| state.set = trusted);
    }
}

impl Clock for ManualClock {
    fn now(&self) -> At {
        self.state.borrow().now
    }

    fn is_trusted(&self) -> bool {
        let state = self.state.borrow();
        state.set && !state.doubtful
    }

    fn is_set(&self) -> bool {
        self.state.borrow().set
    }

    fn doubt(&self, is_doubtful: bool) {
        self.state.send_modify(|state| state.doubtful = is_doubtful);
    }

    fn monotonic(&self) -> Span {
        self.state.borrow().monotonic
    }

    fn sleep(&self, span: Span) -> Pin<Box<dyn Future<Output = ()> + Send + '_>> {
        let mut state = self.state.subscribe();
        let wake = state.borrow().monotonic + span;
        Box::pin(async move {
            // The sender lives as long as the clock that we borrow: the wait can't fail before it is met.
            let _ = state.wait_for(|state| state.monotonic >= wake).await;
        })
    }
}

fn millis(duration: Duration) -> i64 {
    i64::try_from(duration.as_millis()).unwrap_or(i64::MAX)
}

fn duration(span: Span) -> Duration {
    Duration::from_millis(u64::try_from(span.0).unwrap_or(0))
}
