//! A log in files of bounded size: `calwright.log`, and the older `calwright.log.1`, `.2` and so on.
//!
//! Owns the order of names. Whatever ends the program in the midst of it, no line is lost but those of the oldest file, whose time
//! has come. Must not: write more than the settings allow; what can't be written is given back to whoever asked.

use super::LogFiles;
use crate::files::Volume;
use std::io;
use std::path::PathBuf;

/// The file that is written to; the older ones have a number behind it.
const NAME: &str = "calwright.log";

/// Longest line, in bytes; what is longer is cut, and says so.
const LINE_MAX: usize = 64 << 10;

/// A log of at most (kept + 1) × largest bytes.
pub(super) struct BoundedLog<V> {
    volume: V,
    folder: PathBuf,
    /// In bytes, of one file.
    largest: u64,
    kept: u32,
    /// What the present file holds, in bytes; `None` where that has to be looked at first.
    size: Option<u64>,
    /// Its last line has no end.
    torn: bool,
}

impl<V: Volume> BoundedLog<V> {
    /// Goes on with the log of a folder that is there. Files beyond those to be kept are taken away.
    ///
    /// # Errors
    /// Of the operating system: the present file can't be added to, or one that is too old not be taken away.
    pub(super) fn open(volume: V, folder: PathBuf, settings: &LogFiles) -> io::Result<Self> {
        let largest = u64::from(settings.file_mib_max) << 20;
        let log = Self { volume, folder, largest, kept: settings.files_kept, size: None, torn: false };
        log.volume.extend(&log.present(), b"")?;
        let too_old = (log.kept + 1..).map(|n| log.older(n)).take_while(|path| log.volume.exists(path));
        for path in too_old {
            log.volume.remove(&path)?;
        }
        Ok(log)
    }

    /// Adds a line, in a new file where it would make this one too large.
    ///
    /// # Errors
    /// Of the operating system; nothing of the line counts as written then.
    pub(super) fn add(&mut self, line: &[u8]) -> io::Result<()> {
        let line = cut(line);
        let mut size = self.measured()?;
        // One more for the end of a line that was torn.
        if size > 0 && size + line.len() as u64 + 1 > self.largest {
            self.begin_anew()?;
            size = 0;
        }
        let bytes = if self.torn { [b"\n", line.as_slice()].concat() } else { line.clone() };
        match self.volume.extend(&self.present(), &bytes) {
            Ok(()) => (self.size, self.torn) = (Some(size + bytes.len() as u64), false),
            Err(error) => {
                // A full disk may have taken a part.
                self.size = self.volume.size(&self.present()).ok();
                self.torn |= self.size != Some(size);
                return Err(error);
            }
        }
        Ok(())
    }

    /// What the present file holds, in bytes. The first time that is looked at, and whether its last line is whole.
    fn measured(&mut self) -> io::Result<u64> {
        if let Some(size) = self.size {
            return Ok(size);
        }
        let there =
            if self.volume.exists(&self.present()) { self.volume.load(&self.present())? } else { Vec::new() };
        self.torn = there.last().is_some_and(|byte| *byte != b'\n');
        Ok(*self.size.insert(there.len() as u64))
    }

    /// Gives every file the number of the one before it, the oldest first, so that each name is free when it is wanted. A number
    /// that is missing, as a cut in the midst of this leaves one, ends the row.
    fn begin_anew(&mut self) -> io::Result<()> {
        let free = (1..self.kept).find(|n| !self.volume.exists(&self.older(*n))).unwrap_or(self.kept);
        for number in (1..free).rev() {
            self.volume.rename(&self.older(number), &self.older(number + 1))?;
        }
        self.volume.rename(&self.present(), &self.older(1))?;
        (self.size, self.torn) = (Some(0), false);
        Ok(())
    }

    fn present(&self) -> PathBuf {
        self.folder.join(NAME)
    }

    fn older(&self, number: u32) -> PathBuf {
        self.folder.join(format!("{NAME}.{number}"))
    }
}

/// A line as it is written: with its end, and not without bounds.
fn cut(line: &[u8]) -> Vec<u8> {
    let text = line.strip_suffix(b"\n").unwrap_or(line);
    match text.get(..LINE_MAX) {
        Some(begin) if text.len() > LINE_MAX => {
            let mark = format!(" … {} bytes more were cut\n", text.len() - LINE_MAX);
            [begin, mark.as_bytes()].concat()
        }
        _ => [text, b"\n"].concat(),
    }
}

#[cfg(test)]
mod tests;
