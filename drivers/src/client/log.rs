//! What a host says on standard error goes into the log, with the instrument's name.

use std::io::{BufRead, BufReader, Read};

/// Most bytes of a line; what is longer is logged in pieces.
const LONGEST: u64 = 8192;

/// Logs lines until the stream ends.
pub(crate) fn log_all(stream: impl Read, instrument: &str) {
    let mut stream = BufReader::new(stream);
    let mut line = Vec::new();
    loop {
        line.clear();
        match stream.by_ref().take(LONGEST).read_until(b'\n', &mut line) {
            Ok(0) | Err(_) => return,
            Ok(_) => log(String::from_utf8_lossy(&line).trim(), instrument),
        }
    }
}

fn log(line: &str, instrument: &str) {
    // Control characters would reach the terminal of whoever reads the log.
    let line: String = line.chars().map(|c| if c.is_control() { ' ' } else { c }).collect();
    let (level, text) = split(&line);
    match level {
        "ERROR" => tracing::error!(instrument, "{text}"),
        "WARN" => tracing::warn!(instrument, "{text}"),
        "DEBUG" | "TRACE" => tracing::debug!(instrument, "{text}"),
        _ => tracing::info!(instrument, "{text}"),
    }
}

/// The level that a line begins with, and the rest.
fn split(line: &str) -> (&str, &str) {
    let (first, rest) = line.split_once(' ').unwrap_or((line, ""));
    let word = first.trim_end_matches(':');
    if ["ERROR", "WARN", "INFO", "DEBUG", "TRACE"].contains(&word) {
        return (word, rest.trim_start());
    }
    ("INFO", line)
}

#[cfg(test)]
mod tests {
    #[test]
    fn the_level_stands_first() {
        assert_eq!(super::split("WARN no answer"), ("WARN", "no answer"));
        assert_eq!(super::split("ERROR: gone"), ("ERROR", "gone"));
        assert_eq!(super::split("Warning me"), ("INFO", "Warning me"));
        assert_eq!(super::split(""), ("INFO", ""));
    }
}
