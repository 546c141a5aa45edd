//! Why a connection ended.

/// The reasons; each has a word for counters and a sentence for the log.
#[derive(Debug, thiserror::Error)]
pub(super) enum Close {
    #[error("it said goodbye")]
    Goodbye,
    #[error("the connection broke")]
    Gone,
    #[error("another client with the same id has taken over; give each device its own client id")]
    TakenOver,
    #[error("Heapward stops")]
    Stopping,
    #[error("nothing came for one and a half times its keep-alive")]
    Silent,
    #[error("it sent no CONNECT in time")]
    NoConnect,
    #[error("it began a packet and did not end it in time")]
    Unfinished,
    #[error("it does not read what it is sent")]
    NotReading,
    #[error("too many clients are connected")]
    TooManyClients,
    #[error("it speaks another version; set the device to MQTT 3.1.1")]
    Version,
    #[error("it has no client id but wants to keep a session; give it a client id")]
    NoClientId,
    #[error("user or password is wrong, or there is none; compare them with [[endpoint.pass]]")]
    WrongPass,
    #[error("it published with QoS 2; set the device to QoS 1")]
    QosTwo,
    #[error("its packet of {0} bytes is too large")]
    TooLarge(usize),
    #[error("it broke the rules of MQTT 3.1.1: {0}")]
    Rules(&'static str),
    #[error("its packet can't be read: {0}")]
    Unreadable(String),
    #[error("a reading could not be kept; it is to send it again")]
    NotKept,
}

// === impl Close ===

impl Close {
    pub(super) fn word(&self) -> &'static str {
        match self {
            Close::Goodbye => "goodbye",
            Close::Gone => "gone",
            Close::TakenOver => "taken-over",
            Close::Stopping => "stopping",
            Close::Silent => "silent",
            Close::NoConnect => "no-connect",
            Close::Unfinished => "unfinished",
            Close::NotReading => "not-reading",
            Close::TooManyClients => "too-many-clients",
            Close::Version => "version",
            Close::NoClientId => "no-client-id",
            Close::WrongPass => "wrong-pass",
            Close::QosTwo => "qos-two",
            Close::TooLarge(_) => "too-large",
            Close::Rules(_) => "rules",
            Close::Unreadable(_) => "unreadable",
            Close::NotKept => "not-kept",
        }
    }

    /// Whether the device or its set-up is wrong, rather than a connection that came to its end.
    pub(super) fn is_fault(&self) -> bool {
        !matches!(self, Close::Goodbye | Close::Gone | Close::Stopping | Close::Silent)
    }
}
