use heapward_rules::units::Span;
use tempfile::TempDir;

use super::*;
use crate::config::read::read;
use crate::store::{self, Store, StoreOptions};

const ZONE: Tz = chrono_tz::America::New_York;
/// 12 May 2026, 02:30 in the barn.
const NIGHT: At = At(1_778_567_400_000);

struct Barn {
    dir: TempDir,
    store: Store,
    config: Config,
    copies: Copies,
}

fn barn() -> Barn {
    let dir = tempfile::tempdir().unwrap();
    let (records, stick) = (dir.path().join("records"), dir.path().join("stick"));
    fs::create_dir_all(&stick).unwrap();
    let text = format!(
        "standards_dir = \"own\"\n[farm]\nname = \"Quillback Farm\"\ntimezone = \"America/New_York\"\n\
         [endpoint]\nlisten = \"127.0.0.1:1883\"\n[store]\ndir = \"{}\"\n[backup]\ndir = \"stick\"\nkeep = 3\nsame_disk = true\n",
        records.display()
    );
    let own = dir.path().join("own");
    fs::create_dir_all(&own).unwrap();
    let standard =
        include_str!("../../../config/standards/us-organic.toml").replace("\"us-organic\"", "\"ours\"");
    fs::write(own.join("ours.toml"), standard).unwrap();
    let config =
        read("heapward.toml", &text, dir.path(), None).unwrap_or_else(|problems| panic!("{problems}"));
    let (mut store, _) = Store::open(&StoreOptions::new(&records, ZONE)).unwrap();
    store.transact(|tx| tx.put_document("a", b"b")).unwrap();
    let copies = Copies::new(config.backup.as_ref().unwrap(), ZONE);
    Barn { dir, store, config, copies }
}

impl Barn {
    fn make(&self, now: At) -> Result<PathBuf, CopyError> {
        self.copies.make(&self.store.reader(), &self.config, now)
    }

    fn names(&self) -> Vec<String> {
        let entries = fs::read_dir(self.copies.dir()).unwrap();
        let mut names: Vec<_> =
            entries.map(|entry| entry.unwrap().file_name().into_string().unwrap()).collect();
        names.sort_unstable();
        names
    }
}

#[test]
fn a_copy_a_night_of_which_the_newest_are_kept() {
    let barn = barn();
    // A folder that somebody made, and a copy that was cut short, are not copies.
    fs::create_dir(barn.copies.dir().join("heapward-2019-01-01")).unwrap();
    fs::create_dir(barn.copies.dir().join("heapward-2026-05-12.part")).unwrap();
    assert_eq!(barn.copies.newest(), None);
    for night in 0..5 {
        let now = NIGHT + Span::days(night);
        barn.make(now).unwrap();
        assert_eq!(barn.copies.newest(), Some(now));
    }
    let kept = ["heapward-2019-01-01", "heapward-2026-05-14", "heapward-2026-05-15", "heapward-2026-05-16"];
    assert_eq!(barn.names(), kept);
    // A second one of the same day takes the place of the first.
    barn.make(NIGHT + Span::days(4) + Span::hours(1)).unwrap();
    assert_eq!(barn.names(), kept);
    assert_eq!(barn.copies.newest(), Some(NIGHT + Span::days(4) + Span::hours(1)));
    // What summary and doctor say is noted with the store, as for a copy by hand: a stick may be pulled out.
    fs::remove_dir_all(barn.copies.dir()).unwrap();
    let records = barn.dir.path().join("records");
    assert_eq!(store::last_copy(&records), Some(NIGHT + Span::days(4) + Span::hours(1)));
    assert!(barn.make(NIGHT + Span::days(5)).is_err());
    assert_eq!(store::last_copy(&records), Some(NIGHT + Span::days(4) + Span::hours(1)));
    note_copy(&records, NIGHT + Span::days(6)).unwrap();
    assert_eq!(store::last_copy(&records), Some(NIGHT + Span::days(6)));
}

#[test]
fn a_copy_is_a_store_with_its_configuration_and_no_secret() {
    let barn = barn();
    let copy = barn.make(NIGHT).unwrap();
    let of = |name: &str| fs::read_to_string(copy.join("configuration").join(name)).unwrap();
    assert_eq!(of("heapward.toml"), barn.config.text);
    assert!(of("standards/ours.toml").contains("ours"));
    let options = StoreOptions::new(barn.dir.path().join("again"), ZONE);
    store::restore(&copy, &options).unwrap();
    let (store, _) = Store::open(&options).unwrap();
    assert_eq!(store.reader().document("a").unwrap().as_deref(), Some(b"b".as_slice()));
}

/// A stick that is not mounted leaves its empty folder on the card, which is not to be filled.
#[test]
fn no_copy_goes_where_the_records_lie_unless_it_is_wanted_there() {
    let mut barn = barn();
    barn.copies.same_disk = false;
    let error = barn.make(NIGHT).unwrap_err();
    assert!(matches!(&error, CopyError::SameDisk(_)), "{error}");
    assert!(error.to_string().contains("is the stick in and mounted? "), "{error}");
    assert_eq!(barn.names(), [""; 0]);
}

#[test]
fn what_hinders_a_copy_is_said_and_nothing_half_stays() {
    let barn = barn();
    let stick = barn.copies.dir().to_owned();
    fs::remove_dir(&stick).unwrap();
    let error = barn.make(NIGHT).unwrap_err().to_string();
    assert_eq!(error, format!("there is no folder {}: is the stick in and mounted?", stick.display()));
    assert!(!stick.exists(), "an empty folder was made where the stick belongs");
    fs::create_dir(&stick).unwrap();
    fs::remove_dir_all(barn.dir.path().join("own")).unwrap();
    let error = barn.make(NIGHT).unwrap_err().to_string();
    assert!(error.contains("has it room"), "{error}");
    assert_eq!(barn.names(), [""; 0]);
}
