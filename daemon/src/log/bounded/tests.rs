//! Files stay within their bounds, and between the oldest and the newest no line is missing, wherever the program was cut off.

use super::*;
use crate::files::Disk;
use proptest::prelude::*;
use std::path::Path;
use std::sync::atomic::{AtomicU32, Ordering};

const LARGEST: u64 = 100;

fn log<V: Volume>(volume: V, folder: &Path, kept: u32) -> BoundedLog<V> {
    let settings = LogFiles { folder: None, file_mib_max: 1, files_kept: kept };
    BoundedLog { largest: LARGEST, ..BoundedLog::open(volume, folder.to_owned(), &settings).unwrap() }
}

/// The files from the oldest to the newest.
fn files(folder: &Path) -> Vec<String> {
    let mut found: Vec<(u32, String)> = std::fs::read_dir(folder)
        .unwrap()
        .map(|entry| {
            let path = entry.unwrap().path();
            let number = path.extension().and_then(|e| e.to_str()).and_then(|e| e.parse().ok());
            (number.unwrap_or(0), std::fs::read_to_string(path).unwrap())
        })
        .collect();
    found.sort_by_key(|(number, _)| std::cmp::Reverse(*number));
    found.into_iter().map(|(_, text)| text).collect()
}

/// The lines that are there have to be the last ones of `0..written`, each once; how many that are.
fn last_of(written: u32, folder: &Path) -> u32 {
    let text = files(folder).concat();
    let lines: Vec<u32> = text.lines().map(|l| l.split_once(' ').unwrap().0.parse().unwrap()).collect();
    let there = u32::try_from(lines.len()).unwrap();
    assert_eq!(lines, (written - there..written).collect::<Vec<_>>());
    there
}

fn line(number: u32, length: usize) -> Vec<u8> {
    format!("{number} {}\n", "x".repeat(length)).into_bytes()
}

/// A disk on which the power goes before one of the calls that give names.
struct Cut {
    calls_left: AtomicU32,
}

impl Cut {
    fn call(&self) -> io::Result<()> {
        let left = self.calls_left.load(Ordering::SeqCst);
        self.calls_left.store(left.saturating_sub(1), Ordering::SeqCst);
        if left == 0 { Err(io::Error::other("cut")) } else { Ok(()) }
    }
}

impl Volume for Cut {
    fn create(&self, path: &Path, bytes: &[u8]) -> io::Result<()> {
        Disk.create(path, bytes)
    }
    fn extend(&self, path: &Path, bytes: &[u8]) -> io::Result<()> {
        Disk.extend(path, bytes)
    }
    fn sync(&self, path: &Path) -> io::Result<()> {
        Disk.sync(path)
    }
    fn rename(&self, from: &Path, to: &Path) -> io::Result<()> {
        self.call().and_then(|()| Disk.rename(from, to))
    }
    fn remove(&self, path: &Path) -> io::Result<()> {
        Disk.remove(path)
    }
    fn make_directory(&self, path: &Path) -> io::Result<()> {
        Disk.make_directory(path)
    }
    fn sync_directory(&self, path: &Path) -> io::Result<()> {
        Disk.sync_directory(path)
    }
    fn exists(&self, path: &Path) -> bool {
        Disk.exists(path)
    }
    fn load(&self, path: &Path) -> io::Result<Vec<u8>> {
        Disk.load(path)
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]

    #[test]
    fn no_file_is_too_large_and_no_line_between_is_missing(
        kept in 1_u32..5,
        lengths in prop::collection::vec(0_usize..60, 1..80),
        starts in prop::collection::vec(any::<bool>(), 80),
    ) {
        let dir = tempfile::tempdir().unwrap();
        let mut log_now = log(Disk, dir.path(), kept);
        for (number, (length, again)) in lengths.iter().zip(&starts).enumerate() {
            if *again {
                log_now = log(Disk, dir.path(), kept);
            }
            log_now.add(&line(u32::try_from(number).unwrap(), *length)).unwrap();
        }
        let written = u32::try_from(lengths.len()).unwrap();
        last_of(written, dir.path());
        let files = files(dir.path());
        prop_assert!(files.len() <= kept as usize + 1);
        prop_assert!(files.iter().all(|text| text.len() as u64 <= LARGEST), "{files:?}");
        // What is given up is the oldest file, whole: the rest is as full as the lines let it be.
        let full = files.iter().skip(1).rev().skip(1).all(|text| text.len() as u64 + 65 > LARGEST);
        prop_assert!(full, "{files:?}");
    }

    #[test]
    fn a_cut_between_two_names_loses_no_line(kept in 1_u32..5, before in 0_u32..40, calls in 0_u32..6) {
        let dir = tempfile::tempdir().unwrap();
        let mut whole = log(Disk, dir.path(), kept);
        for number in 0..before {
            whole.add(&line(number, 40)).unwrap();
        }
        let there = last_of(before, dir.path());
        let mut cut = log(Cut { calls_left: AtomicU32::new(calls) }, dir.path(), kept);
        let mut number = before;
        while number < before + 8 && cut.add(&line(number, 40)).is_ok() {
            number += 1;
        }
        // Begun again, the line that was not taken is the next.
        let mut again = log(Disk, dir.path(), kept);
        again.add(&line(number, 40)).unwrap();
        let now = last_of(number + 1, dir.path());
        // At most one file, two lines here, goes for each new one.
        prop_assert!(now + 2 >= there.min(2 * kept), "{now} of {there}");
        prop_assert!(files(dir.path()).len() <= kept as usize + 1);
    }
}

#[test]
fn a_torn_end_does_not_spoil_the_next_line() {
    let dir = tempfile::tempdir().unwrap();
    std::fs::write(dir.path().join(NAME), "0 whole\n1 to").unwrap();
    log(Disk, dir.path(), 1).add(b"2 next\n").unwrap();
    assert_eq!(files(dir.path()), ["0 whole\n1 to\n2 next\n"]);
}

#[test]
fn a_line_without_bounds_is_cut() {
    let line = cut(&vec![b'x'; LINE_MAX + 7]);
    assert!(line.ends_with(" … 7 bytes more were cut\n".as_bytes()) && line.len() < LINE_MAX + 64);
    assert_eq!(cut(b"as it is"), b"as it is\n");
}

#[test]
fn with_fewer_to_be_kept_the_others_go() {
    let dir = tempfile::tempdir().unwrap();
    for name in ["", ".1", ".2", ".3", ".4"] {
        std::fs::write(dir.path().join(format!("{NAME}{name}")), name).unwrap();
    }
    log(Disk, dir.path(), 2);
    assert_eq!(files(dir.path()), [".2", ".1", ""]);
}
