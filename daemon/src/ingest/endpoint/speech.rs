//! The two directions of one connection: bytes in until a packet is whole, packets out as bytes.

use std::io;

use bytes::BytesMut;
use rumqttc::mqttbytes::v4::Packet;
use rumqttc::mqttbytes::{self, check};
use tokio::net::TcpStream;
use tokio::time::Instant;

use super::close::Close;
use crate::limits::{MQTT_CONNECT_BYTES_MAX, MQTT_OUTPUT_BYTES_MAX, MQTT_PACKET_BYTES_MAX, MQTT_READ_BYTES};

/// A connection, byte by byte. Buffers of an idle connection are empty and take no memory.
pub(super) struct Speech {
    stream: TcpStream,
    input: BytesMut,
    output: BytesMut,
    /// When the packet at the head of `input` began.
    began: Option<Instant>,
    /// Since when `output` could not be written.
    stuck: Option<Instant>,
}

// === impl Speech ===

impl Speech {
    pub(super) fn new(stream: TcpStream) -> Speech {
        Speech { stream, input: BytesMut::new(), output: BytesMut::new(), began: None, stuck: None }
    }

    pub(super) async fn readable(&self) -> io::Result<()> {
        self.stream.readable().await
    }

    pub(super) async fn writable(&self) -> io::Result<()> {
        self.stream.writable().await
    }

    /// Reads what is there.
    pub(super) fn fill(&mut self) -> Result<(), Close> {
        self.input.reserve(MQTT_READ_BYTES);
        match self.stream.try_read_buf(&mut self.input) {
            Ok(0) => Err(Close::Gone),
            Ok(_) => Ok(()),
            Err(error) if error.kind() == io::ErrorKind::WouldBlock => Ok(()),
            Err(_) => Err(Close::Gone),
        }
    }

    /// The next whole packet, if there is one.
    pub(super) fn next(&mut self, is_first: bool) -> Result<Option<Packet>, Close> {
        let bytes_max = if is_first { MQTT_CONNECT_BYTES_MAX } else { MQTT_PACKET_BYTES_MAX };
        let Some(kind) = self.input.first().map(|first| first >> 4) else {
            self.input = BytesMut::new();
            self.began = None;
            return Ok(None);
        };
        // A client may send CONNECT, PUBLISH, SUBSCRIBE, UNSUBSCRIBE, PINGREQ, DISCONNECT, and answers to what it is
        // sent with QoS 1 or 2, which never happens here.
        match (is_first, kind) {
            (true, 1) | (false, 3 | 8 | 10 | 12 | 14) => {}
            (true, _) => return Err(Close::Rules("the first packet is no CONNECT")),
            (false, 1) => return Err(Close::Rules("a second CONNECT")),
            (false, _) => return Err(Close::Rules("a packet that a client may not send")),
        }
        if is_first {
            self.check_version()?;
        }
        match check(self.input.iter(), bytes_max).and_then(|_| Packet::read(&mut self.input, bytes_max)) {
            Ok(packet) => {
                self.began = (!self.input.is_empty()).then(Instant::now);
                Ok(Some(packet))
            }
            Err(mqttbytes::Error::InsufficientBytes(_)) => {
                self.began.get_or_insert_with(Instant::now);
                Ok(None)
            }
            Err(mqttbytes::Error::PayloadSizeLimitExceeded(bytes)) => Err(Close::TooLarge(bytes)),
            Err(error) => Err(Close::Unreadable(error.to_string())),
        }
    }

    /// The codec reads a CONNECT of version 3.1 or 5 as garbage; the client is to be told that it is the version.
    fn check_version(&self) -> Result<(), Close> {
        let after_length = self.input.iter().skip(1).take(4).position(|byte| byte & 0x80 == 0).map(|n| n + 2);
        let head = after_length.and_then(|at| self.input.get(at..at + 7));
        match head {
            Some([0, 4, b'M', b'Q', b'T', b'T', 4]) | None => Ok(()),
            Some([0, 4, b'M', b'Q', b'T', b'T', _] | [0, 6, b'M', b'Q', b'I', b's', b'd']) => {
                Err(Close::Version)
            }
            Some(_) => Err(Close::Rules("this is no MQTT")),
        }
    }

    /// When the packet at the head began to come, if it is not whole yet.
    pub(super) fn began(&self) -> Option<Instant> {
        self.began
    }

    /// Since when nothing of what waits could be written.
    pub(super) fn stuck(&self) -> Option<Instant> {
        self.stuck
    }

    pub(super) fn has_output(&self) -> bool {
        !self.output.is_empty()
    }

    /// Puts a packet behind what waits to be written. A client for which more waits than may is not reading.
    pub(super) fn say(&mut self, packet: &Packet) -> Result<(), Close> {
        packet
            .write(&mut self.output, MQTT_PACKET_BYTES_MAX)
            .map_err(|error| Close::Unreadable(error.to_string()))?;
        if self.output.len() > MQTT_OUTPUT_BYTES_MAX {
            return Err(Close::NotReading);
        }
        self.stuck.get_or_insert_with(Instant::now);
        Ok(())
    }

    /// Writes what can be written.
    pub(super) fn flush(&mut self) -> Result<(), Close> {
        while !self.output.is_empty() {
            match self.stream.try_write(&self.output) {
                Ok(0) => return Err(Close::Gone),
                Ok(n) => {
                    let _ = self.output.split_to(n);
                    self.stuck = Some(Instant::now());
                }
                Err(error) if error.kind() == io::ErrorKind::WouldBlock => return Ok(()),
                Err(_) => return Err(Close::Gone),
            }
        }
        self.output = BytesMut::new();
        self.stuck = None;
        Ok(())
    }
}
