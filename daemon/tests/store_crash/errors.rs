//! A disk that says no: full or broken, once or for good, in writing and in reading.

use crate::disk::{Fate, Fault, Files, MemoryDisk, Power, Random};
use crate::workload::{Dump, House, Model, STEPS, dump, one_in};

const ENOSPC: i32 = 28;
const EIO: i32 = 5;
/// Steps from one start to the next.
const STRIDE: u64 = 10;

/// The files as they are after so many steps, and what they hold.
struct Start {
    files: Files,
    done: u64,
    model: Model,
}

fn starts() -> Vec<Start> {
    let disk = MemoryDisk::default();
    let mut house = House::open(&disk).unwrap();
    let mut model = Model::default();
    let mut starts = Vec::new();
    for k in 1..=STEPS {
        if k % STRIDE == 1 {
            starts.push(Start { files: disk.files(), done: k - 1, model: model.clone() });
        }
        house.step(k).unwrap();
        model.step(k);
    }
    starts
}

/// What each step may leave, the state before the first included.
fn dumps(start: &Start) -> Vec<Dump> {
    let mut model = start.model.clone();
    let mut dumps = vec![model.dump()];
    for k in start.done + 1..=start.done + STRIDE {
        model.step(k);
        dumps.push(model.dump());
    }
    dumps
}

/// Runs the steps over a fault, opens again after the error, and goes on. Whether the fault was met.
fn over_fault(start: &Start, dumps: &[Dump], fault: Fault) -> Result<bool, String> {
    let disk = MemoryDisk::new(start.files.clone());
    let mut house = House::open(&disk).map_err(|e| format!("opening before the fault: {e}"))?;
    disk.fail_mutation(Some(fault));
    let mut met = false;
    let mut k = start.done + 1;
    while k <= start.done + STRIDE {
        let Err(error) = house.step(k) else {
            k += 1;
            continue;
        };
        met = true;
        if !error.must_reopen() {
            return Err(format!("step {k}: the error does not ask for another opening: {error}"));
        }
        drop(house);
        disk.fail_mutation(None);
        house = House::open(&disk).map_err(|e| format!("step {k}: opening again: {e}"))?;
        let found = dump(&house.store.reader()).map_err(|e| format!("step {k}: {e}"))?;
        let (before, after) = (
            &dumps[usize::try_from(k - start.done).unwrap() - 1],
            &dumps[usize::try_from(k - start.done).unwrap()],
        );
        if found == *after && k.is_multiple_of(4) {
            // The transaction was there after all; its writer looks before it writes again.
            k += 1;
        } else if found != *before && found != *after {
            return Err(format!("step {k}: neither what was acknowledged nor one step more"));
        }
    }
    let found = dump(&house.store.reader()).map_err(|e| e.to_string())?;
    if found != dumps[dumps.len() - 1] {
        return Err("something is missing at the end".to_owned());
    }
    // And the power goes: what the card was never given again is not there.
    let forgotten = disk.forgotten();
    let mut power = Power::new(start.files.clone());
    for (i, op) in disk.trace().iter().enumerate() {
        if !forgotten.contains(&i) {
            power.follow(op);
        }
    }
    drop(house);
    let files = power.cut(Fate::AllLost, &mut Random(0));
    let house = House::on(files).map_err(|e| format!("after the power cut: {e}"))?;
    let found = dump(&house.store.reader()).map_err(|e| e.to_string())?;
    if found != dumps[dumps.len() - 1] {
        return Err("something acknowledged is gone after the power cut".to_owned());
    }
    Ok(met)
}

#[test]
fn an_error_at_any_write_is_told_and_outlived() {
    let (mut runs, mut met, mut bad) = (0, 0, Vec::new());
    for (i, start) in starts().iter().enumerate() {
        let dumps = dumps(start);
        let calls = {
            let disk = MemoryDisk::new(start.files.clone());
            let mut house = House::open(&disk).unwrap();
            let before = disk.trace_len();
            (start.done + 1..=start.done + STRIDE).for_each(|k| house.step(k).unwrap());
            disk.trace_len() - before
        };
        let every = 8 * one_in() as usize;
        for at in (i % every..calls).step_by(every) {
            for (error, is_sticky, forgets) in
                [(ENOSPC, false, false), (ENOSPC, true, false), (EIO, false, true), (EIO, true, true)]
            {
                runs += 1;
                match over_fault(start, &dumps, Fault { at: at as u64, error, is_sticky, forgets }) {
                    Ok(was_met) => met += u64::from(was_met),
                    Err(what) => bad.push(format!(
                        "from step {}, call {at}, error {error}, sticky {is_sticky}: {what}",
                        start.done
                    )),
                }
            }
        }
    }
    println!("{runs} runs, {met} met the error, {} bad", bad.len());
    assert!(bad.is_empty(), "{:#?}", &bad[..bad.len().min(8)]);
    assert!(met >= 1_000 / u64::from(one_in()), "only {met} of {runs} runs met their error");
}

#[test]
fn an_error_at_any_read_is_told_and_outlived() {
    let (mut runs, mut met, mut bad) = (0, 0, Vec::new());
    for start in starts().iter().step_by(3) {
        let dumps = dumps(start);
        for at in (0..400).step_by(9 * one_in() as usize) {
            runs += 1;
            let disk = MemoryDisk::new(start.files.clone());
            disk.fail_read(Some(Fault { at, error: EIO, is_sticky: false, forgets: false }));
            let first = House::open(&disk).and_then(|mut house| {
                (start.done + 1..=start.done + STRIDE).try_for_each(|k| house.step(k))?;
                dump(&house.store.reader())
            });
            met += u64::from(first.is_err());
            if first.is_ok_and(|found| found != dumps[dumps.len() - 1]) {
                bad.push(format!("from step {}, read {at}: wrong without an error", start.done));
            }
            disk.fail_read(None);
            let found = House::open(&disk).and_then(|house| dump(&house.store.reader()));
            match found {
                Ok(found) if dumps.contains(&found) => {}
                Ok(_) => bad.push(format!("from step {}, read {at}: wrong after opening again", start.done)),
                Err(e) => bad.push(format!("from step {}, read {at}: {e}", start.done)),
            }
        }
    }
    println!("{runs} runs, {met} met the error, {} bad", bad.len());
    assert!(bad.is_empty(), "{:#?}", &bad[..bad.len().min(8)]);
    assert!(met >= 300 / u64::from(one_in()), "only {met} of {runs} runs met their error");
}
