//! The invitation that a terminal shows: a link with a one-time code, and the same to be scanned.

use std::net::SocketAddr;

use qrcodegen::{QrCode, QrCodeEcc};

use super::keys::CODE_MINUTES;

/// Where the pages are reached by a phone: a configured name, else the machine's own, else the address.
pub fn address(listen: SocketAddr, hosts: &[String], machine: Option<&str>) -> String {
    let machine = machine.map(str::trim).filter(|name| !name.is_empty()).map(|name| format!("{name}.local"));
    let host = match hosts.first() {
        Some(host) => host.clone(),
        None if listen.ip().is_unspecified() => machine.unwrap_or_else(|| "localhost".to_owned()),
        None => return format!("http://{listen}"),
    };
    if listen.port() == 80 { format!("http://{host}") } else { format!("http://{host}:{}", listen.port()) }
}

/// The link of a code, in words and as a code of squares.
pub fn text(address: &str, code: &str) -> String {
    let link = format!("{address}/pair/{code}");
    let squares = squares(&link).unwrap_or_default();
    format!(
        "{squares}\n{link}\n\nScan it or open it on the phone within {CODE_MINUTES} minutes. It is good for one \
         phone.\n"
    )
}

/// The squares, two rows a line of text, with the quiet border that scanners need. Dark squares are spaces between
/// light blocks, so that it can be read on a dark terminal; scanners take either.
fn squares(text: &str) -> Option<String> {
    let code = QrCode::encode_text(text, QrCodeEcc::Low).ok()?;
    let size = code.size();
    let mut out = String::new();
    for y in (-2..size + 2).step_by(2) {
        for x in -2..size + 2 {
            out.push(match (code.get_module(x, y), code.get_module(x, y + 1)) {
                (true, true) => ' ',
                (true, false) => '\u{2584}',
                (false, true) => '\u{2580}',
                (false, false) => '\u{2588}',
            });
        }
        out.push('\n');
    }
    Some(out)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn addresses() {
        for (listen, hosts, wanted) in [
            ("0.0.0.0:8080", vec![], "http://heappi.local:8080"),
            ("[::]:80", vec!["barn.lan".to_owned()], "http://barn.lan"),
            ("192.168.7.20:8080", vec![], "http://192.168.7.20:8080"),
        ] {
            assert_eq!(address(listen.parse().unwrap(), &hosts, Some("heappi\n")), wanted);
        }
    }

    #[test]
    fn an_invitation_fits_a_terminal_and_holds_the_link() {
        let text = text("http://heappi.local:8080", "K7QM-2XPD-9RTA");
        assert!(text.contains("\nhttp://heappi.local:8080/pair/K7QM-2XPD-9RTA\n"), "{text}");
        assert!(text.lines().all(|line| line.chars().count() <= 80), "{text}");
        assert!(text.lines().filter(|line| line.contains('\u{2588}')).count() > 10, "{text}");
    }
}
