//! A client of the endpoint that repeats what was not acknowledged, over any number of broken connections.

use std::collections::{BTreeMap, VecDeque};
use std::io::{Read, Write};
use std::net::TcpStream;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use bytes::BytesMut;
use rumqttc::mqttbytes::QoS;
use rumqttc::mqttbytes::v4::{Connect, Packet, Publish};

const WINDOW: usize = 100;

/// The client on a thread of its own.
pub(crate) struct Repeater {
    stop: Arc<AtomicBool>,
    acknowledged: Arc<AtomicU64>,
    thread: JoinHandle<Outcome>,
}

/// What a client has seen.
pub(crate) struct Outcome {
    pub acknowledged: Vec<u64>,
    pub connections: u32,
    /// Time from the first sending of each message to its acknowledgement.
    pub delays: Vec<Duration>,
}

pub(crate) struct Plan {
    pub port: u16,
    pub client_id: String,
    pub count: u64,
    /// At most so many a second; 0 for as fast as it goes.
    pub per_second: u32,
    pub message: Box<dyn Fn(u64) -> (String, String) + Send>,
}

struct Client {
    plan: Plan,
    stop: Arc<AtomicBool>,
    count: Arc<AtomicU64>,
    next: u64,
    started: Instant,
    /// By packet id: number, and when it was sent first.
    waiting: BTreeMap<u16, (u64, Instant)>,
    /// Numbers of a broken connection, to be sent again.
    again: VecDeque<(u64, Instant)>,
    outcome: Outcome,
}

// === impl Repeater ===

impl Repeater {
    pub(crate) fn start(plan: Plan) -> Repeater {
        let (stop, acknowledged) = (Arc::new(AtomicBool::new(false)), Arc::new(AtomicU64::new(0)));
        let client = Client {
            plan,
            stop: Arc::clone(&stop),
            count: Arc::clone(&acknowledged),
            next: 0,
            started: Instant::now(),
            waiting: BTreeMap::new(),
            again: VecDeque::new(),
            outcome: Outcome { acknowledged: Vec::new(), connections: 0, delays: Vec::new() },
        };
        Repeater { stop, acknowledged, thread: std::thread::spawn(move || client.run()) }
    }

    pub(crate) fn acknowledged(&self) -> u64 {
        self.acknowledged.load(Ordering::Relaxed)
    }

    /// Waits until all is acknowledged.
    pub(crate) fn finish(self) -> Outcome {
        self.thread.join().unwrap()
    }

    /// Sends nothing new, and waits for the last acknowledgements.
    pub(crate) fn stop(self) -> Outcome {
        self.stop.store(true, Ordering::Relaxed);
        self.finish()
    }
}

// === impl Client ===

impl Client {
    fn run(mut self) -> Outcome {
        while !self.is_done() {
            if let Ok(stream) = TcpStream::connect(("127.0.0.1", self.plan.port)) {
                // However it ends, what was not acknowledged is sent again on the next connection.
                let _ = self.converse(stream);
                self.again.extend(std::mem::take(&mut self.waiting).into_values());
            }
            std::thread::sleep(Duration::from_millis(20));
        }
        self.outcome
    }

    fn is_done(&self) -> bool {
        let all = self.next >= self.plan.count || self.stop.load(Ordering::Relaxed);
        all && self.waiting.is_empty() && self.again.is_empty()
    }

    fn converse(&mut self, mut stream: TcpStream) -> std::io::Result<()> {
        stream.set_nodelay(true)?;
        stream.set_read_timeout(Some(Duration::from_millis(5)))?;
        let mut connect = Connect::new(&self.plan.client_id);
        connect.clean_session = false;
        connect.keep_alive = 10;
        send(&mut stream, &[Packet::Connect(connect)])?;
        let (mut input, mut is_in, mut id) = (BytesMut::new(), false, 0_u16);
        let mut buffer = [0; 8_192];
        let mut heard = Instant::now();
        while !self.is_done() {
            match stream.read(&mut buffer) {
                Ok(0) => return Ok(()),
                Ok(n) => input.extend_from_slice(&buffer[..n]),
                Err(error)
                    if matches!(
                        error.kind(),
                        std::io::ErrorKind::WouldBlock | std::io::ErrorKind::TimedOut
                    ) => {}
                Err(error) => return Err(error),
            }
            while let Ok(packet) = Packet::read(&mut input, 8_192) {
                heard = Instant::now();
                match packet {
                    Packet::ConnAck(_) => {
                        is_in = true;
                        self.outcome.connections += 1;
                    }
                    Packet::PubAck(ack) => self.settle(ack.pkid),
                    _ => {}
                }
            }
            // Half a minute without a word: the other side is gone.
            if heard.elapsed() > Duration::from_secs(30) {
                return Ok(());
            }
            if is_in {
                let packets = self.due(&mut id);
                send(&mut stream, &packets)?;
            }
        }
        send(&mut stream, &[Packet::Disconnect])
    }

    fn settle(&mut self, packet_id: u16) {
        if let Some((number, sent)) = self.waiting.remove(&packet_id) {
            self.outcome.acknowledged.push(number);
            self.outcome.delays.push(sent.elapsed());
            self.count.fetch_add(1, Ordering::Relaxed);
        }
    }

    /// What may be sent now: first what has to be sent again.
    fn due(&mut self, id: &mut u16) -> Vec<Packet> {
        let elapsed = u64::try_from(self.started.elapsed().as_millis()).unwrap();
        let rate = u64::from(self.plan.per_second);
        let allowed = if rate == 0 { u64::MAX } else { elapsed * rate / 1_000 };
        let mut packets = Vec::new();
        while self.waiting.len() < WINDOW {
            let is_repeated = !self.again.is_empty();
            let (number, sent) = match self.again.pop_front() {
                Some(again) => again,
                None if self.next < self.plan.count.min(allowed) && !self.stop.load(Ordering::Relaxed) => {
                    self.next += 1;
                    (self.next - 1, Instant::now())
                }
                None => break,
            };
            *id = if *id == u16::MAX { 1 } else { *id + 1 };
            let (topic, payload) = (self.plan.message)(number);
            let mut publish = Publish::new(topic, QoS::AtLeastOnce, payload);
            publish.pkid = *id;
            publish.dup = is_repeated;
            self.waiting.insert(*id, (number, sent));
            packets.push(Packet::Publish(publish));
        }
        packets
    }
}

fn send(stream: &mut TcpStream, packets: &[Packet]) -> std::io::Result<()> {
    let mut output = BytesMut::new();
    for packet in packets {
        packet.write(&mut output, usize::MAX).unwrap();
    }
    stream.write_all(&output)
}
