//! Texts by a GSM or LTE modem in the machine, through the D-Bus interface of `ModemManager`.
//!
//! The bus is spoken to by `busctl`, a part of systemd: one call asks which modem can send texts, one makes the text,
//! one sends it, one clears it from the modem's store, which holds a few dozen. No provider and no internet is needed:
//! this way goes on working when the router is down.

use std::process::Stdio;
use std::time::Duration;

use serde_json::Value;
use tokio::io::AsyncReadExt;
use tokio::process::Command;

use super::channel::{Channel, Failure, Letter, Sending};
use super::gsm;
use crate::limits;

const SERVICE: &str = "org.freedesktop.ModemManager1";
const ROOT: &str = "/org/freedesktop/ModemManager1";
const OBJECTS: &str = "org.freedesktop.DBus.ObjectManager";
const MESSAGING: &str = "org.freedesktop.ModemManager1.Modem.Messaging";
const SMS: &str = "org.freedesktop.ModemManager1.Sms";

pub struct ModemChannel {
    program: String,
    /// Time for one call.
    patience: Duration,
}

// === impl ModemChannel ===

impl Default for ModemChannel {
    fn default() -> ModemChannel {
        ModemChannel { program: "busctl".to_owned(), patience: limits::SEND_TIMEOUT }
    }
}

impl ModemChannel {
    #[must_use]
    pub fn with_patience(self, patience: Duration) -> ModemChannel {
        ModemChannel { patience, ..self }
    }

    async fn text(&self, letter: &Letter) -> Result<(), Failure> {
        let number = number(&letter.address).map_err(Failure::Never)?;
        let modem = self.modem().await?;
        let text = gsm::clip(&gsm::basic(&letter.text), limits::TEXT_CHARS_MAX);
        let made = [modem.as_str(), MESSAGING, "Create", "a{sv}", "2"];
        let fields = ["number", "s", number.as_str(), "text", "s", text.as_str()];
        let made = self.call(&[&made[..], &fields].concat()).await?;
        let sms = made.pointer("/data/0").and_then(Value::as_str).ok_or_else(|| strange(&made))?;
        let sent = self.call(&[sms, SMS, "Send"]).await;
        // Whether it is cleared away changes nothing for who was told.
        let _ = self.call(&[&modem, MESSAGING, "Delete", "o", sms]).await;
        sent.map(|_| ())
    }

    /// The first modem that can send texts.
    async fn modem(&self) -> Result<String, Failure> {
        let objects = self.call(&[ROOT, OBJECTS, "GetManagedObjects"]).await?;
        let all = objects.pointer("/data/0").and_then(Value::as_object).ok_or_else(|| strange(&objects))?;
        let can_send = |interfaces: &Value| interfaces.get(MESSAGING).is_some();
        let modem = all.iter().find(|(_, interfaces)| can_send(interfaces)).map(|(path, _)| path.clone());
        let hint =
            "ModemManager knows no modem that sends texts; look at `mmcli -L`, the SIM card and its PIN";
        modem.ok_or_else(|| Failure::Later(hint.to_owned()))
    }

    /// One call of a method on the system bus; its answer as JSON.
    async fn call(&self, arguments: &[&str]) -> Result<Value, Failure> {
        let mut command = Command::new(&self.program);
        command.args(["--system", "--json=short", &format!("--timeout={}", self.patience.as_secs().max(1))]);
        command.args(["--", "call", SERVICE]).args(arguments);
        command.stdin(Stdio::null()).stdout(Stdio::piped()).stderr(Stdio::piped()).kill_on_drop(true);
        let later = |why: String| Failure::Later(gsm::one_line(&why));
        let mut child =
            command.spawn().map_err(|error| later(format!("{} can't be started: {error}", self.program)))?;
        let (out, err) = (child.stdout.take(), child.stderr.take());
        let done = async { tokio::join!(read(out), read(err), child.wait()) };
        let Ok((out, err, status)) = tokio::time::timeout(self.patience * 2, done).await else {
            return Err(later("the modem gave no answer in time; the text may have gone out".to_owned()));
        };
        if !status.is_ok_and(|status| status.success()) {
            return Err(later(format!("the modem refuses: {}", err.trim())));
        }
        // A method without an answer prints nothing.
        if out.trim().is_empty() { Ok(Value::Null) } else { parse(&out) }
    }
}

impl Channel for ModemChannel {
    fn send<'a>(&'a self, letter: &'a Letter) -> Sending<'a> {
        Box::pin(self.text(letter))
    }
}

/// A telephone number as a modem takes it: `+` and digits. The error says what else there was.
pub fn number(address: &str) -> Result<String, String> {
    let bare: String = address.chars().filter(|c| !matches!(c, ' ' | '-' | '.' | '(' | ')')).collect();
    let digits = bare.strip_prefix('+').unwrap_or(&bare);
    let is_number = (3..=15).contains(&digits.len()) && digits.chars().all(|c| c.is_ascii_digit());
    if is_number {
        Ok(bare)
    } else {
        Err(format!("`{}` is no telephone number; write one such as \"+1 555 0100\"", gsm::one_line(address)))
    }
}

async fn read(pipe: Option<impl tokio::io::AsyncRead + Unpin>) -> String {
    let mut bytes = Vec::new();
    if let Some(pipe) = pipe {
        // What could not be read is missing in the reason, no more.
        let _ = pipe.take(limits::MODEM_ANSWER_BYTES_MAX).read_to_end(&mut bytes).await;
    }
    String::from_utf8_lossy(&bytes).into_owned()
}

fn parse(text: &str) -> Result<Value, Failure> {
    serde_json::from_str(text).map_err(|error| Failure::Later(format!("busctl answers strangely: {error}")))
}

fn strange(answer: &Value) -> Failure {
    let answer = gsm::clip(&gsm::one_line(&answer.to_string()), limits::TEXT_CHARS_MAX);
    Failure::Later(format!("ModemManager answers strangely: {answer}"))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::telling::fixture::letter;

    #[test]
    fn a_number_is_digits() {
        for (address, wanted) in [
            ("+1 (555) 010-0100", Some("+15550100100")),
            ("112", Some("112")),
            ("odile@quillback.example", None),
            ("+", None),
            ("--help", None),
            ("+1555\r\n0100", None),
        ] {
            assert_eq!(number(address).ok().as_deref(), wanted, "{address}");
        }
    }

    #[tokio::test]
    async fn what_can_not_be_started_is_tried_again_and_a_wrong_number_is_not() {
        let channel = ModemChannel { program: "/nowhere/busctl".to_owned(), ..ModemChannel::default() };
        let failure = channel.send(&letter("hot")).await.unwrap_err();
        assert!(matches!(&failure, Failure::Later(why) if why.contains("/nowhere/busctl")), "{failure}");
        let wrong = Letter { address: "odile@quillback.example".to_owned(), ..letter("hot") };
        assert!(matches!(channel.send(&wrong).await, Err(Failure::Never(_))));
    }
}
