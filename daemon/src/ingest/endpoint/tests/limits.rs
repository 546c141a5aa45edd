//! Each limit met exactly, and by one more. The limit of clients is in `tests/e2e/ingest/clients.rs`; that of sessions
//! stands beside them.

use bytes::Bytes;

use super::*;
use crate::limits::{
    MQTT_CONNECT_BYTES_MAX, MQTT_CONNECT_SECONDS_MAX, MQTT_FILTERS_MAX, MQTT_IDLE_SECONDS_MAX,
    MQTT_OUTGOING_MAX, MQTT_PACKET_BYTES_MAX, MQTT_PACKET_SECONDS_MAX, MQTT_RETAINED_MAX,
    MQTT_UNFINISHED_MAX, MQTT_USELESS_PER_SECOND_MAX, MQTT_WRONG_PASS_MILLIS,
};

/// The first byte of a packet and the length of what follows.
fn head(first: u8, mut length: usize) -> Vec<u8> {
    let mut head = vec![first];
    loop {
        let digit = u8::try_from(length % 128).unwrap();
        length /= 128;
        head.push(if length > 0 { digit | 0x80 } else { digit });
        if length == 0 {
            return head;
        }
    }
}

/// A CONNECT whose length is `length`.
fn long_connect(length: usize) -> Vec<u8> {
    let id = vec![b'r'; length - 12];
    let id_length = u16::try_from(id.len()).unwrap().to_be_bytes();
    let fixed = [0, 4, b'M', b'Q', b'T', b'T', 4, 2, 0, 60];
    [&head(0x10, length)[..], &fixed, &id_length, &id].concat()
}

/// A message with QoS 1 whose length is `length`.
fn long_publish(length: usize) -> Vec<u8> {
    let topic = b"quillback/k2";
    let start = [&head(0x32, length)[..], &[0, 12], topic, &[0, 1]].concat();
    [start, vec![b'7'; length - 2 - topic.len() - 2]].concat()
}

fn pass() -> PassConfig {
    PassConfig {
        user: "shed".to_owned(),
        password: Secret::new("heron"),
        topics: vec!["quillback/k2".to_owned()],
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn packets_as_long_as_they_may_be_and_by_one_byte_too_long() {
    let barn = barn(Vec::new()).await;
    let too_large = || barn.closed().iter().find(|(word, _)| *word == "too-large").map_or(0, |(_, n)| *n);
    let mut stream = barn.raw().await;
    stream.write_all(&long_connect(MQTT_CONNECT_BYTES_MAX)).await.unwrap();
    assert_eq!(read(&mut stream, 4).await, [0x20, 2, 0, 0]);
    // Its payload is longer than what is read for values, which is told to the grower and not to the device.
    stream.write_all(&long_publish(MQTT_PACKET_BYTES_MAX)).await.unwrap();
    assert_eq!(read(&mut stream, 4).await, [0x40, 2, 0, 1]);
    assert_eq!(too_large(), 0);
    // Closed at its first bytes: the rest may find nobody who takes it.
    let _ = stream.write_all(&long_publish(MQTT_PACKET_BYTES_MAX + 1)).await;
    assert!(read_to_end(&mut stream).await.is_empty());
    until("the packet was too large", || too_large() == 1).await;
    let mut stream = barn.raw().await;
    let _ = stream.write_all(&long_connect(MQTT_CONNECT_BYTES_MAX + 1)).await;
    assert!(read_to_end(&mut stream).await.is_empty());
    until("the CONNECT was too large", || too_large() == 2).await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_client_has_so_many_subscriptions_and_no_more() {
    let barn = barn(Vec::new()).await;
    let mut stream = barn.raw_guest(60).await;
    let filter = |n| format!("\0\u{3}a{n:02}\0").into_bytes();
    let filters: Vec<u8> = (0..=MQTT_FILTERS_MAX).flat_map(filter).collect();
    let subscribe = [&head(0x82, 2 + filters.len())[..], &[0, 9], &filters].concat();
    stream.write_all(&subscribe).await.unwrap();
    let answer = read(&mut stream, 4 + MQTT_FILTERS_MAX + 1).await;
    let (granted, refused) = answer[4..].split_at(MQTT_FILTERS_MAX);
    assert!(granted.iter().all(|code| *code == 0) && refused == [0x80], "{answer:02x?}");
}

#[tokio::test(flavor = "multi_thread")]
async fn nothing_more_is_read_while_so_many_messages_are_unfinished() {
    let barn = barn(Vec::new()).await;
    barn.commits.store(false, Ordering::SeqCst);
    let mut stream = barn.raw_guest(60).await;
    let all = MQTT_UNFINISHED_MAX + 6;
    let timed = format!(r#"{{"c":62.4,"t":{}}}"#, now_ms());
    let messages: Vec<u8> = (0..all).flat_map(|_| publish(1, 1, "quillback/k1", &timed)).collect();
    stream.write_all(&messages).await.unwrap();
    let waiting = || barn.acks.lock().unwrap().len();
    until("as many as may be unfinished", || waiting() == MQTT_UNFINISHED_MAX).await;
    tokio::time::sleep(Duration::from_millis(300)).await;
    assert_eq!(waiting(), MQTT_UNFINISHED_MAX);
    let first = barn.acks.lock().unwrap().remove(0);
    first.settle(true);
    assert_eq!(read(&mut stream, 4).await, [0x40, 2, 0, 1]);
    until("one more", || waiting() == MQTT_UNFINISHED_MAX).await;
    barn.commits.store(true, Ordering::SeqCst);
    Ack::settle_all(std::mem::take(&mut *barn.acks.lock().unwrap()), true);
    assert_eq!(read(&mut stream, 4 * (all - 1)).await.len(), 4 * (all - 1));
}

/// Time stands still but where everybody waits.
#[tokio::test(start_paused = true)]
async fn useless_messages_of_a_second_are_taken_up_to_the_limit() {
    let barn = barn(vec![pass()]).await;
    let limit = usize::try_from(MQTT_USELESS_PER_SECOND_MAX).unwrap();
    for (count, waits) in [(limit - 1, false), (limit, true)] {
        let mut stream = barn.raw().await;
        let login = b"\0\x02r1\0\x04shed\0\x05heron";
        let fixed = [0, 4, b'M', b'Q', b'T', b'T', 4, 0xc2, 0, 60];
        stream.write_all(&[&head(0x10, 10 + login.len())[..], &fixed, login].concat()).await.unwrap();
        assert_eq!(read(&mut stream, 4).await, [0x20, 2, 0, 0]);
        let began = Instant::now();
        let mut bytes: Vec<u8> = (0..count).flat_map(|_| publish(0, 0, "a/b", "1")).collect();
        bytes.extend([0xc0, 0]);
        stream.write_all(&bytes).await.unwrap();
        assert_eq!(read(&mut stream, 2).await, [0xd0, 0]);
        let waited = began.elapsed();
        assert_eq!(waited >= Duration::from_millis(900), waits, "{count}: {waited:?}");
    }
}

#[tokio::test(start_paused = true)]
async fn what_is_waited_for_is_waited_for_so_long() {
    let barn = barn(Vec::new()).await;
    let half = publish(1, 1, "quillback/k2", "141.5")[..7].to_vec();
    let table: [(&[u8], u64, &str); 3] = [
        (&[], MQTT_CONNECT_SECONDS_MAX, "no-connect"),
        (&half, MQTT_PACKET_SECONDS_MAX, "unfinished"),
        (&[], MQTT_IDLE_SECONDS_MAX, "silent"),
    ];
    for (bytes, seconds, word) in table {
        let mut stream = barn.raw().await;
        if word != "no-connect" {
            stream.write_all(&connect("r1", 0)).await.unwrap();
            stream.read_exact(&mut [0; 4]).await.unwrap();
        }
        let began = Instant::now();
        stream.write_all(bytes).await.unwrap();
        let mut said = Vec::new();
        let _ = stream.read_to_end(&mut said).await;
        assert!(said.is_empty(), "{word}");
        let (waited, limit) = (began.elapsed(), Duration::from_secs(seconds));
        assert!(waited >= limit && waited < limit + Duration::from_secs(2), "{word}: {waited:?}");
        assert!(barn.closed().contains(&(word, 1)), "{word}: {:?}", barn.closed());
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn a_wrong_pass_is_answered_late() {
    let barn = barn(vec![pass()]).await;
    let mut stream = barn.raw().await;
    let began = Instant::now();
    stream.write_all(&connect("r1", 60)).await.unwrap();
    assert_eq!(read(&mut stream, 4).await, [0x20, 2, 0, 4]);
    assert!(began.elapsed() >= Duration::from_millis(MQTT_WRONG_PASS_MILLIS));
}

#[test]
fn what_we_publish_is_kept_and_waits_up_to_the_limits() {
    let hub = Hub::default();
    let mut waiting = hub.enter(1);
    let topic = |n: usize| format!("heapward/{n}");
    for n in 0..=MQTT_RETAINED_MAX {
        hub.publish(&topic(n), Bytes::from_static(b"on"), true);
    }
    hub.publish(&topic(0), Bytes::from_static(b"off"), true);
    let kept = hub.subscribe(1, "heapward/#", MQTT_FILTERS_MAX).unwrap();
    assert_eq!(kept.len(), MQTT_RETAINED_MAX);
    let of =
        |n| kept.iter().find(|message| message.topic == topic(n)).map(|message| message.payload.to_vec());
    assert_eq!((of(0), of(MQTT_RETAINED_MAX)), (Some(b"off".to_vec()), None));
    let sent = (0..=MQTT_OUTGOING_MAX).map(|n| hub.publish(&topic(n), Bytes::new(), false));
    assert_eq!(sent.sum::<usize>(), MQTT_OUTGOING_MAX);
    assert!(waiting.try_recv().is_ok());
    assert_eq!(hub.publish("heapward/x", Bytes::new(), false), 1);
}
