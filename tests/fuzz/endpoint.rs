//! Bytes on the socket of the endpoint. Whatever comes, others are served.

use std::io::{Read, Write};
use std::net::{SocketAddr, TcpStream};
use std::sync::Arc;
use std::sync::atomic::Ordering;
use std::time::Duration;

use heapward::clock::{SharedClock, SystemClock};
use heapward::ingest::{Ingest, Parts, start};
use heapward::recorder::{Command, Handle};
use heapward_rules::units::At;

use super::{corpus, mutate, repeat, seed};

const CONNECT: [u8; 18] = [0x10, 16, 0, 4, b'M', b'Q', b'T', b'T', 4, 2, 0, 60, 0, 4, b'f', b'u', b'z', b'z'];

/// With an id of its own, so that no other connection takes it over.
const HONEST: [u8; 20] =
    [0x10, 18, 0, 4, b'M', b'Q', b'T', b'T', 4, 2, 0, 60, 0, 6, b'h', b'o', b'n', b'e', b's', b't'];

/// An endpoint with a recorder that keeps nothing.
pub(crate) async fn endpoint(clock: SharedClock) -> (SocketAddr, Ingest, tokio::sync::oneshot::Sender<()>) {
    let listener = tokio::net::TcpListener::bind("127.0.0.1:0").await.unwrap();
    let address = listener.local_addr().unwrap();
    let (recorder, mut commands) = Handle::new(256);
    tokio::spawn(async move {
        while let Some(command) = commands.recv().await {
            if let Command::Readings { acks, .. } = command {
                heapward::recorder::Ack::settle_all(acks, true);
            }
        }
    });
    let (stop, stopped) = tokio::sync::oneshot::channel::<()>();
    let parts = Parts {
        clock,
        recorder,
        probes: corpus::probes(),
        newest: At::MIN,
        endpoint: Some((listener, Vec::new())),
        sessions: None,
        broker: None,
    };
    let ingest = start(parts, async move { drop(stopped.await) }).unwrap();
    (address, ingest, stop)
}

/// Whole packets to start from: PUBLISH with QoS 0, 1 and 2, SUBSCRIBE, UNSUBSCRIBE, PINGREQ, DISCONNECT, CONNECT.
fn packets() -> Vec<Vec<u8>> {
    let publish = |qos: u8, payload: &[u8]| {
        let id: &[u8] = if qos == 0 { &[] } else { &[0, 7] };
        let body = [&[0, 11], &b"quillback/0"[..], id, payload].concat();
        [&[0x30 | (qos << 1), u8::try_from(body.len()).unwrap()], &body[..]].concat()
    };
    vec![
        publish(0, b"62.4"),
        publish(1, b"62.4"),
        publish(2, b"62.4"),
        vec![0x82, 8, 0, 9, 0, 3, b'a', b'/', b'#', 1],
        vec![0xa2, 7, 0, 10, 0, 3, b'a', b'/', b'#'],
        vec![0xc0, 0],
        vec![0xe0, 0],
        CONNECT.to_vec(),
    ]
}

/// Whether an honest client is served: connected, and its reading acknowledged.
pub(crate) fn is_served(address: SocketAddr) -> bool {
    let mut stream = TcpStream::connect(address).unwrap();
    stream.set_read_timeout(Some(Duration::from_secs(10))).unwrap();
    stream.write_all(&HONEST).unwrap();
    stream.write_all(&packets()[1]).unwrap();
    let mut answer = [0; 8];
    stream.read_exact(&mut answer).unwrap();
    answer == [0x20, 2, 0, 0, 0x40, 2, 0, 7]
}

#[test]
fn no_bytes_on_the_socket_stop_the_endpoint() {
    let runtime = tokio::runtime::Runtime::new().unwrap();
    let (address, ingest, stop) = runtime.block_on(endpoint(Arc::new(SystemClock::new(true))));
    let all = packets();
    let panics = super::count_panics();
    let mut random = mutate::Random::new(seed("endpoint"));
    let runs = repeat(|n| {
        let mut bytes: Vec<u8> = if n % 4 == 0 { Vec::new() } else { CONNECT.to_vec() };
        for _ in 0..random.below(6) {
            bytes.extend_from_slice(random.one_of(&all).as_slice());
        }
        mutate::mutate(&mut bytes, &all, &mut random);
        let mut stream = TcpStream::connect(address).unwrap();
        // It may be closed before all of it is written.
        let _ = stream.write_all(&bytes);
        if n % 200 == 0 {
            assert!(is_served(address));
        }
    });
    println!("endpoint: {runs} connections, {:?}", ingest.handle().status().endpoint.unwrap().closed);
    assert!(is_served(address));
    stop.send(()).unwrap();
    runtime.block_on(async {
        tokio::time::timeout(Duration::from_secs(20), ingest.finished()).await.expect("stopped");
    });
    // A connection has a task of its own: its panic would be seen nowhere else.
    assert_eq!(panics.load(Ordering::Relaxed), 0, "panics");
}
