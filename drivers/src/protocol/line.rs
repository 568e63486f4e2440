//! Lines of bounded length from a stream of bytes.

use std::io::{self, BufRead};

/// Most bytes of a line, its end not counted.
pub const LINE_MAX: usize = 4 << 20;

/// What came next.
#[derive(Debug, PartialEq, Eq)]
pub enum Line<'a> {
    /// A whole line without its end.
    Whole(&'a [u8]),
    /// A line longer than [`LINE_MAX`]; all of it was passed over.
    TooLong,
    /// The stream ended within a line, which is no message.
    Torn,
    /// The stream ended.
    End,
}

/// Reads line after line, and never holds more than [`LINE_MAX`] bytes.
pub struct LineReader<R> {
    stream: R,
    line: Vec<u8>,
}

impl<R: BufRead> LineReader<R> {
    /// Reads from `stream`.
    pub fn new(stream: R) -> Self {
        Self { stream, line: Vec::new() }
    }

    /// Waits for the next line.
    ///
    /// # Errors
    /// Where the stream can't be read.
    pub fn next_line(&mut self) -> io::Result<Line<'_>> {
        self.line.clear();
        let mut too_long = false;
        loop {
            let bytes = match self.stream.fill_buf() {
                Ok(bytes) => bytes,
                Err(error) if error.kind() == io::ErrorKind::Interrupted => continue,
                Err(error) => return Err(error),
            };
            if bytes.is_empty() {
                return Ok(if self.line.is_empty() && !too_long { Line::End } else { Line::Torn });
            }
            let end = bytes.iter().position(|b| *b == b'\n');
            let part = bytes.get(..end.unwrap_or(bytes.len())).unwrap_or(bytes);
            too_long |= self.line.len() + part.len() > LINE_MAX;
            if !too_long {
                self.line.extend_from_slice(part);
            }
            let used = end.map_or(bytes.len(), |at| at + 1);
            self.stream.consume(used);
            if end.is_some() {
                break;
            }
        }
        if too_long {
            self.line = Vec::new();
            return Ok(Line::TooLong);
        }
        Ok(Line::Whole(self.line.strip_suffix(b"\r").unwrap_or(&self.line)))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lines_are_whole_too_long_or_torn() {
        let mut bytes = b"one\r\n\n".to_vec();
        bytes.extend(std::iter::repeat_n(b'x', LINE_MAX));
        bytes.push(b'\n');
        bytes.extend(std::iter::repeat_n(b'y', LINE_MAX + 1));
        bytes.extend(b"\ntwo\nthr");
        // A small buffer, so that every line is put together from pieces.
        let mut lines = LineReader::new(io::BufReader::with_capacity(7, bytes.as_slice()));
        assert_eq!(lines.next_line().unwrap(), Line::Whole(b"one"));
        assert_eq!(lines.next_line().unwrap(), Line::Whole(b""));
        assert!(matches!(lines.next_line().unwrap(), Line::Whole(l) if l.len() == LINE_MAX));
        assert_eq!(lines.next_line().unwrap(), Line::TooLong);
        assert_eq!(lines.next_line().unwrap(), Line::Whole(b"two"));
        assert_eq!(lines.next_line().unwrap(), Line::Torn);
        assert_eq!(lines.next_line().unwrap(), Line::End);
    }
}
