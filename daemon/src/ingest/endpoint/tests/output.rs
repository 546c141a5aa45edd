//! What is sent to a client that does not read: how much may wait for it, and how long. Each limit met exactly, and by
//! one more.

use rumqttc::mqttbytes::v4::Publish;
use tokio::net::TcpSocket;

use super::*;
use crate::ingest::endpoint::close::Close;
use crate::ingest::endpoint::speech::Speech;
use crate::limits::{MQTT_OUTPUT_BYTES_MAX, MQTT_STALL_SECONDS_MAX};

/// The system takes so little for a connection that most of what is said waits with us.
const SYSTEM_BYTES: u32 = 4_096;
const PING: [u8; 2] = [0xc0, 0];

/// A message of ours of so many bytes, from 14 to 129.
fn message(length: usize) -> Packet {
    Packet::Publish(Publish::new("heapward/l", QoS::AtMostOnce, vec![b'7'; length - 14]))
}

#[tokio::test]
async fn so_many_bytes_may_wait_for_a_client_and_not_one_more() {
    let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let address = listener.local_addr().unwrap();
    let (client, stream) = tokio::join!(TcpStream::connect(address), listener.accept());
    let (mut client, mut speech) = (client.unwrap(), Speech::new(stream.unwrap().0));
    let fill = |speech: &mut Speech, mut bytes: usize| {
        while bytes > 0 {
            let length = if bytes > 200 { 100 } else { bytes.div_ceil(2).max(bytes.min(100)) };
            speech.say(&message(length)).unwrap();
            bytes -= length;
        }
    };
    fill(&mut speech, MQTT_OUTPUT_BYTES_MAX);
    assert!(matches!(speech.say(&message(14)), Err(Close::NotReading)));
    // What it has read waits no more, and there is room again.
    let mut told = 0;
    while speech.has_output() {
        speech.flush().unwrap();
        let mut bytes = vec![0; 64 * 1_024];
        told += client.read(&mut bytes).await.unwrap();
    }
    assert!(speech.stuck().is_none());
    fill(&mut speech, MQTT_OUTPUT_BYTES_MAX - 14);
    assert!(matches!(speech.say(&message(15)), Err(Close::NotReading)));
    assert!(told > 0);
}

/// A client that has been let in, and takes nothing of what it is sent.
async fn deaf_client(barn: &Barn) -> TcpStream {
    let socket = TcpSocket::new_v4().unwrap();
    socket.set_recv_buffer_size(SYSTEM_BYTES).unwrap();
    let mut stream = socket.connect(barn.address).await.unwrap();
    stream.write_all(&connect("r1", 0)).await.unwrap();
    stream.read_exact(&mut [0; 4]).await.unwrap();
    stream
}

fn barn_with_little_room() -> Barn {
    let socket = TcpSocket::new_v4().unwrap();
    // Connections that are accepted have it from the one that listens.
    socket.set_send_buffer_size(SYSTEM_BYTES).unwrap();
    socket.bind("127.0.0.1:0".parse().unwrap()).unwrap();
    barn_at(socket.listen(16).unwrap(), Vec::new())
}

#[tokio::test(start_paused = true)]
async fn a_client_that_reads_nothing_is_closed_after_so_long_and_one_that_reads_a_little_is_not() {
    let barn = barn_with_little_room();
    let mut stream = deaf_client(&barn).await;
    stream.write_all(&PING.repeat(60_000)).await.unwrap();
    let second = Duration::from_secs(1);
    // Its clock starts with the last byte that it took: for some time it takes one piece just before the end.
    for _ in 0..3 {
        tokio::time::sleep(Duration::from_secs(MQTT_STALL_SECONDS_MAX - 1)).await;
        let mut bytes = vec![0; 16 * 1_024];
        let count = stream.read(&mut bytes).await.unwrap();
        assert!(count > 0 && bytes[..count].iter().all(|byte| [0xd0, 0].contains(byte)));
        // The system of the machine tells the endpoint, in time that does not stand still.
        std::thread::sleep(Duration::from_millis(100));
        tokio::time::sleep(Duration::from_millis(1)).await;
    }
    assert_eq!(barn.closed(), []);
    let began = Instant::now();
    while barn.closed().is_empty() && began.elapsed() < second * 60 {
        tokio::time::sleep(Duration::from_millis(100)).await;
    }
    assert_eq!(barn.closed(), [("not-reading", 1)]);
    let (waited, limit) = (began.elapsed(), Duration::from_secs(MQTT_STALL_SECONDS_MAX));
    assert!(waited + second / 10 >= limit && waited < limit + second / 5, "{waited:?}");
}

/// It asks and asks, and takes no answer.
#[tokio::test(flavor = "multi_thread")]
async fn a_client_for_which_too_much_waits_is_closed_at_once_and_harms_nobody() {
    let barn = barn_with_little_room();
    let mut stream = deaf_client(&barn).await;
    let asking = tokio::spawn(async move {
        while stream.write_all(&PING.repeat(1_000)).await.is_ok() {}
        stream
    });
    until("closed", || barn.closed() == [("not-reading", 1)]).await;
    assert!(barn.mosquitto_pub(&["-q", "1", "-t", "quillback/k2", "-m", "144.3"]).await.status.success());
    assert_eq!(barn.values(), [144.3]);
    drop(asking.await.unwrap());
}
