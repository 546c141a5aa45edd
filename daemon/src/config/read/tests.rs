use std::os::unix::fs::PermissionsExt;

use heapward_rules::reading::Unit;

use super::*;
use crate::config::{ChannelKind, MailSecurity, TimeFormat};

const EXAMPLE: &str = include_str!("../../../../config/heapward.toml");
const MINIMAL: &str = include_str!("../../../../config/minimal.toml");
const SECRETS: [&str; 5] =
    ["bay1-password", "bay2-password", "broker-password", "mail-password", "text-token"];

/// A folder with the secrets that the example names.
fn folder() -> tempfile::TempDir {
    let dir = tempfile::tempdir().unwrap();
    for name in SECRETS {
        write(&dir, name, "long and of our own\n", 0o600);
    }
    dir
}

fn write(dir: &tempfile::TempDir, name: &str, text: &str, mode: u32) {
    let path = dir.path().join(name);
    std::fs::write(&path, text).unwrap();
    std::fs::set_permissions(&path, std::fs::Permissions::from_mode(mode)).unwrap();
}

fn check(text: &str) -> Result<Config, Vec<String>> {
    let dir = folder();
    read("h.toml", text, dir.path(), None).map_err(|problems| {
        let shown = |problem: &Problem| problem.to_string().replace(&dir.path().display().to_string(), "DIR");
        problems.0.iter().map(shown).collect()
    })
}

/// The minimal file with one replacement, and the one problem that it makes.
#[track_caller]
fn one_problem(from: &str, to: &str) -> String {
    let text = MINIMAL.replace(from, to);
    assert_ne!(text, MINIMAL, "`{from}` is not in the minimal file");
    let problems = check(&text).unwrap_err();
    assert_eq!(problems.len(), 1, "{problems:#?}");
    problems.concat()
}

fn probe(keys: &str) -> String {
    format!("{MINIMAL}\n[[probe]]\nid = \"k2\"\ntopic = \"a/b\"\nevery = \"5m\"\n{keys}\n")
}

#[test]
fn the_example_is_good_and_says_what_it_says() {
    let config = check(EXAMPLE).unwrap();
    assert_eq!(config.farm.timezone, chrono_tz::America::New_York);
    assert_eq!(config.store.commit_every, Span::seconds(2));
    let endpoint = config.endpoint.unwrap();
    assert_eq!(endpoint.passes.len(), 2);
    assert_eq!(endpoint.passes[0].password.reveal(), "long and of our own");
    assert_eq!(config.broker.unwrap().port, 1884);
    let ids: Vec<&str> = config.probes.iter().map(|probe| probe.id.as_str()).collect();
    assert_eq!(ids, ["k1", "k2", "k3", "k4", "k5", "m1", "blower-1", "node-1"]);
    let k2 = &config.probes[1].mapping;
    assert_eq!((k2.time_format, k2.zone), (TimeFormat::Naive, Some(chrono_tz::America::New_York)));
    assert!(k2.time_fallback_arrival);
    assert_eq!(config.probes[4].mapping.guard.as_ref().unwrap().equals, "b2-core");
    assert_eq!(config.probes[5].mapping.calibration, [(18.0, 30.0), (41.0, 52.0), (63.0, 68.0)]);
    assert_eq!(config.probes[7].mapping.availability, Some(("online".to_owned(), "offline".to_owned())));
    let ChannelKind::Mail(mail) = &config.telling.channels[0].kind else { panic!("mail is first") };
    assert_eq!((mail.security, mail.port), (MailSecurity::StartTls, 587));
    assert_eq!(config.telling.contacts[1].quiet.unwrap().1, "05:30".parse().unwrap());
    assert_eq!(config.telling.heartbeat.unwrap().every, Span::minutes(15));
}

#[test]
fn the_smallest_file_runs_with_defaults() {
    let config = check(MINIMAL).unwrap();
    assert_eq!(config.store.dir, Path::new("/var/lib/heapward"));
    assert!(config.http.listen.ip().is_loopback());
    assert_eq!(config.farm.standards, [StandardId::new("us-organic")]);
    assert_eq!(config.probes[0].mapping.unit, Some(Unit::Fahrenheit));
}

#[test]
fn what_the_package_installs_is_good_and_stays_on_the_machine() {
    let config = check(include_str!("../../../../config/packaged.toml")).unwrap();
    assert!(config.http.listen.ip().is_loopback());
    assert!(config.endpoint.unwrap().listen.ip().is_loopback());
}

#[test]
fn all_mistakes_are_told_at_once_with_line_and_key() {
    let text = r#"
[farm]
name = 7
timezone = "America/New_Yorck"
showz = "F"

[endpoint]
listen = "0.0.0.0:1883"

[[probe]]
id = "k1"
topik = "heap/k1"
every = "5 minutes"
value = "DS18B20.Temperature"

[[probe]]
id = "k1"
topic = "heap/#/k1"
every = "1m"
value = "/sensors/1/c"
unit = "W"
"#;
    let wanted = [
        "h.toml:3: farm.name: is a number; write a text in quotes",
        "h.toml:4: farm.timezone: `America/New_Yorck` is no time zone (did you mean `America/New_York`?); write a zone \
         of the time zone database, such as \"America/New_York\"",
        "h.toml:5: farm.showz: is no key of [farm]; did you mean `shows`?",
        "h.toml:8: endpoint.listen: anybody on the network of 0.0.0.0 could forge readings; add [[endpoint.pass]] with \
         user, password_file and topics, or listen on 127.0.0.1",
        "h.toml:10: probe.topic: is missing; write a text in quotes",
        "h.toml:10: probe.unit: is missing; write \"C\" or \"F\", or `unit_from` where the message says it",
        "h.toml:12: probe.topik: is no key of [probe]; did you mean `topic`?",
        "h.toml:13: probe.every: `5 minutes` is no duration; write a duration: a whole number and one of ms, s, m, h, \
         d, such as \"90s\" or \"4h\"",
        "h.toml:14: probe.value: `DS18B20.Temperature` is no JSON Pointer; begin with a slash: \"/DS18B20/Temperature\"",
        "h.toml:17: probe.id: there is a probe `k1` already; give each its own id",
        "h.toml:18: probe.topic: `#` stands for all the rest and must be the last level",
        "h.toml:20: probe.value: goes by position, and the positions move when a probe is added or lost; search by its \
         id: select = { array = \"/LIST\", key = \"/ID\", equals = \"...\" }, or write fixed_order = true",
        "h.toml:21: probe.unit: is not a unit of this kind of probe; write \"C\" or \"F\"",
    ];
    assert_eq!(check(text).unwrap_err(), wanted);
}

#[test]
fn what_is_no_toml_is_told_by_its_lines() {
    let problems = check("[farm]\nname = \n[endpoint\n").unwrap_err();
    assert!(problems[0].starts_with("h.toml:2: "), "{problems:#?}");
    assert!(problems.len() >= 2 && problems.iter().all(|problem| problem.ends_with("correct the TOML here")));
}

#[test]
fn each_mistake_in_a_farm_or_a_broker_is_named() {
    for (from, to, wanted) in [
        ("[farm]", "colour = 1\n[farm]", "h.toml:4: colour: is no key in this file; the keys are"),
        ("\"Quillback Farm\"", "\"\"", "h.toml:5: farm.name: is empty; write a text in quotes"),
        ("[endpoint]", "standards = [\"us-organik\"]\n[endpoint]", "`us-organik` is not known; choose from"),
        ("[endpoint]", "shows = \"K\"\n[endpoint]", "`K` is not known here; write \"F\" or \"C\""),
        ("[endpoint]\nlisten = \"127.0.0.1:1883\"", "", "endpoint: readings come from nowhere"),
        ("listen = \"127.0.0.1:1883\"", "listen = \"1883\"", "`1883` is no address with a port"),
        ("[[probe]]", "[broker]\nhost = \"mqtt://a\"\n[[probe]]", "broker.host: `mqtt://a` is a URL"),
        (
            "[[probe]]",
            "[broker]\nhost = \"a\"\nuser = \"b\"\n[[probe]]",
            "stands alone; write `password_file` too",
        ),
        ("[[probe]]", "[store]\ncommit_every = \"1h\"\n[[probe]]", "store.commit_every: is too long"),
        ("[[probe]]", "[probe]", "probe: is a table; write each one as a table: [[probe]]"),
        ("[[probe]]", "standards_dir = 1\n[[probe]]", "endpoint.standards_dir: is no key of [endpoint]"),
        ("\"heap/k1\"", "\"\"", "probe.topic: is empty"),
        ("\"1m\"", "\"0m\"", "probe.every: is no time at all"),
        ("\"k1\"", "\"hand:k1\"", "probe.id: `hand:k1` is no id"),
    ] {
        let problem = one_problem(from, to);
        assert!(problem.contains(wanted), "{problem}");
    }
}

#[test]
fn each_mistake_in_a_mapping_is_named() {
    for (keys, wanted) in [
        ("value = \"/t\"\nunit = \"C\"\ntime_format = \"epoch_s\"", "no time is named"),
        (
            "value = \"/t\"\nunit = \"C\"\ntime = \"/at\"\nzone = \"UTC\"",
            "probe.zone: is for time_format = \"naive\"",
        ),
        ("value = \"/t\"\nunit = \"C\"\non_above = 20", "probe.on_above: is for kind = \"blower\""),
        ("value = \"/t\"\nunit = \"C\"\ncalibration = [[1, 2]]", "write at least two points"),
        ("value = \"/t\"\nunit = \"C\"\ncalibration = [[2, 2], [1, 1]]", "the reported ones rising"),
        ("value = \"/t\"\nunit = \"C\"\ncalibration = [[2], [1, 1]]", "write at least two points"),
        ("value = \"/t\"\nunit = \"C\"\npattern = \"x\"", "probe.pattern: is for format = \"regex\""),
        ("format = \"regex\"\nunit = \"C\"", "probe.pattern: is missing"),
        ("format = \"regex\"\nunit = \"C\"\npattern = \"x\"", "has no group (?P<value>...)"),
        ("kind = \"moisture\"\nvalue = \"/m\"\nunit = \"raw\"", "probe.calibration: is missing"),
        ("kind = \"blower\"\nvalue = \"/p\"\nunit = \"C\"", "write \"W\" or \"on/off\""),
        (
            "value = \"/t\"\nunit = \"C\"\nbytes = { at = -1, type = \"u8\" }",
            "probe.bytes.at: `-1` is out of range",
        ),
        (
            "value = \"/t\"\nunit = \"C\"\nbytes = { at = 1, type = \"u9\" }",
            "probe.bytes.type: `u9` is not known",
        ),
        ("value = \"/t\"\nunit = \"C\"\nguard = { equals = 1 }", "probe.guard.pointer: is missing"),
        (
            "value = \"/t\"\nunit = \"C\"\nselect = { key = \"/id\", equals = 1 }",
            "probe.select.array: is missing",
        ),
        (
            "value = \"/t\"\nunit = \"C\"\nselect = { array = \"/0\", key = \"/id\", equals = 1 }",
            "probe.select: goes by position",
        ),
        (
            "value = \"/t\"\nunit = \"C\"\nreject = [\"-127\"]",
            "has an item that is a text (each must be a number",
        ),
        ("kind = \"availability\"\nonline = \"on\"", "probe.every: is no key of [probe]"),
    ] {
        let problems = check(&probe(keys)).unwrap_err();
        assert!(problems.iter().any(|problem| problem.contains(wanted)), "{wanted}: {problems:#?}");
    }
    assert!(check(&probe("value = \"/0/c\"\nunit = \"C\"\nfixed_order = true")).is_ok());
}

#[test]
fn each_mistake_in_telling_is_named() {
    let mail = "[[channel]]\nname = \"mail\"\nkind = \"mail\"\nhost = \"a\"\nfrom = \"a@b\"\n";
    let request = "[[channel]]\nname = \"text\"\nkind = \"request\"\n";
    for (text, wanted) in [
        ("[[channel]]\nname = \"a\"".to_owned(), "channel.kind: is missing; write \"mail\", \"request\""),
        ("[[channel]]\nname = \"a\"\nkind = \"pigeon\"".to_owned(), "`pigeon` is not known here"),
        (format!("{mail}security = \"plain\""), "channel.security: sends mail and password readable"),
        (format!("{mail}user = \"a\""), "channel.user: stands alone; write `password_file` too"),
        (format!("{mail}url = \"https://a\""), "channel.url: is no key of [channel]"),
        (format!("{mail}{mail}"), "channel: there are two of the name `mail`"),
        (format!("{mail}ca_file = \"none.pem\""), "there is no file `DIR/none.pem`"),
        (format!("{request}url = \"http://a/b\""), "channel.url: goes unencrypted"),
        (
            format!("{request}url = \"https://bücher.example/ü\""),
            "channel.url: `bücher.example` has letters beyond",
        ),
        (
            mail.replace("\"a\"", "\"mühle.example\""),
            "channel.host: `mühle.example` has letters beyond ASCII; write",
        ),
        (format!("{request}url = \"a/b\""), "channel.url: `a/b` is no address"),
        (format!("{request}url = \"https://me:pw@a/b\""), "channel.url: holds a user or password"),
        (
            format!("{request}url = \"https://a\"\nbody = \"{{{{secret:t}}}}\""),
            "`{{secret:t}}` is not among the",
        ),
        ("[heartbeat]\nurl = \"http://a\"".to_owned(), "heartbeat.url: goes unencrypted"),
        ("[telling]\nsummary_at = \"6:30\"".to_owned(), "write a local time of day such as \"06:30\""),
        ("[telling]\nremind_after = \"1m\"".to_owned(), "telling.remind_after: is so short"),
        ("[[contact]]\nname = \"O\"".to_owned(), "contact.addresses: is missing"),
        ("[[contact]]\nname = \"O\"\naddresses = { fax = \"1\" }".to_owned(), "there is no channel `fax`"),
        (
            format!("{mail}[[contact]]\nname = \"O\"\naddresses = {{ mail = \"1\" }}"),
            "`1` is no mail address",
        ),
        (
            format!("{mail}[[contact]]\nname = \"O\"\naddresses = {{ mail = \"a@b\" }}\nsummary_by = \"x\""),
            "contact.summary_by: this contact has no address for `x`",
        ),
        (
            format!(
                "{mail}[[contact]]\nname = \"O\"\naddresses = {{ mail = \"a@b\" }}\nquiet = {{ from = \"21:00\" }}"
            ),
            "contact.quiet.until: is missing",
        ),
    ] {
        let problems = check(&format!("{MINIMAL}\n{text}\n")).unwrap_err();
        assert_eq!(problems.len(), 1, "{wanted}: {problems:#?}");
        assert!(problems[0].contains(wanted), "{wanted}: {problems:#?}");
    }
    assert!(check(&format!("{MINIMAL}\n{request}url = \"http://127.0.0.1:9/a\"\n")).is_ok());
}

#[test]
fn a_secret_that_others_can_read_or_that_is_none_is_refused() {
    let text = format!("{MINIMAL}\n[broker]\nhost = \"a\"\nuser = \"b\"\npassword_file = \"pw\"\n");
    let refused = |dir: &tempfile::TempDir, wanted: &str| {
        let problems = read("h.toml", &text, dir.path(), None).unwrap_err();
        assert_eq!(problems.0.len(), 1, "{problems}");
        assert!(problems.to_string().contains(wanted), "{wanted}: {problems}");
    };
    let dir = tempfile::tempdir().unwrap();
    refused(&dir, "put the secret into that file");
    for (secret, mode, wanted) in [
        ("a b c", 0o644, "others can read"),
        ("", 0o600, "is empty"),
        ("\n", 0o600, "is empty"),
        ("a\nb\n", 0o600, "more than one line"),
        ("change-me\n", 0o600, "still holds an example"),
    ] {
        write(&dir, "pw", secret, mode);
        refused(&dir, wanted);
    }
    write(&dir, "pw", "of our own", 0o640);
    let config = read("h.toml", &text, dir.path(), None).unwrap();
    assert_eq!(config.broker.as_ref().unwrap().password.as_ref().unwrap().reveal(), "of our own");
    assert!(!format!("{config:?}").contains("of our own"), "a secret shows in the debug text");
}

#[test]
fn a_credential_of_systemd_goes_before_a_file() {
    let text = format!("{MINIMAL}\n[broker]\nhost = \"a\"\nuser = \"b\"\npassword_file = \"pw\"\n");
    let dir = tempfile::tempdir().unwrap();
    write(&dir, "pw", "from the folder", 0o600);
    let credentials = tempfile::tempdir().unwrap();
    write(&credentials, "pw", "from systemd", 0o444);
    let config = read("h.toml", &text, dir.path(), Some(credentials.path().to_owned())).unwrap();
    assert_eq!(config.broker.unwrap().password.unwrap().reveal(), "from systemd");
}

#[test]
fn a_file_that_is_not_there_says_how_to_name_it() {
    let problems = load(Path::new("/nowhere/heapward.toml")).unwrap_err().to_string();
    assert!(problems.starts_with("/nowhere/heapward.toml:1: cannot be read"), "{problems}");
    assert!(problems.contains("--config FILE"), "{problems}");
}

#[test]
fn the_figures_of_the_watch_are_the_farms_or_a_piles_own() {
    let config = check(EXAMPLE).unwrap();
    assert_eq!(
        config.watch.farm,
        heapward_rules::watch::Params::default(),
        "the example shows what holds anyway"
    );
    assert_eq!(config.watch.of("2026-03").drying.dry_mass_kg, Some(1370.0));
    assert_eq!(config.watch.of("2026-04"), &config.watch.farm);
    let own = "[watch]\noverheating = \"72 C\"\nsilent_after = \"1h\"\n[[watch.pile]]\npile = \"a\"\nfire = \"180 F\"\n";
    let watch = check(&format!("{MINIMAL}\n{own}")).unwrap().watch;
    assert_eq!((watch.farm.overheating.act.to_f(), watch.farm.ahead.limit.to_f()), (161.6, 161.6));
    assert_eq!(watch.silence.at_least, Span::hours(1));
    assert_eq!(watch.of("a").overheating.act, watch.farm.overheating.act);
    assert!(watch.of("a").overheating.fire.0 < watch.farm.overheating.fire.0);
}

#[test]
fn each_mistake_in_the_watch_is_named() {
    let cases = [
        ("fire = 185", "watch.fire: "),
        ("fire = \"85 F\"", "watch.fire: is no temperature of a hot pile"),
        (
            "overheating = \"172 F\"",
            "watch.overheating: overheating, overheating_urgent and fire have to rise",
        ),
        ("run_at_risk = \"140 F\"", "watch.run_at_risk: is not below 136 F"),
        ("slow_after = \"5d\"", "watch.slow_after: slow_after, slow_text_after and stalled_after"),
        ("wanted_moisture = 40", "watch.wanted_moisture: is not above low_moisture"),
        ("low_battery = 120", "watch.low_battery: is no percentage"),
        ("dry_mass_kg = -4", "watch.dry_mass_kg: is no mass of a pile"),
        ("silent_after = \"10s\"", "watch.silent_after: is so short"),
        ("oevrheating = \"160 F\"", "watch.oevrheating: "),
    ];
    for (keys, expected) in cases {
        let problems = check(&format!("{MINIMAL}\n[watch]\n{keys}\n")).unwrap_err();
        assert!(problems.iter().any(|problem| problem.contains(expected)), "{keys}: {problems:#?}");
    }
    let twice = "[watch]\n[[watch.pile]]\npile = \"a\"\n[[watch.pile]]\npile = \"a\"\n";
    let problems = check(&format!("{MINIMAL}\n{twice}")).unwrap_err();
    assert!(problems.concat().contains("stands there twice"), "{problems:#?}");
}
