//! Every limit of the daemon in one place, each with its reason.

use std::time::Duration;

use chrono::NaiveTime;
use heapward_rules::units::Span;

/// A standard is a page of text; anything longer is another file by mistake.
pub const STANDARD_FILE_BYTES_MAX: u64 = 64 * 1024;
/// Each standard is judged for each pile that names it; nobody works by more rules than this.
pub const STANDARD_FILES_MAX: usize = 64;

// --- config ---

/// A configuration is a page of text; a longer file is another one by mistake.
pub const CONFIG_BYTES_MAX: u64 = 256 * 1024;
/// A password or token is a line; a longer file is another one by mistake.
pub const SECRET_BYTES_MAX: u64 = 4 * 1024;
/// No sane topic is longer; MQTT would allow 64 KiB.
pub const TOPIC_BYTES_MAX: usize = 512;
/// A command waits so long for the daemon: a year of history from a card takes a few seconds.
pub const CLI_REQUEST_SECONDS_MAX: u64 = 60;

// --- telling ---

/// One text message in the GSM 7-bit alphabet; a longer one is cut into parts and paid twice.
pub const TEXT_CHARS_MAX: usize = 160;
/// Longest name (pile, spot, probe, bed) in a text: the sentence has to fit beside two of them.
pub const NAME_CHARS_SHOWN: usize = 20;
/// Lengths to which names are cut, one after the other, until the sentence fits.
pub const NAME_CHARS_SHORTER: [usize; 3] = [NAME_CHARS_SHOWN, 15, 10];
/// Longest farm name in a mail's subject.
pub const FARM_CHARS_SHOWN: usize = 40;
/// Below this a broken run has cost too little to trouble anybody.
pub const RUN_WORTH_A_TEXT: Span = Span::hours(12);
/// From here on a run is worth waking somebody: two days would have to be done again.
pub const RUN_WORTH_WAKING: Span = Span::hours(48);
/// A blower that was off for less has harmed nothing yet.
pub const BLOWER_SETTLE: Span = Span::hours(2);
/// A probe silent for less leaves time enough: hand readings may be a day apart.
pub const PROBE_SETTLE: Span = Span::hours(2);
/// A gateway or broker that starts again is back within this time.
pub const ALL_SILENT_SETTLE: Span = Span::minutes(15);
/// A Pi without network at start may need a while for the time service.
pub const CLOCK_SETTLE: Span = Span::minutes(30);
/// A store that fails for less was opened again at the first or second try; after it somebody is told.
pub const STORE_SETTLE: Span = Span::seconds(10);
/// Water needs days to work: no second text on drying before.
pub const DRYING_PAUSE: Span = Span::hours(72);
/// Openings of one thing within the window that make it unstable.
pub const FLAPS_MAX: usize = 3;
pub const FLAP_WINDOW: Span = Span::hours(6);
/// An incident shorter than this needs no all-clear: nobody has set out yet.
pub const ALL_CLEAR_LEAST: Span = Span::minutes(10);
/// A finding older than this was found late (a gateway that buffered): it is told only if it still lasts.
pub const LATE_FINDING: Span = Span::minutes(10);
/// Time for the rest of a late batch to come in before a late finding is told: a gateway hands over days in seconds.
pub const LATE_SETTLE: Span = Span::seconds(30);
/// Reminders in all of one level; then the daily summary alone goes on saying it, except for danger.
pub const REMINDERS_IN_ALL: u32 = 6;
/// Reminders before the second person is told.
pub const REMINDERS_MAX: u32 = 2;
/// A grave telling that has reached nobody after this goes to the second person too.
pub const UNREACHED_AFTER: Span = Span::minutes(10);
/// The figures of an open incident are written to the card no oftener than this while nothing is told of it.
pub const INCIDENT_WRITTEN_EVERY: Span = Span::minutes(30);
/// First and further reminders of danger that nobody has seen.
pub const DANGER_REMIND_FIRST: Span = Span::minutes(15);
pub const DANGER_REMIND_NEXT: Span = Span::minutes(30);
/// After this a thing that was seen, or of which everybody was told, is told again while it lasts.
pub const REMIND_AGAIN: Span = Span::hours(12);
/// Longest silence about a pile: a day of work at it. It always ends by itself.
pub const MUTE_MAX: Span = Span::hours(24);
/// Reminder of a harvest that is planned too early.
pub const HARVEST_NOTICE: Span = Span::days(7);
/// A reading no older than this needs no time beside it in a reminder.
pub const READING_IS_OF_NOW: Span = Span::hours(1);
/// Good news for planning the day comes at this local time.
pub const GOOD_NEWS_AT: NaiveTime = match NaiveTime::from_hms_opt(7, 30, 0) {
    Some(time) => time,
    None => NaiveTime::MIN,
};
/// Ended incidents that still matter for pauses and flap detection.
pub const INCIDENTS_RECENT: Span = Span::hours(72);
/// Pauses between the tries of a channel that is down; the last one is repeated.
pub const RETRY_PAUSES: [Span; 5] =
    [Span::seconds(30), Span::minutes(2), Span::minutes(5), Span::minutes(15), Span::minutes(30)];
/// Part of a pause by which chance moves it.
pub const RETRY_JITTER: f64 = 0.2;
/// A message is given up when it is so old and the channel still fails.
pub const RETRY_FOR: Span = Span::hours(72);
/// More than this at once to one person becomes one message.
pub const TEXTS_AT_ONCE_MAX: usize = 3;
/// A message older than this says when it was sent, and is merged with others that waited.
pub const MESSAGE_FRESH: Span = Span::minutes(10);
/// A text that has waited so long, about what is over, is left to the summary.
pub const MESSAGE_STALE: Span = Span::hours(12);
/// Waiting messages read at once: three days of everything that a farm can bring forth.
pub const OUTBOX_READ_MAX: usize = 1_000;
/// Pause before the outbox is read or written again after a failure of the store.
pub const OUTBOX_RETRY: Span = Span::seconds(30);
/// Longest sleep of the worker: a wall clock that was set forward makes messages due that looked far away.
pub const OUTBOX_LOOK: Span = Span::minutes(15);
/// Time to reach a mail server or provider.
pub const CONNECT_TIMEOUT: Duration = Duration::from_secs(15);
/// Time for a whole sending: a slow mail server on a rural line, but not a dead one.
pub const SEND_TIMEOUT: Duration = Duration::from_mins(1);
/// The list of modems and what they are, as JSON; a machine has one or two.
pub const MODEM_ANSWER_BYTES_MAX: u64 = 512 * 1024;
/// Of an answer that refuses, as much as tells why.
pub const ANSWER_EXCERPT_BYTES: usize = 2_048;
pub const ANSWER_EXCERPT_CHARS: usize = 200;

// --- http ---

/// A family's phones, a script and an inspector's laptop; a browser opens up to six connections for a page.
pub const HTTP_CONNECTIONS_MAX: usize = 32;
/// Live views among the connections: each stays open, so pages keep the rest.
pub const HTTP_STREAMS_MAX: usize = 8;
/// Time for the head of a request: a phone at the edge of the Wi-Fi needs one or two seconds.
pub const HTTP_HEAD_SECONDS_MAX: u64 = 5;
/// Head of a request: cookies of other services on the same host name come along.
pub const HTTP_HEAD_BYTES_MAX: usize = 8 * 1024;
pub const HTTP_HEADERS_MAX: usize = 64;
/// Time for the whole request from the connection's beginning, body and answer's head included.
pub const HTTP_REQUEST_SECONDS_MAX: u64 = 10;
/// Longest time in which a client takes nothing of its answer.
pub const HTTP_STALL_SECONDS_MAX: u64 = 10;
/// Longest life of a connection that is no live view: 120 kB at 2 kB a second.
pub const HTTP_CONNECTION_SECONDS_MAX: u64 = 60;
/// A live view is asked to come back after this time; browsers do so by themselves.
pub const HTTP_STREAM_SECONDS_MAX: u64 = 3_600;
/// Body of a request: the longest note, a pile with all its spots, with room.
pub const HTTP_BODY_BYTES_MAX: usize = 16 * 1024;
/// Shorter answers fit into one packet of the network as they are.
pub const HTTP_PACKED_BYTES_MIN: u64 = 1024;
/// How hard is tried, of 9: beyond it a page of 100 kB becomes a few hundred bytes smaller in twice the time.
pub const HTTP_PACK_LEVEL: u32 = 6;
/// Time for requests at work when the daemon stops; systemd gives 90 s to all of it.
pub const HTTP_DRAIN_SECONDS_MAX: u64 = 5;
/// Requests of one address: a burst of quick taps, then a steady pace.
pub const HTTP_REQUESTS_BURST: u32 = 120;
pub const HTTP_REQUESTS_PER_SECOND: u32 = 20;
/// Wrong passes of one address within a minute.
pub const HTTP_WRONG_PASSES_PER_MINUTE: u32 = 5;
/// Addresses whose pace is remembered; the one unseen for longest is forgotten.
pub const HTTP_ADDRESSES_MAX: usize = 1_024;
/// Questions to the store at one time: two cores.
pub const HTTP_STORE_READS_MAX: usize = 2;
/// Points of one answer: a screen shows 1,000, a spreadsheet takes far more, the card reads this in 0.1 s.
pub const HISTORY_POINTS_MAX: usize = 10_000;
/// Items of one page of a list.
pub const LIST_ITEMS_MAX: usize = 500;
pub const LIST_ITEMS_DEFAULT: usize = 100;
/// Names, initials, reasons.
pub const FIELD_CHARS_MAX: usize = 200;
/// Spots of one pile: a chart with more lines can't be read.
pub const SPOTS_MAX: usize = 24;
/// Names of piles, spots and probes: they stand in sentences, addresses and texts.
pub const NAME_CHARS_MAX: usize = 60;
/// Readings that are judged one by one for a chart: a week of minutes from six spots takes 20 ms here.
pub const CHART_READINGS_MAX: i64 = 64_000;
/// Summaries of a chart that are looked into reading by reading.
pub const CHART_SUMMARIES_LOOKED_INTO_MAX: usize = 60;
// --- ingest ---

/// Messages of network servers with several gateways reach some kilobytes; nothing useful is longer.
pub const PAYLOAD_BYTES_MAX: usize = 64 * 1024;
/// Deepest nesting of JSON that is read.
pub const JSON_DEPTH_MAX: usize = 16;
/// Values in one message, so that 64 KiB of `[[[[` or `0,0,0` cost at most a few hundred kilobytes of memory.
pub const JSON_VALUES_MAX: usize = 8 * 1024;
/// Readings in one message: a day of minutes is more than any gateway keeps back in one piece.
pub const EACH_MAX: usize = 1_000;
/// A message's own time counts between these bounds around a trusted clock (design 3).
pub const OWN_TIME_BACK_MAX: Span = Span::days(30);
pub const OWN_TIME_AHEAD_MAX: Span = Span::minutes(5);
/// Arrivals of one probe that share a tenth of a second take the next ones, up to this lead: about ten a second.
pub const ARRIVAL_LEAD_MAX: Span = Span::seconds(1);
/// Pause between two questions whether the clock is set: each is a look into the file system.
pub const CLOCK_ASK_AGAIN: Span = Span::seconds(1);
/// No time service moves a clock that is set by more than this; a bad clock chip does.
pub const CLOCK_LEAP_MAX: Span = Span::days(1);
/// Rows of refused messages, one for each topic and reason: a page long; the rest is one total.
pub const REFUSED_ROWS_MAX: usize = 256;
/// Rows of topics that no probe listens to.
pub const TOPIC_ROWS_MAX: usize = 256;
/// Of a payload, kept as an example: enough for the messages of the usual firmwares.
pub const EXAMPLE_BYTES_MAX: usize = 1_024;
/// Of the newest message of an unassigned topic, kept to look for probes in it; with all rows full a megabyte.
pub const LOOKED_AT_BYTES_MAX: usize = 4 * 1_024;
/// Messages on their way from the ways in to the intake; at 20,000 a second this is 50 ms.
pub const ARRIVALS_MAX: usize = 1_024;
/// Messages that the intake looks at together and hands to the recorder as one lot.
pub const ARRIVALS_TOGETHER_MAX: usize = 512;
/// A lot with so many readings takes no other message: it has to fit in what may wait for the card.
pub const LOT_READINGS_MAX: usize = 1_000;
/// Messages that wait until the clock is set: eight probes that speak each minute fill it in 20 hours.
pub const HELD_MAX: usize = 10_000;
/// Pause between two looks at a clock that is not set.
pub const HELD_LOOK_MILLIS: u64 = 250;
/// A backlog has ended when nothing came for this time: on a local network its messages are milliseconds apart.
pub const BACKLOG_QUIET_MILLIS: u64 = 500;
/// After this a probe that still sends without a pause is taken to be live.
pub const BACKLOG_MILLIS_MAX: u64 = 60_000;
/// Readings that one probe may bring at once (a month of one every ten seconds), and how many more each second.
pub const PROBE_READINGS_BURST: u32 = 250_000;
pub const PROBE_READINGS_PER_SECOND: u32 = 10;
/// Lines in the log for one reason of refusal: one topic after the other would fill the card.
pub const REFUSAL_LINES_PAUSE: Span = Span::minutes(1);
/// Arrivals of a probe that can be recognised when they are delivered again: what fits between two commits.
pub const ARRIVALS_REMEMBERED: usize = 32;

/// Clients of the endpoint at one time, those that have not said who they are included: a farm has some dozen; each
/// idle one takes about 2 kB.
pub const MQTT_CLIENTS_MAX: usize = 1_024;
/// A packet with the largest payload and the largest topic.
pub const MQTT_PACKET_BYTES_MAX: usize = PAYLOAD_BYTES_MAX + 1_024;
/// CONNECT with client id, user, password and last will.
pub const MQTT_CONNECT_BYTES_MAX: usize = 4 * 1_024;
/// Time for the CONNECT.
pub const MQTT_CONNECT_SECONDS_MAX: u64 = 10;
/// Time for the rest of a packet whose beginning came: 64 KiB at 2 kB a second.
pub const MQTT_PACKET_SECONDS_MAX: u64 = 30;
/// Time in which a client reads something of what it is sent.
pub const MQTT_STALL_SECONDS_MAX: u64 = 30;
/// A client without a keep-alive that says nothing for this long is gone.
pub const MQTT_IDLE_SECONDS_MAX: u64 = 24 * 3_600;
/// Pause before the answer to a wrong pass, so that guessing is slow.
pub const MQTT_WRONG_PASS_MILLIS: u64 = 1_000;
/// `QoS` 1 messages of one client that are not acknowledged yet; then nothing more is read from it.
pub const MQTT_UNFINISHED_MAX: usize = 1_024;
/// Messages of one client in a second that give no reading; then nothing more is read from it in that second.
pub const MQTT_USELESS_PER_SECOND_MAX: u32 = 10_000;
/// Bytes read from a client at a time.
pub const MQTT_READ_BYTES: usize = 8 * 1_024;
/// What waits to be written to one client: acknowledgements and a few messages.
pub const MQTT_OUTPUT_BYTES_MAX: usize = 256 * 1_024;
/// Messages of our own that wait for one client.
pub const MQTT_OUTGOING_MAX: usize = 64;
/// Topics of our own that are kept for later subscribers.
pub const MQTT_RETAINED_MAX: usize = 1_024;
/// Subscriptions of one client: we publish a handful of topics.
pub const MQTT_FILTERS_MAX: usize = 32;
/// Acknowledgements of messages that were passed over, waiting to be sent between ours.
pub const PASSED_OVER_ACKS_MAX: usize = 64;
/// Numbers of one message that are shown.
pub const FIELDS_MAX: usize = 64;
/// Probes proposed for one topic.
pub const PROPOSALS_MAX: usize = 32;
/// Topics that `heapward listen` keeps: a screen shows some dozen.
pub const HEARD_TOPICS_MAX: usize = 1_000;
/// How long the daemon listens to a broker's other topics when a page asks for it: most probes speak each minute.
pub const OVERHEAR_TIME: Duration = Duration::from_secs(90);
/// Probes that are kept in the store, beside those of the configuration file.
pub const PROBES_KEPT_MAX: usize = 256;
/// Longest time that `heapward listen` listens: an hour, for radio nodes that seldom speak.
pub const LISTEN_SECONDS_MAX: u64 = 3_600;
/// Pauses between two connections to the broker; no broker is harmed by a knock a minute.
pub const BROKER_PAUSE_MIN: Duration = Duration::from_secs(1);
pub const BROKER_PAUSE_MAX: Duration = Duration::from_mins(1);
/// A connection that stood for this long was a good one.
pub const BROKER_STABLE: Duration = Duration::from_secs(10);
/// Connections that the broker accepted and closed again within the window: two programs with one client id.
pub const TAKE_OVERS_MAX: usize = 3;
pub const TAKE_OVERS_WINDOW: Duration = Duration::from_mins(1);
pub const TAKE_OVER_PAUSE: Duration = Duration::from_mins(5);
/// Lines in the log about the connection: ten at once, later one in forty minutes, so that a day has at most 46.
pub const BROKER_LINES_AT_ONCE: u32 = 10;
pub const BROKER_LINES_REFILL: Duration = Duration::from_mins(40);
/// A broker that is stuck while the connection stands is noticed after at most twice this time.
pub const BROKER_KEEP_ALIVE: Duration = Duration::from_secs(30);
pub const BROKER_CONNECT_SECONDS_MAX: u64 = 10;
/// The library gives up the connection at a larger packet; a message that is too large for us is refused by name.
pub const BROKER_PACKET_BYTES_MAX: usize = 256 * 1_024;
/// Acknowledgements and messages of our own that wait for the connection.
pub const BROKER_REQUESTS_MAX: usize = 4_096;
/// Reads from the broker until the library looks at its queue and its timers again.
pub const BROKER_READS_TOGETHER_MAX: usize = 16;
/// Messages of one such read: more come in with the next one.
pub const BROKER_PACKETS_TOGETHER_MAX: usize = 512;
/// With so many bytes of payloads a read ends too: large messages are handed on one by one.
pub const BROKER_BYTES_TOGETHER_MAX: usize = 64 * 1_024;
/// Messages that follow one another so soon are a stream. Then the connection rests between two reads: a read, and a
/// sleeping thread that is woken, cost the processor as much as a message. What comes alone waits for nothing.
pub const BROKER_STREAM_WITHIN: Duration = Duration::from_millis(2);
/// That rest: at 50,000 messages a second 200 of them, which are then one look of the intake, one commit and one piece of
/// acknowledgements. A broker that sends 20 without one still sends 4,000 a second.
pub const BROKER_STREAM_REST: Duration = Duration::from_millis(4);
/// Messages of our own that wait for the broker's client, and how long they wait for its acknowledgement.
pub const BROKER_OUTGOING_MAX: usize = 64;
pub const BROKER_OUTGOING_WAIT: Duration = Duration::from_secs(15);
/// Clients of the endpoint whose sessions are kept, and the file for them: a line of about 100 bytes each.
pub const MQTT_SESSIONS_MAX: usize = 1_024;
pub const MQTT_SESSIONS_FILE_BYTES_MAX: u64 = 4 * 1_024 * 1_024;
/// Lines in the log for one reason of closing: a device that connects wrongly does so every few seconds.
pub const CLOSED_LINES_PAUSE: Span = Span::minutes(10);

// --- demo ---

/// Messages of the demo that wait for their acknowledgement: about half a simulated hour of three bays.
pub const DEMO_INFLIGHT_MAX: u16 = 100;
/// Messages that the demo's client holds before it makes the farm wait.
pub const DEMO_QUEUE_LENGTH: usize = 64;
/// Faster than this the probes' five minutes are over before their messages are.
pub const DEMO_SPEED_MAX: i64 = 100_000;
/// Pause before the demo's client tries the endpoint again.
pub const DEMO_RECONNECT: Duration = Duration::from_millis(50);

// --- troubles of the daemon ---

/// Below this the card is called nearly full: some years of readings, but backups and logs need room too.
pub const DISK_LOW_MB: u64 = 500;
/// Above this it has room again.
pub const DISK_ROOM_AGAIN_MB: u64 = 700;
/// Below this a backup or a repair of the store can fail.
pub const DISK_NEARLY_FULL_MB: u64 = 100;
/// A broker or a clock that is away for less is no trouble yet: both need some seconds at every start.
pub const TROUBLE_LEAST: Span = Span::minutes(1);
/// That the records were damaged stands on the page for so long: everybody has looked by then.
pub const RECORDS_DAMAGED_SHOWN: Span = Span::hours(24);
/// A channel that fails for so long is a trouble of its own: a router that starts again takes minutes.
pub const CHANNEL_TROUBLE: Span = Span::hours(1);

// --- signs of life ---

/// Every organ gives a sign at least this often, idle or not.
pub const SIGN_EVERY: Span = Span::seconds(15);
/// Broker, clock, card and channels are looked at as often: a withheld heartbeat is then at most this late.
pub const VITALS_EVERY: Span = Span::seconds(5);
/// An organ without a sign for so long is dead. A card may need half a minute for one commit.
pub const SIGN_PATIENCE: Span = Span::seconds(90);

// --- daily summary ---

/// What quiet hours held waits so long for the summary: one look in the morning, not two.
pub const SUMMARY_SOON: Span = Span::hours(1);
/// A held mail goes out by itself if the summary that should take it along has not come by then.
pub const SUMMARY_GRACE: Span = Span::minutes(5);

/// More than a phone shows on one screen is not read.
pub const SUMMARY_LINES_MAX: usize = 12;
/// Incidents named in the summary; the rest are on the page.
pub const SUMMARY_INCIDENTS_MAX: usize = 8;
/// Beginning of the day's job in a subject.
pub const SUBJECT_CHARS_SHOWN: usize = 60;
/// What is entered on a pile within this of a text about it counts as acting on it.
pub const TEXT_ANSWERED_WITHIN: Span = Span::hours(24);
/// A battery below this is named.
pub const BATTERY_NOTED_PERCENT: f64 = 30.0;
/// A channel that has not worked for so long is asked to be tried.
pub const CHANNEL_PROOF: Span = Span::days(35);
/// What the chart of a pile shows.
pub const CHART_WINDOW: Span = Span::days(7);
/// The chart's line breaks where no time would be proven either.
pub const CHART_GAP: Span = Span::hours(4);

// --- recorder ---

/// Readings of one series that are read from the store at a time when a day is judged again: half a megabyte.
pub const HISTORY_SLICE_READINGS: usize = 20_000;
/// Lots of messages that wait for the recorder; when it is full the ways in stop reading, and the senders keep the rest.
pub const RECORDER_QUEUE: usize = 256;
/// A commit is due when the queue is empty and so many are unacknowledged: what a broker sends at first without.
pub const COMMIT_UNACKNOWLEDGED: usize = 20;
/// With so many messages a commit waits for no more, even if the last one was just now.
pub const COMMIT_AT_ONCE: usize = 64;
/// So soon after the last commit the next one waits a moment for more messages.
pub const COMMIT_GATHER_WITHIN: Span = Span(2);
/// That moment, and how many of them at most.
pub const COMMIT_GATHER: Duration = Duration::from_micros(250);
pub const COMMIT_GATHER_TIMES: usize = 4;
/// A commit is due with so many readings, whether or not the queue is empty.
pub const COMMIT_READINGS_MAX: usize = 5_000;
/// Readings that wait in memory while the store cannot be written; beyond it messages stay unacknowledged.
pub const WAITING_READINGS_MAX: usize = 50_000;
/// First and longest pause before a store that failed is opened again.
pub const REOPEN_PAUSE_FIRST: Span = Span::seconds(1);
pub const REOPEN_PAUSE_MAX: Span = Span::minutes(1);
/// First and longest pause between two tries to open the records at the start.
pub const START_PAUSE_FIRST: Span = Span::seconds(5);
pub const START_PAUSE_MAX: Span = Span::minutes(1);
/// How far an entry may be dated ahead of the clock: a watch that is a little fast.
pub const ENTRY_AHEAD_MAX: Span = Span::minutes(5);
/// Longest note of an entry, in characters: as the description of the API counts.
pub const NOTE_CHARS_MAX: usize = 2_000;
/// A run that broke with less counted is not worth an entry in the log.
pub const RUN_WORTH_AN_ENTRY: Span = Span::hours(12);
/// Largest file that `heapward import` reads, and readings that it commits at a time.
pub const IMPORT_FILE_BYTES_MAX: u64 = 256 << 20;
pub const IMPORT_SLICE_READINGS: usize = 5_000;
/// Columns of the record's chart: more than a printer shows side by side on a page.
pub const RECORD_CHART_COLUMNS: i64 = 480;
/// Gaps of one spot that a record lists; of more the longest.
pub const RECORD_GAPS_MAX: usize = 12;
/// Ended runs that a record lists for each rule; all of them are in its `verdict.json`.
pub const RECORD_BREAKS_MAX: usize = 12;
/// Rows of the log and of hand readings in a document, so that it can be read; all of them are in its tables.
pub const RECORD_LOG_ROWS_MAX: usize = 300;
/// Entries of the whole log that are looked at in one go for those about the records themselves.
pub const RECORD_LOG_SLICE: usize = 5_000;
/// Incidents in a document: a pile with more has other troubles.
pub const RECORD_INCIDENTS_MAX: usize = 200;
/// A file of a record's folder that is checked: readings of ten probes in a year of minutes are 250 MB.
pub const VERIFY_FILE_BYTES_MAX: u64 = 512 << 20;
/// Days of mails that are compared at once: a season of them.
pub const VERIFY_HEADS_MAX: usize = 400;
/// Sealing of the store.
pub const SEAL_EVERY: Span = Span::hours(6);
/// Pages of the database kept in memory beside those that the system keeps of the file anyway: a Pi has 512 MB for
/// everything, and a seal of a farm writes some 50 of them.
pub const STORE_CACHE_BYTES: usize = 1 << 20;
/// Readings given out by one call: a year of minutes is read in six calls, and a call holds 5 MB at most.
pub const RANGE_READINGS_MAX: usize = 100_000;
/// Different values kept for one instant of a series. Two are a conflict already; a probe that stamps everything
/// alike must still fit into one block.
pub const VALUES_PER_INSTANT_MAX: usize = 256;
/// Last instant that can be stored, the end of the year 9999: what RFC 3339 can print. The first is 1970.
pub const INSTANT_MAX_MS: i64 = 253_402_300_799_999;
/// How often time is looked at: deadlines of rules, reminders, sealing.
pub const TICK_EVERY: Span = Span::seconds(1);
/// A part that has not stopped after this is left behind, so that the service manager need not kill.
pub const STOP_SECONDS_MAX: u64 = 10;
/// Stretch of a summary's chart, and the time that one point of it stands for.
pub const SUMMARY_CHART_DAYS: i64 = 7;
pub const SUMMARY_CHART_STEP: Span = Span::hours(1);
/// Pause before a summary that could not be made is tried again.
pub const SUMMARY_RETRY: Span = Span::minutes(1);
/// Threads for network and pages; the store has its own.
pub const WORKER_THREADS: usize = 2;

// --- mix ---

/// A table of feedstocks is a page or two of text.
pub const FEEDSTOCK_FILE_BYTES_MAX: u64 = 256 * 1024;
/// Nobody has more kinds of stuff to mix.
pub const FEEDSTOCKS_MAX: usize = 500;
/// A mix of more feedstocks than this is none that anybody forks.
pub const MIX_LINES_MAX: usize = 24;
/// An amount, and where it came from.
pub const MIX_LINE_BYTES_MAX: usize = 300;

// --- season ---

/// A plan of beds is a page or two of text.
pub const SEASON_FILE_BYTES_MAX: u64 = 256 * 1024;
/// Beds of one plan: more are not read on a phone.
pub const SEASON_BEDS_MAX: usize = 100;

// --- store ---

/// A block of so many bytes under its key of twelve fills a page of the database to the last byte.
pub const BLOCK_BYTES_MAX: usize = 4_076;
/// Readings in a block, however well they compress: what a query for an hour may have to decode.
pub const BLOCK_READINGS_MAX: usize = 16_384;
/// Decoded blocks kept for readings that come late, one for each of so many series: 36 KB each.
pub const LOOKUP_BLOCKS_MAX: usize = 32;
/// Series of one slice of sealing: a farm is two slices, a fleet of 1,000 is sixty. What a slice writes anew is dead space
/// until the next but one: large slices make a large database.
pub const SEAL_SLICE_SERIES: usize = 16;
/// Readings after which a slice takes no further series: a tenth of a second of work here.
pub const SEAL_SLICE_READINGS: usize = 100_000;
/// Size of the side log: two hours of a commit every five seconds before three quarters are full.
pub const SIDE_LOG_BYTES: u64 = 8 << 20;
/// Readings in one frame of the side log; more are written as several.
pub const FRAME_READINGS_MAX: usize = 20_000;
/// Blocks read in one read transaction: 4 MB, and well under a second on a card that gives 2,000 pages a second. Four
/// and a half years of minutes of a probe.
pub const LOOK_BLOCKS_MAX: usize = 1_024;
/// After the end of a UTC day so long is waited for readings of it: a gateway that buffers a day is in time.
pub const RECORD_LATENESS: Span = Span::minutes(26 * 60 + 10);
/// Late readings listed by one section; what is over goes into the next.
pub const RECORD_LATE_LINES_MAX: usize = 20_000;
/// Entries in one section; what is over goes into the next.
pub const RECORD_ENTRIES_MAX: usize = 10_000;
/// Damaged files that are kept before the store refuses to set more aside: two of one day and two of the next.
pub const SET_ASIDE_MAX: usize = 4;
/// Rows of a copy in one transaction: a megabyte of blocks is in memory at a time.
pub const BACKUP_ROWS_PER_COMMIT: usize = 256;
/// Tries to copy a store that is being written; a seal lasts a second, and the next comes hours later.
pub const BACKUP_TRIES: u32 = 5;
/// An older backup is spoken of: what a pile has proven by then takes a month to prove again.
pub const BACKUP_OLD: Span = Span::days(30);
/// When the nightly copy is made: after the store has sealed the day at midnight, before anybody looks.
pub const BACKUP_AT: NaiveTime = match NaiveTime::from_hms_opt(2, 30, 0) {
    Some(time) => time,
    None => NaiveTime::MIN,
};
/// Nightly copies that are kept: two weeks, in which somebody notices that something is wrong with the records.
pub const BACKUPS_KEPT: u16 = 14;
/// More than a year of them is a typing error.
pub const BACKUPS_KEPT_MAX: u16 = 400;
/// Pause after a copy that failed: a stick that was pulled out comes back within the day.
pub const BACKUP_RETRY: Span = Span::minutes(30);
/// Without a copy for so long somebody is told; until then the daily summary says when the last one was made.
pub const BACKUP_TROUBLE: Span = Span::hours(48);
/// A smaller database is not compacted: what could be won is not worth the writing.
pub const COMPACT_BYTES_MIN: u64 = 64 << 20;
/// Compaction is not begun again after so long; the farm waits for its start.
pub const COMPACT_SECONDS_MAX: u64 = 30;
