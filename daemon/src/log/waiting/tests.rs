//! Whoever logs goes on whatever the disk does, and every line is found again or counted.

use super::super::LogFiles;
use super::*;
use crate::files::Disk;
use std::path::Path;
use std::sync::Mutex;
use std::sync::mpsc::channel;

/// A disk with so much room.
#[derive(Clone)]
struct Small(Arc<Mutex<usize>>);

impl Volume for Small {
    fn create(&self, path: &Path, bytes: &[u8]) -> io::Result<()> {
        Disk.create(path, bytes)
    }
    fn extend(&self, path: &Path, bytes: &[u8]) -> io::Result<()> {
        let mut room = self.0.lock().unwrap();
        let fits = bytes.len().min(*room);
        *room -= fits;
        Disk.extend(path, &bytes[..fits])?;
        if fits < bytes.len() { Err(io::ErrorKind::StorageFull.into()) } else { Ok(()) }
    }
    fn sync(&self, path: &Path) -> io::Result<()> {
        Disk.sync(path)
    }
    fn rename(&self, from: &Path, to: &Path) -> io::Result<()> {
        Disk.rename(from, to)
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

fn writer(folder: &Path, room: usize) -> (Writer<Small, Vec<u8>>, Arc<Mutex<usize>>) {
    let room = Arc::new(Mutex::new(room));
    let files = BoundedLog::open(Small(room.clone()), folder.to_owned(), &LogFiles::default()).unwrap();
    (Writer { files, beside: Vec::new(), away: 0, lost: Arc::new(AtomicU64::new(0)) }, room)
}

#[test]
fn what_a_full_disk_does_not_take_goes_to_standard_error() {
    let dir = tempfile::tempdir().unwrap();
    let (mut writer, room) = writer(dir.path(), 20);
    for number in 0..4 {
        writer.line(format!("line {number}\n").as_bytes());
    }
    *room.lock().unwrap() = 10_000;
    writer.line(b"line 4\n");
    let beside = String::from_utf8(writer.beside).unwrap();
    assert_eq!(beside.lines().skip(1).collect::<Vec<_>>(), ["line 2", "line 3"]);
    assert!(beside.starts_with("WARN the log's files take nothing: no storage space"), "{beside}");
    let file = std::fs::read_to_string(dir.path().join("calwright.log")).unwrap();
    // The torn begin of a line that went elsewhere ends on its own.
    let wanted = "line 0\nline 1\nline 2\nWARN 2 lines before this one went to standard error\nline 4\n";
    assert_eq!(file, wanted);
}

#[test]
fn lines_without_room_are_counted_and_nobody_waits() {
    let dir = tempfile::tempdir().unwrap();
    let (writer, _room) = writer(dir.path(), 10_000);
    let (queue, messages) = sync_channel(2);
    let mut lines = Lines { queue, lost: writer.lost.clone() };
    for number in 0..5 {
        lines.write_all(format!("line {number}\n").as_bytes()).unwrap();
    }
    drop(lines);
    writer.run(&messages);
    let file = std::fs::read_to_string(dir.path().join("calwright.log")).unwrap();
    let wanted = "WARN 3 lines of the log were lost: the disk did not take them in time\nline 0\nline 1\n";
    assert_eq!(file, wanted);
}

#[test]
fn what_waits_at_the_end_is_written() {
    let dir = tempfile::tempdir().unwrap();
    let lock = File::create(dir.path().join("lock")).unwrap();
    let files = BoundedLog::open(Disk, dir.path().to_owned(), &LogFiles::default()).unwrap();
    let (log, lines) = Log::begin(lock, files);
    let (done, all) = channel();
    for _ in 0..4 {
        let (mut lines, done) = (lines.clone(), done.clone());
        thread::spawn(move || {
            for number in 0..100 {
                lines.write_all(format!("line {number}\n").as_bytes()).unwrap();
            }
            done.send(()).unwrap();
        });
    }
    for _ in 0..4 {
        all.recv().unwrap();
    }
    drop(log);
    let file = std::fs::read_to_string(dir.path().join("calwright.log")).unwrap();
    assert_eq!(file.lines().count(), 400);
}
