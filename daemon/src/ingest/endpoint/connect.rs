//! The beginning of a connection: CONNECT, pass, CONNACK.

use rumqttc::mqttbytes::v4::{ConnAck, Connect, ConnectReturnCode, LastWill, Packet};
use tokio::time::{Duration, Instant, sleep};

use super::Shared;
use super::clients::ClientKey;
use super::close::Close;
use super::passes::Leave;
use super::speech::Speech;
use crate::limits::{MQTT_CONNECT_SECONDS_MAX, MQTT_IDLE_SECONDS_MAX, MQTT_WRONG_PASS_MILLIS};

/// A client that was let in.
pub(super) struct Guest {
    pub(super) key: ClientKey,
    pub(super) leave: Leave,
    pub(super) will: Option<LastWill>,
    /// What it had subscribed to in the session that it resumes; none if there was no session.
    pub(super) resumed: Option<Vec<String>>,
    /// Whether the session is to be kept.
    pub(super) keeps_session: bool,
    /// After this much silence it is gone.
    pub(super) silence_max: Duration,
}

/// Waits for CONNECT and answers it.
pub(super) async fn receive(speech: &mut Speech, number: u64, shared: &Shared) -> Result<Guest, Close> {
    let mut stop = shared.stop.clone();
    let deadline = Instant::now() + Duration::from_secs(MQTT_CONNECT_SECONDS_MAX);
    let connect = tokio::select! {
        connect = tokio::time::timeout_at(deadline, first_packet(speech)) => {
            connect.map_err(|_| Close::NoConnect)?
        }
        _ = stop.wait_for(|stop| *stop) => return Err(Close::Stopping),
    };
    let admitted = match connect {
        Ok(connect) => admit(connect, number, shared),
        Err(Close::Version) => Err((Close::Version, ConnectReturnCode::RefusedProtocolVersion)),
        Err(close) => return Err(close),
    };
    let is_resumed = admitted.as_ref().is_ok_and(|guest| guest.resumed.is_some());
    let code = match &admitted {
        Ok(_) => ConnectReturnCode::Success,
        Err((close, code)) => {
            if matches!(close, Close::WrongPass) {
                sleep(Duration::from_millis(MQTT_WRONG_PASS_MILLIS)).await;
            }
            *code
        }
    };
    speech.say(&Packet::ConnAck(ConnAck::new(code, is_resumed)))?;
    speech.flush()?;
    admitted.map_err(|(close, _)| close)
}

async fn first_packet(speech: &mut Speech) -> Result<Connect, Close> {
    loop {
        speech.readable().await.map_err(|_| Close::Gone)?;
        speech.fill()?;
        match speech.next(true)? {
            Some(Packet::Connect(connect)) => return Ok(connect),
            Some(_) => return Err(Close::Rules("the first packet is no CONNECT")),
            None => {}
        }
    }
}

fn admit(connect: Connect, number: u64, shared: &Shared) -> Result<Guest, (Close, ConnectReturnCode)> {
    if connect.client_id.is_empty() && !connect.clean_session {
        return Err((Close::NoClientId, ConnectReturnCode::BadClientId));
    }
    let Some(leave) = shared.passes.check(connect.login.as_ref()) else {
        return Err((Close::WrongPass, ConnectReturnCode::BadUserNamePassword));
    };
    let user = connect.login.map(|login| login.username).unwrap_or_default();
    // MQTT 3.1.1, 3.1.3.1: a client without an id gets one of its own.
    let id = if connect.client_id.is_empty() { format!("unnamed-{number}") } else { connect.client_id };
    // 3.1.2.10: one and a half times the keep-alive; none means no limit, but a connection may be half open.
    let silence_max = match connect.keep_alive {
        0 => Duration::from_secs(MQTT_IDLE_SECONDS_MAX),
        seconds => Duration::from_millis(u64::from(seconds) * 1_500),
    };
    let key = (user, id);
    let keeps_session = !connect.clean_session;
    let resumed = shared.sessions.resume(&key, connect.clean_session);
    Ok(Guest { key, leave, will: connect.last_will, resumed, keeps_session, silence_max })
}
