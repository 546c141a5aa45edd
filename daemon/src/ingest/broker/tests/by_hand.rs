//! A broker written by hand, which does what a real one seldom does.

use std::net::SocketAddr;

use bytes::BytesMut;
use rumqttc::mqttbytes::v4::{ConnAck, ConnectReturnCode, Publish, SubAck, SubscribeReasonCode};
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::TcpListener;

use super::*;
use crate::limits::BROKER_PAUSE_MIN;

/// One connection of the broker by hand: lets a client in, and answers its subscription.
pub(super) async fn accept(listener: &TcpListener, session_present: bool) -> (TcpStream, BytesMut) {
    let (mut stream, _) =
        timeout(Duration::from_secs(10), listener.accept()).await.expect("a connection").unwrap();
    let mut input = BytesMut::new();
    let mut output = BytesMut::new();
    assert!(
        matches!(next(&mut stream, &mut input).await, Some(Packet::Connect(connect)) if !connect.clean_session)
    );
    Packet::ConnAck(ConnAck::new(ConnectReturnCode::Success, session_present))
        .write(&mut output, 1_024)
        .unwrap();
    stream.write_all(&output).await.unwrap();
    loop {
        if let Some(Packet::Subscribe(subscribe)) = next(&mut stream, &mut input).await {
            output.clear();
            let codes = vec![SubscribeReasonCode::Success(QoS::AtLeastOnce); subscribe.filters.len()];
            Packet::SubAck(SubAck::new(subscribe.pkid, codes)).write(&mut output, 1_024).unwrap();
            stream.write_all(&output).await.unwrap();
            return (stream, input);
        }
    }
}

async fn next(stream: &mut TcpStream, input: &mut BytesMut) -> Option<Packet> {
    loop {
        if let Ok(packet) = Packet::read(input, 64 * 1_024) {
            return Some(packet);
        }
        if stream.read_buf(input).await.unwrap_or(0) == 0 {
            return None;
        }
    }
}

pub(super) async fn deliver(stream: &mut TcpStream, packet_id: u16, number: i32) {
    let payload = format!(r#"{{"c":{number},"t":{}}}"#, *START + i64::from(number));
    let mut message = Publish::new(format!("{FARM}/k1"), QoS::AtLeastOnce, payload);
    message.pkid = packet_id;
    let mut output = BytesMut::new();
    Packet::Publish(message).write(&mut output, 1_024).unwrap();
    stream.write_all(&output).await.unwrap();
}

/// The next PUBACK within a time.
pub(super) async fn puback(stream: &mut TcpStream, input: &mut BytesMut, within: Duration) -> Option<u16> {
    let answer = async {
        loop {
            match next(stream, input).await {
                Some(Packet::PubAck(ack)) => return Some(ack.pkid),
                Some(_) => {}
                None => return None,
            }
        }
    };
    timeout(within, answer).await.unwrap_or(None)
}

#[tokio::test(flavor = "multi_thread")]
async fn an_acknowledgement_of_a_lost_session_is_never_sent_for_another_message() {
    let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let address: SocketAddr = listener.local_addr().unwrap();
    let here = barn(broker_at(address.port()));
    here.commits.store(false, Ordering::SeqCst);
    let (mut first, _) = accept(&listener, false).await;
    deliver(&mut first, 1, 100).await;
    until("the first message", || here.acks.lock().unwrap().len() == 1).await;
    drop(first);
    // The session is lost: packet id 1 is another message now, and that one is not committed yet.
    let (mut second, mut input) = accept(&listener, false).await;
    deliver(&mut second, 1, 200).await;
    until("the second message", || here.acks.lock().unwrap().len() == 2).await;
    let of_first = here.acks.lock().unwrap().remove(0);
    of_first.settle(true);
    assert_eq!(puback(&mut second, &mut input, Duration::from_secs(1)).await, None);
    let of_second = here.acks.lock().unwrap().remove(0);
    of_second.settle(true);
    assert_eq!(puback(&mut second, &mut input, Duration::from_secs(5)).await, Some(1));
    here.stop().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_broker_that_throws_us_out_again_and_again_is_a_second_program_with_our_id() {
    let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let port = listener.local_addr().unwrap().port();
    let here = barn(broker_at(port));
    for _ in 0..3 {
        let (stream, _) = accept(&listener, true).await;
        drop(stream);
    }
    until("recognised", || here.trouble().contains("client id `heapward-test`")).await;
    // Now it leaves the other one alone for minutes.
    let knock = timeout(BROKER_PAUSE_MIN * 10, listener.accept()).await;
    assert!(knock.is_err());
    here.stop().await;
}
