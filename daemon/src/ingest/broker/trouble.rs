//! What is wrong with the broker, in words for the grower: what, where, what to do.

use std::io;

use rumqttc::mqttbytes::Error as PacketError;
use rumqttc::mqttbytes::v4::ConnectReturnCode;
use rumqttc::{ConnectionError, StateError};

/// One sentence for one kind of trouble; equal sentences are one trouble, and are written to the log once.
pub(in crate::ingest) fn sentence(error: &ConnectionError, address: &str) -> String {
    match error {
        ConnectionError::Io(error) => of_io(error, address),
        ConnectionError::NetworkTimeout | ConnectionError::FlushTimeout => {
            format!(
                "{address} does not answer; check the network cable, the router, and whether the broker runs"
            )
        }
        ConnectionError::ConnectionRefused(code) => of_code(*code, address),
        ConnectionError::NotConnAck(_) => {
            format!("{address} answers, but not as an MQTT broker; check host and port")
        }
        ConnectionError::MqttState(error) => of_state(error, address),
        ConnectionError::RequestsDone => "the client has stopped".to_owned(),
    }
}

/// Whether the broker closed the connection, rather than the network.
pub(super) fn was_closed(error: &ConnectionError) -> bool {
    let by_peer = |error: &io::Error| {
        let kinds =
            [io::ErrorKind::ConnectionReset, io::ErrorKind::ConnectionAborted, io::ErrorKind::UnexpectedEof];
        kinds.contains(&error.kind())
    };
    match error {
        ConnectionError::MqttState(StateError::ConnectionAborted) => true,
        ConnectionError::MqttState(
            StateError::Io(error) | StateError::Deserialization(PacketError::Io(error)),
        )
        | ConnectionError::Io(error) => by_peer(error),
        _ => false,
    }
}

fn of_io(error: &io::Error, address: &str) -> String {
    match error.kind() {
        io::ErrorKind::ConnectionRefused => {
            format!("nothing listens at {address}; is the broker running, and is the port right?")
        }
        io::ErrorKind::HostUnreachable | io::ErrorKind::NetworkUnreachable => {
            format!("{address} can't be reached; check the network cable and the router")
        }
        io::ErrorKind::TimedOut => format!("{address} does not answer; check the network and the broker"),
        // The resolver's errors have no kind of their own.
        _ if error.to_string().contains("lookup") => {
            format!(
                "the name in {address} is not known; check `host`, or write the broker's number (192.168...)"
            )
        }
        _ => format!("the connection to {address} failed: {error}"),
    }
}

fn of_code(code: ConnectReturnCode, address: &str) -> String {
    match code {
        ConnectReturnCode::BadUserNamePassword | ConnectReturnCode::NotAuthorized => {
            format!("{address} refuses user and password; correct `user` and `password_file` of [broker]")
        }
        ConnectReturnCode::BadClientId => {
            format!("{address} refuses the client id; write another `client_id` in [broker]")
        }
        ConnectReturnCode::RefusedProtocolVersion => {
            format!("{address} does not speak MQTT 3.1.1; switch it on there")
        }
        ConnectReturnCode::ServiceUnavailable | ConnectReturnCode::Success => {
            format!("{address} says that it can't serve now")
        }
    }
}

fn of_state(error: &StateError, address: &str) -> String {
    match error {
        StateError::Io(error) | StateError::Deserialization(PacketError::Io(error)) => {
            format!("the connection to {address} broke: {error}")
        }
        StateError::ConnectionAborted => format!("{address} closed the connection"),
        StateError::AwaitPingResp => {
            format!("{address} does not answer any more, though the connection stands; is the broker stuck?")
        }
        StateError::Deserialization(PacketError::PayloadSizeLimitExceeded(bytes)) => format!(
            "{address} sends a message of {bytes} bytes, larger than any reading; find who publishes it, or set \
             message_size_limit in the broker"
        ),
        error => format!("{address} breaks the rules of MQTT: {error}"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_trouble_has_a_sentence_of_its_own() {
        let io = |kind: io::ErrorKind| ConnectionError::Io(kind.into());
        let state = ConnectionError::MqttState;
        let resolver = io::Error::other("failed to lookup address information: Name or service not known");
        let all = [
            io(io::ErrorKind::ConnectionRefused),
            io(io::ErrorKind::HostUnreachable),
            io(io::ErrorKind::TimedOut),
            ConnectionError::Io(resolver),
            ConnectionError::NetworkTimeout,
            ConnectionError::ConnectionRefused(ConnectReturnCode::BadUserNamePassword),
            ConnectionError::ConnectionRefused(ConnectReturnCode::BadClientId),
            ConnectionError::ConnectionRefused(ConnectReturnCode::RefusedProtocolVersion),
            ConnectionError::NotConnAck(rumqttc::Packet::PingResp),
            state(StateError::ConnectionAborted),
            state(StateError::AwaitPingResp),
            state(StateError::Deserialization(PacketError::PayloadSizeLimitExceeded(10_000_000))),
            state(StateError::WrongPacket),
        ];
        let mut sentences: Vec<String> =
            all.iter().map(|error| sentence(error, "barn.example:1883")).collect();
        assert!(sentences.iter().all(|sentence| sentence.contains("barn.example:1883")));
        sentences.sort();
        sentences.dedup();
        assert_eq!(sentences.len(), all.len());
    }
}
