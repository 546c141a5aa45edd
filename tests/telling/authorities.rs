//! Whom mail and requests trust: the system's authorities, in the file that most programs look into.

use std::net::TcpStream;
use std::path::Path;
use std::process::{Command, Output};

use heapward_tests::daemon::{binary, config_text};
use heapward_tests::process::{Process, free_port};
use heapward_tests::wait::wait_until;

use super::{certificates, server};

/// A server that answers every request over TLS with its own page.
fn web(dir: &Path) -> (Process, u16) {
    let port = free_port();
    let mut command = Command::new("openssl");
    command.args(["s_server", "-quiet", "-www", "-cert", "server.pem", "-key", "server.key"]);
    command.args(["-accept", &format!("127.0.0.1:{port}")]).current_dir(dir);
    let process = Process::start(&mut command, &dir.join("web.log"), "apt-get install openssl");
    wait_until("the server to listen", || TcpStream::connect(("127.0.0.1", port)).is_ok());
    (process, port)
}

fn send_test(dir: &Path, rest: &str, authorities: Option<&Path>) -> Output {
    let config = dir.join("heapward.toml");
    std::fs::write(&config, config_text(dir, free_port(), rest)).unwrap();
    let mut command = Command::new(binary());
    command.args(["send-test", "--config"]).arg(&config).env_remove("SSL_CERT_FILE");
    if let Some(file) = authorities {
        command.env("SSL_CERT_FILE", file);
    }
    command.output().unwrap()
}

#[test]
fn only_a_server_whose_authority_the_system_knows_gets_a_message() {
    let dir = tempfile::tempdir().unwrap();
    certificates(dir.path());
    let mail = server(dir.path(), "starttls");
    let (_web, port) = web(dir.path());
    std::fs::write(dir.path().join("password"), "pl4in-s3cret").unwrap();
    let chmod = Command::new("chmod").arg("600").arg(dir.path().join("password")).status().unwrap();
    assert!(chmod.success());
    let rest = format!(
        "[endpoint]\nlisten = \"127.0.0.1:1883\"\n[[channel]]\nname = \"mail\"\nkind = \"mail\"\nhost = \"localhost\"\nport = {}\nsecurity = \"starttls\"\n\
         user = \"barn@quillback.example\"\npassword_file = \"password\"\nfrom = \"barn@quillback.example\"\n\
         [[channel]]\nname = \"web\"\nkind = \"request\"\nmethod = \"GET\"\nurl = \"https://localhost:{port}/\"\n\
         [[contact]]\nname = \"Odile Marsh\"\naddresses = {{ mail = \"odile@quillback.example\", web = \"+1 555-0100\" }}\n",
        mail.port
    );

    let strange = send_test(dir.path(), &rest, None);
    let said = String::from_utf8_lossy(&strange.stdout).into_owned();
    assert!(!strange.status.success(), "{strange:?}");
    assert_eq!(said.matches("FAILED").count(), 2, "{strange:?}");
    assert_eq!(said.matches("certificate").count(), 2, "{strange:?}");
    assert_eq!(mail.mails().len(), 0);

    let known = send_test(dir.path(), &rest, Some(&dir.path().join("ca.pem")));
    assert!(known.status.success(), "{known:?}");
    assert_eq!(mail.mails().len(), 1, "{known:?}");

    let nowhere = send_test(dir.path(), &rest, Some(Path::new("/nowhere/ca.pem")));
    assert!(!nowhere.status.success(), "{nowhere:?}");
    let said = String::from_utf8_lossy(&nowhere.stderr) + String::from_utf8_lossy(&nowhere.stdout);
    assert!(said.contains("/nowhere/ca.pem"), "{nowhere:?}");
}

/// The last step of `heapward init`: a mail that says that mail goes out.
#[test]
fn the_first_mail_of_a_new_farm_goes_out() {
    let dir = tempfile::tempdir().unwrap();
    certificates(dir.path());
    let mail = server(dir.path(), "implicit");
    std::fs::write(dir.path().join("given"), "pl4in-s3cret\n").unwrap();
    let init = |password: &str| {
        let mut command = Command::new(binary());
        command.args([
            "init",
            "--yes",
            "--force",
            "--farm",
            "Quillback Farm",
            "--mail",
            "odile@quillback.example",
        ]);
        command.args(["--mail-server", &format!("barn@quillback.example@localhost:{}", mail.port)]);
        command.arg("--mail-password-file").arg(dir.path().join(password));
        command.arg("--config").arg(dir.path().join("heapward.toml"));
        command.env("SSL_CERT_FILE", dir.path().join("ca.pem")).output().unwrap()
    };
    let made = init("given");
    assert!(made.status.success(), "{made:?}");
    let mails = mail.mails();
    assert_eq!(mails.len(), 1, "{made:?}");
    assert!(mails[0].subject.contains("Quillback Farm"), "{:?}", mails[0].subject);

    std::fs::write(dir.path().join("wrong"), "gu3ss\n").unwrap();
    let refused = init("wrong");
    let said = String::from_utf8_lossy(&refused.stderr).into_owned();
    assert!(!refused.status.success() && said.contains("no mail goes out with it"), "{refused:?}");
    assert_eq!(mail.mails().len(), 1);
}
