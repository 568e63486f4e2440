//! The first command of the README, so that what is claimed of it is claimed of what a newcomer types.

use crate::program::root;
use anyhow::{Context, Result, ensure};

/// Arguments that the README's first `cargo run` hands to the program.
///
/// # Errors
/// If the README has no such command.
pub fn first_command() -> Result<Vec<String>> {
    let path = root().join("README.md");
    let text = std::fs::read_to_string(&path).with_context(|| format!("{} can't be read", path.display()))?;
    in_text(&text)
}

fn in_text(text: &str) -> Result<Vec<String>> {
    let mut inside = false;
    let fenced = text.lines().filter(|line| {
        let fence = line.trim_start().starts_with("```");
        inside ^= fence;
        inside && !fence
    });
    let line = fenced
        .map(|line| line.trim_start().trim_start_matches("$ "))
        .find(|line| line.starts_with("cargo run "))
        .context("the README has no fenced line that begins with 'cargo run'")?;
    let command = line.split(" #").next().unwrap_or(line);
    let (_, arguments) =
        command.split_once(" -- ").context("the README's first command hands nothing to the program")?;
    ensure!(!arguments.contains(['"', '\'', '\\']), "the README's first command needs no quotes: {line}");
    Ok(arguments.split_whitespace().map(str::to_owned).collect())
}

#[cfg(test)]
mod tests {
    use super::in_text;

    #[test]
    fn only_fenced_lines_count_and_remarks_do_not() {
        let text = "cargo run -- no\n\n```sh\n./x\n$ cargo run --release -- dry-run a.toml  # now\n```\n";
        assert_eq!(in_text(text).unwrap(), ["dry-run", "a.toml"]);
        assert!(in_text("cargo run -- no\n```\n./x\n```\n").is_err());
        assert!(in_text("```\ncargo run --release\n```\n").is_err());
    }
}
