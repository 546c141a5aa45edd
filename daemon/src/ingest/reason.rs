//! Why a message gave no reading: each reason has one word for counters and one sentence for the grower.

/// Something is wrong or missing; counted by topic, and shown with one example.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Reason {
    TooLarge,
    TopicTooLong,
    Binary,
    NotUtf8,
    NotJson,
    NanInJson,
    TooDeep,
    TooManyValues,
    KeyTwice,
    NoSuchField,
    ByPosition,
    NotSelected,
    NoMatch,
    NoArray,
    NoDecoder,
    Null,
    NoValue,
    NotANumber,
    InQuotes,
    NotFinite,
    Rejected,
    UnknownUnit,
    UnitDiffers,
    BadBase64,
    BytesTooShort,
    TimeMissing,
    TimeUnreadable,
    TimeNeverWas,
    TimeTwice,
    TimeTooOld,
    TimeAhead,
    Retained,
    Undated,
    TooOften,
    NotAllowed,
}

/// Not meant for this probe, or nothing at all; no fault of anybody.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Skip {
    /// The guard names another device on the same topic.
    Guard,
    /// Zero bytes: a retained message was cleared.
    Empty,
}

// === impl Reason ===

impl Reason {
    /// The word in counters, metrics and logs.
    pub fn word(self) -> &'static str {
        self.text().0
    }

    /// What is wrong and what to do, for the person who set up the probe.
    pub fn advice(self) -> &'static str {
        self.text().1
    }

    #[expect(clippy::too_many_lines, reason = "a table with one row for each reason")]
    fn text(self) -> (&'static str, &'static str) {
        match self {
            Reason::TooLarge => ("too-large", "the message is longer than 64 KiB; is this the right topic?"),
            Reason::TopicTooLong => ("topic-too-long", "the topic is longer than 512 bytes"),
            Reason::Binary => (
                "binary",
                "binary messages (Sparkplug B, protobuf) are not read; choose a topic with JSON or text",
            ),
            Reason::NotUtf8 => ("not-utf8", "the message is no UTF-8 text; set the device to send UTF-8"),
            Reason::NotJson => ("not-json", "the message is no JSON; for plain text write format = \"text\""),
            Reason::NanInJson => (
                "nan-in-json",
                "the device wrote NaN or Infinity for a failed probe, which is no JSON, and spoilt all readings of \
                 the message; see which probe has failed",
            ),
            Reason::TooDeep => ("too-deep", "the JSON is nested deeper than 16 levels"),
            Reason::TooManyValues => {
                ("too-many-values", "the JSON holds too many values or the list is too long")
            }
            Reason::KeyTwice => {
                ("key-twice", "a key stands twice in the JSON, so the reading would be a guess")
            }
            Reason::NoSuchField => (
                "no-such-field",
                "the message has no such field; compare the pointer with the example (a device may rename its fields \
                 when a probe is added)",
            ),
            Reason::ByPosition => (
                "by-position",
                "the pointer leads into a list by position; use `select` by id, or write fixed_order = true",
            ),
            Reason::NotSelected => {
                ("not-selected", "no member of the list has this id; is the probe connected?")
            }
            Reason::NoMatch => ("no-match", "the message does not match the pattern"),
            Reason::NoArray => ("no-array", "the pointer of `each` or `select` leads to no list"),
            Reason::NoDecoder => (
                "no-decoder",
                "no decoded object in this message: add a decoder on the network server, or use `bytes`",
            ),
            Reason::Null => ("null", "the device sends null: it is alive, but has no value from this probe"),
            Reason::NoValue => {
                ("no-value", "the device is alive, but has no value from this probe; check its cable")
            }
            Reason::NotANumber => ("not-a-number", "there is no number where the pointer leads"),
            Reason::InQuotes => ("in-quotes", "the number stands in quotes; write number = \"lenient\""),
            Reason::NotFinite => ("not-finite", "the number is infinite or beyond all bounds"),
            Reason::Rejected => {
                ("rejected", "the value is in this probe's list of values that mean no reading")
            }
            Reason::UnknownUnit => {
                ("unknown-unit", "the unit is missing or unknown; known are C, F, K, %, W and V")
            }
            Reason::UnitDiffers => (
                "unit-differs",
                "the message says another unit than the configuration; put the unit of this probe right",
            ),
            Reason::BadBase64 => ("bad-base64", "the field is no base64 text"),
            Reason::BytesTooShort => ("bytes-too-short", "the data end before the place given in `bytes`"),
            Reason::TimeMissing => ("time-missing", "the message has no time where the pointer leads"),
            Reason::TimeUnreadable => {
                ("time-unreadable", "the time can't be read; compare `time_format` with the example")
            }
            Reason::TimeNeverWas => {
                ("time-never-was", "this local time does not exist: clocks were put forward over it")
            }
            Reason::TimeTwice => {
                ("time-twice", "this local time happens twice today (clocks go back) and can't be told apart")
            }
            Reason::TimeTooOld => (
                "time-too-old",
                "the message's own time is more than 30 days back; set the device's clock (seconds for milliseconds?)",
            ),
            Reason::TimeAhead => (
                "time-ahead",
                "the message's own time is more than 5 minutes ahead; set the device's clock and zone",
            ),
            Reason::Retained => (
                "retained",
                "a kept message without a time of its own: its age is unknown, so it is no reading",
            ),
            Reason::Undated => {
                ("undated", "a late message without a time of its own: only the last of them can be dated")
            }
            Reason::TooOften => {
                ("too-often", "this probe sends more often than anybody can use; the rest is dropped")
            }
            Reason::NotAllowed => ("not-allowed", "the pass of this client may not speak for this topic"),
        }
    }

    /// Whether the publisher is alive and says that it has no value.
    pub fn is_no_value(self) -> bool {
        matches!(self, Reason::Null | Reason::NoValue | Reason::NanInJson | Reason::Rejected)
    }
}
