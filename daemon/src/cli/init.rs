//! `heapward init`: the first configuration, by six questions at most.
//!
//! Writes the configuration and beside it a file for each secret. A password for the probes is made here, of 100 bits.
//! Then it shows what lets a phone in, and sends a test mail.

use std::fmt::Write as _;
use std::io::{BufRead, IsTerminal, Write};
use std::os::unix::fs::OpenOptionsExt;
use std::path::{Path, PathBuf};

use chrono_tz::Tz;

use super::{ConfigArg, Failure, Outcome, WRONG_USE, pass, print, send_test};
use crate::config::read::load;
use crate::exchange::quoted;

/// Make the first configuration
#[derive(Debug, clap::Args)]
pub struct InitArgs {
    #[command(flatten)]
    config: ConfigArg,
    /// Ask nothing: take what the options say and usual values for the rest
    #[arg(long)]
    yes: bool,
    /// Name of the farm, as it stands in messages and on the record
    #[arg(long, value_name = "NAME")]
    farm: Option<String>,
    /// Time zone, such as `America/New_York` [default: the machine's]
    #[arg(long, value_name = "ZONE")]
    timezone: Option<String>,
    /// Probes and phones on the farm's network may reach this machine
    #[arg(long)]
    network: bool,
    /// Your mail address, for the daily summary and messages
    #[arg(long, value_name = "ADDRESS")]
    mail: Option<String>,
    /// Mail server with the user that sends there: USER@HOST or USER@HOST:PORT, where USER may hold an @; port 587 begins
    /// plain and turns to TLS (STARTTLS), any other is TLS from the start [default port: 465]
    #[arg(long, value_name = "USER@HOST[:PORT]")]
    mail_server: Option<String>,
    /// File with the password of that user
    #[arg(long, value_name = "FILE")]
    mail_password_file: Option<PathBuf>,
    /// Replace a configuration that is there; the old one stays beside it as `.old`
    #[arg(long)]
    force: bool,
}

/// What is to be written.
struct Answers {
    farm: String,
    timezone: Tz,
    network: bool,
    mail: Option<Mail>,
}

struct Mail {
    to: String,
    user: String,
    host: String,
    port: Option<u16>,
    password: String,
}

/// Asks on a terminal.
struct Asker<'a> {
    input: &'a mut dyn BufRead,
    output: &'a mut dyn Write,
    /// Takes what is usual and asks nothing.
    silent: bool,
}

/// As the package installs it; to replace this one is to replace nothing of anybody's.
const PACKAGED: &str = include_str!("../../../config/packaged.toml");
const PROBES_PASSWORD: &str = "probes-password";
const MAIL_PASSWORD: &str = "mail-password";

pub fn run(args: &InitArgs) -> Outcome {
    let path = &args.config.config;
    let there = std::fs::read_to_string(path).ok();
    if there.as_ref().is_some_and(|text| text != PACKAGED) && !args.force {
        return Err(Failure::failed(format!(
            "{} is there already; edit it, or write --force to replace it (the old one stays as .old)",
            path.display()
        )));
    }
    let (mut input, mut output) = (std::io::stdin().lock(), std::io::stderr().lock());
    let silent = args.yes || !std::io::stdin().is_terminal();
    let answers = answers(args, &mut Asker { input: &mut input, output: &mut output, silent })?;
    write(path, &answers, there.is_some())?;
    let config = load(path).map_err(|problems| Failure::new(WRONG_USE, problems.to_string()))?;
    print(&next_steps(path, &answers, config.http.listen.port()))?;
    // Where the package is installed, this folder is there before the daemon's first start.
    if answers.network && config.store.dir.is_dir() {
        print("\nA phone gets in by this, after the restart:\n\n")?;
        pass::pair(&args.config)?;
    }
    if answers.mail.is_none() {
        return Ok(());
    }
    send_test::run(&args.config).map_err(|failure| {
        let text = format!(
            "The configuration is written, but no mail goes out with it: {}. Mend [[channel]] in {}, then try \
             `heapward send-test`",
            failure.text,
            path.display()
        );
        Failure { text, ..failure }
    })
}

fn answers(args: &InitArgs, asker: &mut Asker<'_>) -> Result<Answers, Failure> {
    let farm = asker.ask("Name of the farm", args.farm.as_deref(), "My farm")?;
    let machine = machine_zone();
    let timezone = asker.ask("Time zone", args.timezone.as_deref(), &machine)?;
    let timezone = timezone.parse().map_err(|_| {
        Failure::new(WRONG_USE, format!("`{timezone}` is no time zone; write one such as America/New_York"))
    })?;
    let network = args.network
        || asker.ask("May probes and phones on the network reach this machine, yes or no", None, "no")?
            == "yes";
    let to = asker.ask("Your mail address, empty for no mail", args.mail.as_deref(), "")?;
    let mail = if to.is_empty() { None } else { Some(mail(args, to, asker)?) };
    Ok(Answers { farm, timezone, network, mail })
}

fn mail(args: &InitArgs, to: String, asker: &mut Asker<'_>) -> Result<Mail, Failure> {
    let server = asker.ask("Mail server, as USER@HOST or USER@HOST:587", args.mail_server.as_deref(), "")?;
    let Some((user, host, port)) = mail_server(&server) else {
        return Err(Failure::new(
            WRONG_USE,
            format!(
                "`{server}` is no mail server; write USER@HOST, as barn@mail.example.org, or with a port behind it"
            ),
        ));
    };
    let given = args.mail_password_file.as_ref().map(std::fs::read_to_string).transpose();
    let given =
        given.map_err(|error| Failure::failed(format!("--mail-password-file can't be read ({error})")))?;
    let password = asker.ask("Its password (shown while you type)", given.as_deref().map(str::trim), "")?;
    if password.is_empty() {
        return Err(Failure::new(
            WRONG_USE,
            "mail needs the password of its user: write --mail-password-file FILE",
        ));
    }
    Ok(Mail { to, user: user.to_owned(), host: host.to_owned(), port, password })
}

/// User, host and port of `USER@HOST:PORT`.
fn mail_server(text: &str) -> Option<(&str, &str, Option<u16>)> {
    let (user, server) = text.rsplit_once('@')?;
    match server.rsplit_once(':') {
        None => Some((user, server, None)),
        Some((host, port)) => Some((user, host, Some(port.parse().ok()?))),
    }
}

/// The zone that the machine is set to.
fn machine_zone() -> String {
    let link = std::fs::read_link("/etc/localtime").ok();
    let of_link = link
        .as_ref()
        .and_then(|path| path.to_str()?.split_once("zoneinfo/"))
        .map(|(_, zone)| zone.to_owned());
    let of_file = || std::fs::read_to_string("/etc/timezone").ok().map(|text| text.trim().to_owned());
    of_link.or_else(of_file).filter(|zone| zone.parse::<Tz>().is_ok()).unwrap_or_else(|| "UTC".to_owned())
}

fn write(path: &Path, answers: &Answers, replaces: bool) -> Outcome {
    let failed = |error: std::io::Error| {
        Failure::failed(format!("{}: can't be written ({error}); run this as root", path.display()))
    };
    let folder = path.parent().unwrap_or(Path::new("."));
    std::fs::create_dir_all(folder).map_err(failed)?;
    if replaces {
        std::fs::rename(path, path.with_extension("toml.old")).map_err(failed)?;
    }
    let probes = password().map_err(failed)?;
    let mut files = vec![(path.to_owned(), config_text(answers))];
    if answers.network {
        files.push((folder.join(PROBES_PASSWORD), probes + "\n"));
    }
    if let Some(mail) = &answers.mail {
        files.push((folder.join(MAIL_PASSWORD), mail.password.clone() + "\n"));
    }
    for (file, text) in files {
        write_private(&file, &text).map_err(failed)?;
    }
    Ok(())
}

/// A file that its owner writes and its group reads: in the folder of the package that is the daemon's group.
fn write_private(path: &Path, text: &str) -> std::io::Result<()> {
    if path.exists() {
        std::fs::remove_file(path)?;
    }
    let mut file = std::fs::OpenOptions::new().write(true).create_new(true).mode(0o640).open(path)?;
    file.write_all(text.as_bytes())?;
    file.sync_all()
}

/// Twenty letters and digits that can't be taken for one another.
fn password() -> std::io::Result<String> {
    const LETTERS: &[u8; 32] = b"23456789abcdefghjkmnpqrstuvwxyz-";
    let mut bytes = [0_u8; 20];
    getrandom::fill(&mut bytes).map_err(std::io::Error::other)?;
    Ok(bytes.iter().map(|byte| char::from(LETTERS[usize::from(byte % 32)])).collect())
}

fn config_text(answers: &Answers) -> String {
    let address = if answers.network { "0.0.0.0" } else { "127.0.0.1" };
    let shows = if is_of_the_us(answers.timezone) { "F" } else { "C" };
    let mut text = format!(
        "# Made by `heapward init`. All keys, with their meaning: /usr/share/doc/heapward/heapward.toml\n\
         # After a change: `heapward check`, then `systemctl reload heapward`.\n\n\
         [farm]\nname = {}\ntimezone = {}\nshows = \"{shows}\"\n\n\
         # Probes publish here by MQTT.\n[endpoint]\nlisten = \"{address}:1883\"\n",
        quoted(&answers.farm),
        quoted(answers.timezone.name()),
    );
    if answers.network {
        text.push_str(
            "\n[[endpoint.pass]]\nuser = \"probes\"\npassword_file = \"probes-password\"\ntopics = [\"#\"]\n",
        );
    }
    let _ = write!(text, "\n[http]\nlisten = \"{address}:8080\"\n");
    if let Some(Mail { to, user, host, port, .. }) = &answers.mail {
        let from = if user.contains('@') { user.clone() } else { format!("{user}@{host}") };
        let _ = write!(
            text,
            "\n[[channel]]\nname = \"mail\"\nkind = \"mail\"\nhost = {}\n{}user = {}\npassword_file = \
             \"mail-password\"\nfrom = {}\n\n[[contact]]\nname = {}\naddresses = {{ mail = {} }}\nsummary_by = \
             \"mail\"\n",
            quoted(host),
            way_in(*port),
            quoted(user),
            quoted(&from),
            quoted(to.split('@').next().unwrap_or(to)),
            quoted(to),
        );
    }
    text.push_str("\n# Probes: `heapward listen` shows what they publish and prints blocks to put here.\n");
    text
}

/// Submission of mail begins plain on 587 (RFC 6409) and by TLS on 465 (RFC 8314), which is the usual way.
fn way_in(port: Option<u16>) -> String {
    match port {
        None => String::new(),
        Some(587) => "security = \"starttls\"\n".to_owned(),
        Some(port) => format!("port = {port}\n"),
    }
}

fn next_steps(path: &Path, answers: &Answers, port: u16) -> String {
    let mut text = format!("{} is written.\n\nNext:\n", path.display());
    let _ = writeln!(text, "  systemctl restart heapward        starts the daemon with it");
    if answers.network {
        let file = path.with_file_name(PROBES_PASSWORD);
        let _ =
            writeln!(text, "  cat {}   the password for the probes; their user is `probes`", file.display());
        let _ =
            writeln!(text, "  heapward pair                     lets a phone in; the page is on port {port}");
    }
    let _ = writeln!(
        text,
        "  heapward listen                   shows what the probes publish, with blocks to paste"
    );
    let _ = writeln!(text, "  heapward doctor                   says what is wrong or unsafe");
    text
}

/// Zones of the United States, where people read degrees Fahrenheit.
fn is_of_the_us(zone: Tz) -> bool {
    const CITIES: [&str; 14] = [
        "New_York",
        "Chicago",
        "Denver",
        "Los_Angeles",
        "Phoenix",
        "Anchorage",
        "Detroit",
        "Boise",
        "Juneau",
        "Nome",
        "Sitka",
        "Adak",
        "Metlakatla",
        "Menominee",
    ];
    let name = zone.name();
    let parts = ["US/", "America/Indiana/", "America/Kentucky/", "America/North_Dakota/"];
    name == "Pacific/Honolulu"
        || parts.iter().any(|part| name.starts_with(part))
        || name.strip_prefix("America/").is_some_and(|city| CITIES.contains(&city))
}

// === impl Asker ===

impl Asker<'_> {
    /// What was given; else what is answered; else what is usual.
    fn ask(&mut self, question: &str, given: Option<&str>, usual: &str) -> Result<String, Failure> {
        if let Some(given) = given {
            return Ok(given.to_owned());
        }
        if self.silent {
            return Ok(usual.to_owned());
        }
        let shown = if usual.is_empty() { String::new() } else { format!(" [{usual}]") };
        let mut line = String::new();
        let asked = write!(self.output, "{question}{shown}: ").and_then(|()| self.output.flush());
        asked.and_then(|()| self.input.read_line(&mut line)).map_err(|error| {
            Failure::failed(format!("no answer can be read ({error}); write --yes and give options"))
        })?;
        let line = line.trim();
        Ok(if line.is_empty() { usual.to_owned() } else { line.to_owned() })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::config::MailSecurity;

    fn args(config: &Path) -> InitArgs {
        InitArgs {
            config: ConfigArg { config: config.to_owned() },
            yes: false,
            farm: None,
            timezone: None,
            network: false,
            mail: None,
            mail_server: None,
            mail_password_file: None,
            force: false,
        }
    }

    fn answered(lines: &str) -> (Result<Answers, Failure>, usize) {
        let mut output = Vec::new();
        let mut input = lines.as_bytes();
        let mut asker = Asker { input: &mut input, output: &mut output, silent: false };
        let answers = answers(&args(Path::new("h.toml")), &mut asker);
        (answers, String::from_utf8(output).unwrap().matches(": ").count())
    }

    #[test]
    fn six_questions_make_a_configuration_that_is_good() {
        let lines = "Quillback \"Q\" Farm\nAmerica/New_York\nyes\nodile@quillback.example\n\
                     barn@quillback.example@mail.example.org\nlong and secret\n";
        let (answers, questions) = answered(lines);
        assert_eq!(questions, 6);
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("heapward.toml");
        write(&path, &answers.unwrap(), false).unwrap();
        let config = load(&path).unwrap();
        assert_eq!(config.farm.name, "Quillback \"Q\" Farm");
        assert_eq!(config.farm.shows, crate::config::DisplayUnit::Fahrenheit);
        let pass = &config.endpoint.unwrap().passes[0];
        assert_eq!(pass.password.reveal().len(), 20);
        let crate::config::ChannelKind::Mail(mail) = &config.telling.channels[0].kind else {
            panic!("no mail")
        };
        assert_eq!(
            (mail.user.as_deref(), mail.host.as_str()),
            (Some("barn@quillback.example"), "mail.example.org")
        );
        assert_eq!(mail.password.as_ref().unwrap().reveal(), "long and secret");
        assert_eq!(config.telling.contacts[0].summary_by.as_deref(), Some("mail"));
    }

    #[test]
    fn a_mail_server_may_have_a_port() {
        for (server, wanted) in [
            ("barn@mail.example.org", Some((MailSecurity::ImplicitTls, 465))),
            ("barn@a.example@mail.example.org:587", Some((MailSecurity::StartTls, 587))),
            ("barn@mail.example.org:2465", Some((MailSecurity::ImplicitTls, 2465))),
            ("barn@mail.example.org:smtp", None),
            ("mail.example.org:587", None),
        ] {
            let (answers, _) = answered(&format!(
                "Quillback Farm\nAmerica/New_York\nno\nodile@quillback.example\n{server}\nlong and secret\n"
            ));
            assert_eq!(answers.is_ok(), wanted.is_some(), "{server}");
            let (Ok(answers), Some(wanted)) = (answers, wanted) else { continue };
            let dir = tempfile::tempdir().unwrap();
            let path = dir.path().join("heapward.toml");
            write(&path, &answers, false).unwrap();
            let config = load(&path).unwrap();
            let crate::config::ChannelKind::Mail(mail) = &config.telling.channels[0].kind else {
                panic!("no mail")
            };
            assert_eq!(
                ((mail.security, mail.port), mail.host.as_str()),
                (wanted, "mail.example.org"),
                "{server}"
            );
        }
    }

    #[test]
    fn empty_answers_are_the_usual_ones_and_stay_on_this_machine() {
        let (answers, questions) = answered("\nEurope/Vienna\n\n\n");
        assert_eq!(questions, 4);
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("heapward.toml");
        write(&path, &answers.unwrap(), false).unwrap();
        let config = load(&path).unwrap();
        assert_eq!(config.farm.shows, crate::config::DisplayUnit::Celsius);
        assert!(config.http.listen.ip().is_loopback() && config.endpoint.unwrap().listen.ip().is_loopback());
        assert!(!dir.path().join(PROBES_PASSWORD).exists());
    }

    #[test]
    fn what_can_not_be_used_is_refused() {
        for lines in ["F\nMars\n", "F\nUTC\nno\na@b\nserver\n", "F\nUTC\nno\na@b\nu@h\n\n"] {
            let failure = answered(lines).0.err().unwrap();
            assert_eq!(failure.code, WRONG_USE, "{failure:?}");
        }
    }

    #[test]
    fn a_configuration_of_somebody_is_not_replaced() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("heapward.toml");
        std::fs::write(&path, "[farm]\n").unwrap();
        let args = InitArgs { yes: true, ..args(&path) };
        assert!(run(&args).unwrap_err().text.contains("is there already"));
        assert_eq!(std::fs::read_to_string(&path).unwrap(), "[farm]\n");
        run(&InitArgs { force: true, ..args }).unwrap();
        assert_eq!(std::fs::read_to_string(dir.path().join("heapward.toml.old")).unwrap(), "[farm]\n");
    }
}
