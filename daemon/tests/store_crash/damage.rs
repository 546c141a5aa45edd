//! Files that were damaged while nobody looked: right, or refused, and never silently wrong.

use std::panic::{AssertUnwindSafe, catch_unwind};

use heapward_rules::units::At;

use crate::disk::{Files, MemoryDisk, Random};
use crate::workload::{Dump, House, Model, STEPS, dump, one_in, options};

/// Damaged stores of each kind.
const EACH: u64 = 500;

#[derive(Clone, Copy, Debug)]
enum Kind {
    Bit,
    SectorOfZeros,
    PageOfZeros,
    /// A page as it was some time before.
    StalePage,
    PageOverAnother,
    CutShort,
}

const KINDS: [Kind; 6] = [
    Kind::Bit,
    Kind::SectorOfZeros,
    Kind::PageOfZeros,
    Kind::StalePage,
    Kind::PageOverAnother,
    Kind::CutShort,
];

/// A store closed in order, and the same some time before.
fn closed() -> (Files, Files, Dump) {
    let disk = MemoryDisk::default();
    let mut house = House::open(&disk).unwrap();
    let (mut model, mut before) = (Model::default(), Files::new());
    for k in 1..=STEPS - 10 {
        house.step(k).unwrap();
        model.step(k);
        if k == STEPS - 60 {
            before = disk.files();
        }
    }
    drop(house);
    (disk.files(), before, model.dump())
}

fn damage(files: &mut Files, before: &Files, name: &str, kind: Kind, random: &mut Random) {
    let old = before[name].clone();
    let file = files.get_mut(name).unwrap();
    let pick = |random: &mut Random, n: usize| usize::try_from(random.below(n as u64)).unwrap();
    let page = pick(random, file.len() / 4_096) * 4_096;
    match kind {
        Kind::Bit => {
            let at = pick(random, file.len());
            file[at] ^= 1 << random.below(8);
        }
        Kind::SectorOfZeros => {
            let at = pick(random, file.len() / 512) * 512;
            file[at..at + 512].fill(0);
        }
        Kind::PageOfZeros => file[page..page + 4_096].fill(0),
        Kind::StalePage => {
            let page = pick(random, old.len().min(file.len()) / 4_096) * 4_096;
            file[page..page + 4_096].copy_from_slice(&old[page..page + 4_096]);
        }
        Kind::PageOverAnother => {
            let from = pick(random, file.len() / 4_096) * 4_096;
            file.copy_within(from..from + 4_096, page);
        }
        Kind::CutShort => file.truncate(pick(random, file.len())),
    }
}

#[test]
fn a_damaged_file_is_right_or_refused_and_never_silently_wrong() {
    let (whole, before, expected) = closed();
    let mut random = Random::seeded(6);
    let (mut right, mut refused, mut bad) = (0_u32, 0_u32, Vec::new());
    for kind in KINDS {
        for i in 0..EACH / u64::from(one_in()) {
            let name = if i % 3 == 0 { "side.log" } else { "store.redb" };
            let mut files = whole.clone();
            damage(&mut files, &before, name, kind, &mut random);
            let opened = catch_unwind(AssertUnwindSafe(|| {
                let house = House::on(files)?;
                dump(&house.store.reader())
            }));
            match opened {
                Ok(Ok(found)) if found == expected => right += 1,
                Ok(Ok(_)) => bad.push(format!("{kind:?} in {name}, no. {i}: silently wrong")),
                Ok(Err(_)) => refused += 1,
                Err(_) => bad.push(format!("{kind:?} in {name}, no. {i}: a panic")),
            }
        }
    }
    println!("{right} right, {refused} refused, {} bad", bad.len());
    assert!(bad.is_empty(), "{:#?}", &bad[..bad.len().min(8)]);
    assert!(right > 100 / one_in() && refused > 1_000 / one_in(), "{right} right, {refused} refused");
}

/// Whatever is refused can be set aside: the evidence stays, the log goes on, and the loss is told.
#[test]
fn what_is_refused_is_set_aside_and_told() {
    let (whole, before, expected) = closed();
    let mut random = Random::seeded(7);
    let mut aside = 0_u32;
    for i in 0..200 / u64::from(one_in()) {
        let name = if i % 2 == 0 { "side.log" } else { "store.redb" };
        let mut files = whole.clone();
        damage(&mut files, &before, name, KINDS[usize::try_from(i % 6).unwrap()], &mut random);
        let damaged = files[name].clone();
        let disk = MemoryDisk::new(files);
        let now = At(crate::workload::START + 40 * 86_400_000);
        let options = options(&disk);
        let (store, report) =
            heapward::store::Store::open_or_set_aside(&options, &heapward::store::Reader::new(), now)
                .unwrap();
        let found = dump(&store.reader()).unwrap();
        if report.set_aside.is_empty() {
            assert_eq!(found, expected, "no. {i}");
            continue;
        }
        aside += 1;
        assert!(!report.sentences().is_empty(), "no. {i}");
        let kept = disk.files();
        let evidence = report.set_aside.iter().filter(|file| kept[*file] == damaged).count();
        assert_eq!(evidence, 1, "no. {i}: the damaged file is kept as it was");
        assert!(found.is_part_of(&expected), "no. {i}: something was made up");
    }
    assert!(aside > 50 / one_in(), "only {aside} were set aside");
}
