//! The one place that prints.

use std::io::{IsTerminal, Write};

/// A result, on standard output.
pub(super) fn out(text: &str) {
    // A reader that went away (a pager, `head`) is no failure of ours.
    let _ = writeln!(std::io::stdout().lock(), "{}", text.trim_end());
}

/// A message to a person, on standard error; nothing where there is nothing to say.
pub(super) fn error(text: &str) {
    if text.trim().is_empty() {
        return;
    }
    let _ = writeln!(std::io::stderr().lock(), "{}", text.trim_end());
}

/// True where colours can be shown on standard output.
pub(super) fn colour_out() -> bool {
    std::io::stdout().is_terminal() && std::env::var_os("NO_COLOR").is_none()
}

/// True where colours can be shown on standard error.
pub(super) fn colour() -> bool {
    std::io::stderr().is_terminal() && std::env::var_os("NO_COLOR").is_none()
}
