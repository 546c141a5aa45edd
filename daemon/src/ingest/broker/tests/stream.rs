//! Only a stream of messages is read with rests. A message is acknowledged here a little after it was handed in, which
//! is while the connection rests, if it does: then the acknowledgement goes out after the rest.
//!
//! Another program may hold up single messages for as long as a rest, on a machine that is busy. So most of many decide,
//! in the best of some rounds.

use std::thread;

use tokio::net::TcpListener;

use super::by_hand::{accept, deliver, puback};
use super::*;
use crate::limits::{BROKER_STREAM_REST, BROKER_STREAM_WITHIN};

const ROUNDS: i32 = 5;
const MESSAGES: i32 = 40;

/// Of so many messages, each published some time after the former was acknowledged: in how many a rest stood before the
/// acknowledgement. The fewest or the most of some rounds.
async fn rests(pause: Duration, best: fn(i32, i32) -> i32) -> i32 {
    let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let here = barn(broker_at(listener.local_addr().unwrap().port()));
    here.commits.store(false, Ordering::SeqCst);
    let (mut stream, mut input) = accept(&listener, false).await;
    stream.set_nodelay(true).unwrap();
    let (mut number, mut found) = (0, None);
    for _ in 0..ROUNDS {
        let mut rests = 0;
        for _ in 0..MESSAGES {
            number += 1;
            let packet_id = u16::try_from(number).unwrap();
            // No timer wakes as exactly as this.
            thread::sleep(pause);
            let began = Instant::now();
            deliver(&mut stream, packet_id, number).await;
            commit_soon(&here);
            let acknowledged = puback(&mut stream, &mut input, Duration::from_secs(10)).await;
            assert_eq!(acknowledged, Some(packet_id));
            rests += i32::from(began.elapsed() >= BROKER_STREAM_REST);
        }
        found = Some(found.map_or(rests, |found| best(found, rests)));
    }
    assert_eq!(here.values().len(), usize::try_from(number).unwrap());
    here.stop().await;
    println!("{found:?} of {MESSAGES} with a rest at pauses of {pause:?}");
    found.unwrap()
}

/// Commits the one message that waits, a fifth of a rest after it was handed in.
fn commit_soon(here: &Barn) {
    while here.acks.lock().unwrap().is_empty() {
        thread::yield_now();
    }
    let handed_in = Instant::now();
    while handed_in.elapsed() < BROKER_STREAM_REST / 5 {
        thread::yield_now();
    }
    Ack::settle_all(std::mem::take(&mut *here.acks.lock().unwrap()), true);
}

#[tokio::test(flavor = "multi_thread")]
async fn a_message_that_comes_alone_is_handled_at_once() {
    let rests = rests(BROKER_STREAM_WITHIN + BROKER_STREAM_REST, i32::min).await;
    assert!(rests < MESSAGES / 4, "{rests}");
}

#[tokio::test(flavor = "multi_thread")]
async fn messages_that_follow_one_another_closely_are_read_with_rests() {
    let rests = rests(Duration::ZERO, i32::max).await;
    assert!(rests > MESSAGES * 3 / 4, "{rests}");
}
