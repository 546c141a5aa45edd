//! A stretch of our own between the MQTT library and the broker, for two things that the library can't do well: TLS
//! with the one TLS library of this program, and passing over messages that are too large. The library gives up the
//! connection at such a message, and a broker that has kept it sends it again on the next one, for ever.
//!
//! The library connects to a socket in a folder that only we can enter; each such connection gets one to the broker.
//! A message that is too large is counted, acknowledged and passed over, whatever its size, without being held in
//! memory.

use std::io;
use std::os::unix::fs::DirBuilderExt;
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, PoisonError};

use bytes::BytesMut;
use rumqttc::mqttbytes::v4::{Packet, PubAck};
use rumqttc::mqttbytes::{self, check};
use tokio::io::{AsyncRead, AsyncReadExt, AsyncWrite, AsyncWriteExt};
use tokio::net::{TcpStream, UnixListener, UnixStream};
use tokio::sync::mpsc;
use tokio::task::JoinHandle;
use tokio::time::{Duration, timeout};

use super::tls::{self, Tls};
use super::trouble;
use crate::clock::SharedClock;
use crate::ingest::reason::Reason;
use crate::ingest::status::Board;
use crate::limits::{
    BROKER_CONNECT_SECONDS_MAX, BROKER_PACKET_BYTES_MAX, MQTT_READ_BYTES, PASSED_OVER_ACKS_MAX,
    TOPIC_BYTES_MAX,
};

/// The relay at work; it ends when it is dropped.
pub(in crate::ingest) struct Relay {
    folder: PathBuf,
    task: JoinHandle<()>,
    trouble: Arc<Mutex<Option<String>>>,
}

/// Where it leads.
#[derive(Clone)]
pub(super) struct Target {
    pub(super) host: String,
    pub(super) port: u16,
    pub(super) tls: Option<Tls>,
    pub(super) board: Arc<Board>,
    pub(super) clock: SharedClock,
}

/// Bytes from the broker, with packets that are too large taken out.
#[derive(Default)]
struct Sieve {
    /// Of a packet that is too large: bytes still to come, and its beginning.
    passing_over: Option<(usize, Vec<u8>)>,
    input: BytesMut,
}

/// What the sieve found.
enum Found {
    /// Bytes to hand on.
    Bytes(BytesMut),
    /// The end of a message that is too large: its topic and, if it wants to be acknowledged, its packet id.
    TooLarge(String, Option<u16>),
    /// More has to come.
    Nothing,
}

trait Stream: AsyncRead + AsyncWrite + Send + Unpin {}
impl<S: AsyncRead + AsyncWrite + Send + Unpin> Stream for S {}

// === impl Relay ===

impl Relay {
    pub(super) fn start(target: Target) -> io::Result<Relay> {
        let number = getrandom::u64().unwrap_or_default();
        let folder = std::env::temp_dir().join(format!("heapward-{}-{number:016x}", std::process::id()));
        std::fs::DirBuilder::new().mode(0o700).create(&folder)?;
        let listener = UnixListener::bind(folder.join("broker"))?;
        let trouble = Arc::<Mutex<Option<String>>>::default();
        let told = Arc::clone(&trouble);
        let task = tokio::spawn(async move {
            while let Ok((client, _)) = listener.accept().await {
                // One connection at a time: the library makes the next one when the last has ended.
                if let Err(sentence) = serve(client, &target).await {
                    *told.lock().unwrap_or_else(PoisonError::into_inner) = Some(sentence);
                }
            }
        });
        Ok(Relay { folder, task, trouble })
    }

    /// The socket for the library.
    pub(super) fn path(&self) -> PathBuf {
        self.folder.join("broker")
    }

    /// What was wrong with the last connection, if it was that the broker could not be reached.
    pub(in crate::ingest) fn take_trouble(&self) -> Option<String> {
        self.trouble.lock().unwrap_or_else(PoisonError::into_inner).take()
    }
}

impl Drop for Relay {
    fn drop(&mut self) {
        self.task.abort();
        remove(&self.folder);
    }
}

fn remove(folder: &Path) {
    if let Err(error) = std::fs::remove_dir_all(folder) {
        tracing::debug!(%error, folder = %folder.display(), "the relay's folder stays behind");
    }
}

/// Serves one connection of the library until one side ends it. The error says why the broker could not be reached.
async fn serve(client: UnixStream, target: &Target) -> Result<(), String> {
    let address = format!("{}:{}", target.host, target.port);
    let patience = Duration::from_secs(BROKER_CONNECT_SECONDS_MAX);
    let connect = TcpStream::connect((target.host.as_str(), target.port));
    let silent = |_| trouble::sentence(&rumqttc::ConnectionError::NetworkTimeout, &address);
    let tcp = timeout(patience, connect).await.map_err(silent)?;
    let tcp = tcp.map_err(|error| trouble::sentence(&rumqttc::ConnectionError::Io(error), &address))?;
    let _ = tcp.set_nodelay(true);
    let broker: Box<dyn Stream> = match &target.tls {
        None => Box::new(tcp),
        Some(tls) => {
            let secured =
                timeout(patience, tls.connector.connect(tls.name.clone(), tcp)).await.map_err(silent)?;
            Box::new(secured.map_err(|error| tls::sentence(&error, &address))?)
        }
    };
    let (from_broker, to_broker) = tokio::io::split(broker);
    let (from_client, to_client) = tokio::io::split(client);
    let (acks, of_passed_over) = mpsc::channel(PASSED_OVER_ACKS_MAX);
    // With TLS 1.3 a refused client certificate shows at the first read.
    tokio::select! {
        end = down(from_broker, to_client, acks, target) => match end {
            Err(error) if error.get_ref().is_some_and(<dyn std::error::Error + Send + Sync>::is::<rustls::Error>) => {
                Err(tls::sentence(&error, &address))
            }
            _ => Ok(()),
        },
        _ = up(from_client, to_broker, of_passed_over) => Ok(()),
    }
}

/// From the broker to the library.
async fn down(
    mut from: impl AsyncRead + Unpin,
    mut to: impl AsyncWrite + Unpin,
    acks: mpsc::Sender<u16>,
    target: &Target,
) -> io::Result<()> {
    let mut sieve = Sieve::default();
    loop {
        match sieve.next()? {
            Found::Bytes(bytes) => to.write_all(&bytes).await?,
            Found::TooLarge(topic, packet_id) => {
                target.board.lock().refuse(&topic, Reason::TooLarge, &[], target.clock.now());
                if let Some(packet_id) = packet_id {
                    let _ = acks.send(packet_id).await;
                }
            }
            Found::Nothing => {
                sieve.input.reserve(MQTT_READ_BYTES);
                if from.read_buf(&mut sieve.input).await? == 0 {
                    return Ok(());
                }
            }
        }
    }
}

/// From the library to the broker, packet by packet, so that acknowledgements of our own fit between them.
async fn up(
    mut from: impl AsyncRead + Unpin,
    mut to: impl AsyncWrite + Unpin,
    mut acks: mpsc::Receiver<u16>,
) -> io::Result<()> {
    let mut input = BytesMut::new();
    loop {
        let whole = whole_packets(&input)?;
        if whole > 0 {
            to.write_all(&input.split_to(whole)).await?;
            to.flush().await?;
        }
        input.reserve(MQTT_READ_BYTES);
        tokio::select! {
            read = from.read_buf(&mut input) => {
                if read? == 0 {
                    return Ok(());
                }
            }
            Some(packet_id) = acks.recv() => {
                let mut ack = BytesMut::new();
                let written = Packet::PubAck(PubAck::new(packet_id)).write(&mut ack, BROKER_PACKET_BYTES_MAX);
                written.map_err(io::Error::other)?;
                to.write_all(&ack).await?;
                to.flush().await?;
            }
        }
    }
}

/// Length of the whole packets at the head of a buffer.
fn whole_packets(input: &BytesMut) -> io::Result<usize> {
    let mut whole = 0;
    loop {
        match check(input.get(whole..).unwrap_or_default().iter(), usize::MAX) {
            Ok(header) => whole += header.frame_length(),
            Err(mqttbytes::Error::InsufficientBytes(_)) => return Ok(whole),
            Err(error) => return Err(io::Error::other(error)),
        }
    }
}

// === impl Sieve ===

impl Sieve {
    fn next(&mut self) -> io::Result<Found> {
        if let Some((left, head)) = &mut self.passing_over {
            let n = self.input.len().min(*left);
            let bytes = self.input.split_to(n);
            let wanted = (2 + TOPIC_BYTES_MAX + 2).saturating_sub(head.len()).min(bytes.len());
            head.extend_from_slice(bytes.get(..wanted).unwrap_or_default());
            *left -= n;
            if *left > 0 {
                return Ok(Found::Nothing);
            }
            let (_, head) = self.passing_over.take().unwrap_or_default();
            return Ok(too_large(&head));
        }
        let whole = self.small_packets()?;
        if whole > 0 {
            return Ok(Found::Bytes(self.input.split_to(whole)));
        }
        if self.passing_over.is_some() { self.next() } else { Ok(Found::Nothing) }
    }

    /// Length of the whole packets at the head that are not too large. If the first one is too large, it is begun to
    /// be passed over.
    fn small_packets(&mut self) -> io::Result<usize> {
        let mut whole = 0;
        loop {
            let rest = self.input.get(whole..).unwrap_or_default();
            match check(rest.iter(), BROKER_PACKET_BYTES_MAX) {
                Ok(header) => whole += header.frame_length(),
                Err(mqttbytes::Error::InsufficientBytes(_)) => return Ok(whole),
                // What is whole before it goes first.
                Err(mqttbytes::Error::PayloadSizeLimitExceeded(_)) if whole > 0 => return Ok(whole),
                Err(mqttbytes::Error::PayloadSizeLimitExceeded(length)) => {
                    let first = rest.first().copied().unwrap_or_default();
                    let header = 1 + rest.iter().skip(1).take_while(|byte| *byte & 0x80 != 0).count() + 1;
                    let _ = self.input.split_to(header);
                    self.passing_over = Some((length, vec![first]));
                    return Ok(0);
                }
                Err(error) => return Err(io::Error::other(error)),
            }
        }
    }
}

/// Topic and packet id of a message by its beginning: first byte of the packet, then what comes after its length.
fn too_large(head: &[u8]) -> Found {
    let first = head.first().copied().unwrap_or_default();
    let number = |at: usize| head.get(at..at + 2).and_then(|two| two.try_into().ok()).map(u16::from_be_bytes);
    let topic_length = usize::from(number(1).unwrap_or_default());
    let topic = head.get(3..(3 + topic_length).min(head.len())).unwrap_or_default();
    let wants_ack = first >> 4 == 3 && (first >> 1) & 3 == 1;
    let packet_id = wants_ack.then(|| number(3 + topic_length)).flatten();
    Found::TooLarge(String::from_utf8_lossy(topic).into_owned(), packet_id)
}

#[cfg(test)]
mod tests {
    use rumqttc::mqttbytes::QoS;
    use rumqttc::mqttbytes::v4::Publish;

    use super::*;

    fn packet(topic: &str, length: usize, packet_id: u16) -> Vec<u8> {
        let qos = if packet_id == 0 { QoS::AtMostOnce } else { QoS::AtLeastOnce };
        let mut publish = Publish::new(topic, qos, vec![b'7'; length]);
        publish.pkid = packet_id;
        let mut bytes = BytesMut::new();
        Packet::Publish(publish).write(&mut bytes, usize::MAX).unwrap();
        bytes.to_vec()
    }

    #[test]
    fn messages_that_are_too_large_are_taken_out_wherever_the_pieces_end() {
        let small = [packet("a", 5, 1), packet("b", 200_000, 2), packet("c", 0, 0)];
        let large = [packet("huge/one", BROKER_PACKET_BYTES_MAX + 1, 3), packet("huge/two", 3_000_000, 0)];
        let all = [&small[0], &large[0], &small[1], &large[1], &small[2]].map(Vec::as_slice).concat();
        for piece in [1_usize, 3, 1_000, 65_536, all.len()] {
            // One byte at a time takes long for megabytes; the first ones and the last are what matters.
            let pieces = if piece == 1 { small[0].len() + 20 } else { 0 };
            let (slow, fast) = all.split_at(pieces);
            let mut sieve = Sieve::default();
            let (mut passed, mut found) = (Vec::new(), Vec::new());
            for bytes in slow.chunks(1).chain(fast.chunks(piece.max(3))) {
                sieve.input.extend_from_slice(bytes);
                loop {
                    match sieve.next().unwrap() {
                        Found::Bytes(bytes) => passed.extend_from_slice(&bytes),
                        Found::TooLarge(topic, packet_id) => found.push((topic, packet_id)),
                        Found::Nothing => break,
                    }
                }
                assert!(sieve.input.len() <= BROKER_PACKET_BYTES_MAX + 65_536 || piece == all.len());
            }
            assert_eq!(passed, small.concat(), "{piece}");
            assert_eq!(found, [("huge/one".to_owned(), Some(3)), ("huge/two".to_owned(), None)]);
        }
    }
}
