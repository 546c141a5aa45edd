//! Distinct 4 KiB pages written between syncs, from the system calls: what a card has to take. The kernel's own account
//! (`/proc/PID/io`) counts whole large folios and is of no use here.

use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;
use std::process::Command;

const PAGE: u64 = 4_096;

/// Pages of one run after its MARK, and how many syncs there were. `None` without strace.
pub fn pages(arguments: &[&str], trace: &Path) -> Option<(u64, u64)> {
    let program = std::env::current_exe().ok()?;
    let status = Command::new("strace")
        .args(["-f", "-s", "0", "-e", "trace=openat,pwrite64,write,fdatasync,fsync", "-o"])
        .arg(trace)
        .arg(program)
        .args(arguments)
        .stdout(std::process::Stdio::null())
        .status();
    if !status.is_ok_and(|status| status.success()) {
        return None;
    }
    Some(count(&std::fs::read_to_string(trace).ok()?))
}

fn count(trace: &str) -> (u64, u64) {
    let mut dirty: BTreeMap<u64, BTreeSet<u64>> = BTreeMap::new();
    let mut place: BTreeMap<u64, u64> = BTreeMap::new();
    let (mut pages, mut syncs, mut counts) = (0, 0, false);
    for line in trace.lines() {
        let call = line.split_once(' ').map_or(line, |(_, call)| call.trim_start());
        let Some((name, rest)) = call.split_once('(') else { continue };
        let result = rest.rsplit_once("= ").and_then(|(_, result)| result.trim().parse::<u64>().ok());
        let arguments: Vec<&str> = rest.split(['(', ')', ',']).map(str::trim).collect();
        let fd = arguments.first().and_then(|fd| fd.parse::<u64>().ok());
        match (name, fd, result) {
            ("openat", _, Some(fd)) => {
                counts |= rest.contains("MARK");
                place.insert(fd, 0);
                dirty.remove(&fd);
            }
            ("pwrite64", Some(fd), Some(n)) if n > 0 => {
                let at: u64 = arguments.iter().rev().find_map(|a| a.parse().ok()).unwrap_or(0);
                let offset = offset_of(&arguments).unwrap_or(at);
                dirty.entry(fd).or_default().extend(offset / PAGE..=(offset + n - 1) / PAGE);
            }
            ("write", Some(fd), Some(n)) if fd > 2 && n > 0 => {
                let at = place.entry(fd).or_default();
                dirty.entry(fd).or_default().extend(*at / PAGE..=(*at + n - 1) / PAGE);
                *at += n;
            }
            ("fsync" | "fdatasync", Some(fd), _) => {
                let synced = dirty.remove(&fd).unwrap_or_default();
                if counts {
                    pages += synced.len() as u64;
                    syncs += 1;
                }
            }
            _ => {}
        }
    }
    (pages, syncs)
}

/// `pwrite64(fd, ""..., length, offset) = n`: the fourth argument.
fn offset_of(arguments: &[&str]) -> Option<u64> {
    let numbers: Vec<u64> = arguments.iter().skip(2).filter_map(|a| a.parse().ok()).collect();
    numbers.get(1).copied()
}
