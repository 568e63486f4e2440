//! The API against its own description, by schemathesis: with a token of each kind, and without.

use super::{runs, wrong};
use crate::claims::suites;
use crate::doors::House;
use crate::doors::desk::PlayDesk;
use crate::figure::Figure;
use crate::program::{other_in, root};
use crate::python;
use anyhow::{Context, Result, ensure};
use calwright::http::Limits;

/// Asks everything that the description allows, and much that it does not.
///
/// # Errors
/// If schemathesis can't be run.
pub fn description(full: bool) -> Result<Vec<Figure>> {
    let (_bench, folders) = runs(&["portable"])?;
    let mut figures = Vec::new();
    for who in ["nobody", "viewer", "operator", "admin"] {
        // Wrong tokens by the hundred are what is asked here; that they are slowed down is tested by itself.
        let limits = Limits { failures: 1_000_000, ..Limits::default() };
        let house = House::open_with(PlayDesk::new(&folders)?, |doors| doors.arm_over_port = true, limits)?;
        figures.push(asked(&house, who, if full { 200 } else { 15 })?);
    }
    let passed = suites::system("doors::")?;
    let what = "rules of the doors that are broken: roles, rebinding, cross-site forms, missing origin";
    figures.push(wrong(what, format!("{passed} tests passed"), &[]));
    Ok(figures)
}

fn asked(house: &House, who: &str, examples: u32) -> Result<Figure> {
    let schemathesis = python::interpreter()?.with_file_name("schemathesis");
    let url = format!("{}/api/v1/openapi.json", house.url()?);
    let config = root().join("tests/outside/schemathesis.toml");
    let mut arguments = vec![
        format!("--config-file={}", config.display()),
        "run".to_owned(),
        url,
        "--checks=all".to_owned(),
        // Its answer has no end; the stream is tested by itself.
        "--exclude-path=/api/v1/news".to_owned(),
        format!("--max-examples={examples}"),
        "--seed=1".to_owned(),
        "--continue-on-failure".to_owned(),
        "--no-color".to_owned(),
        "--generation-database=none".to_owned(),
    ];
    if who != "nobody" {
        arguments.push(format!("--header=Authorization: Bearer {}", house.token(who)));
    }
    let finished = other_in(house.folder(), &schemathesis, &arguments)?;
    let cases = number_before(&finished.stdout, " generated,").unwrap_or(0);
    ensure!(cases > 50, "schemathesis asked next to nothing:\n{}{}", finished.stdout, finished.stderr);
    let failures =
        finished.stdout.lines().filter(|l| l.starts_with("- ") || l.starts_with("___")).map(str::to_owned);
    let mut found: Vec<String> = failures.collect();
    if finished.status == Some(0) {
        found.clear();
    } else if found.is_empty() {
        found.push(finished.stdout.lines().rev().take(5).collect::<Vec<_>>().join(" / "));
    }
    if std::env::var_os("SHOW_SCHEMATHESIS").is_some() {
        found.push(finished.stdout);
    }
    let what = format!("failures of the API against its description, asked by {who}");
    Ok(wrong(&what, format!("schemathesis, {cases} cases"), &found))
}

/// The number before these words.
fn number_before(text: &str, words: &str) -> Option<u64> {
    let before = text.split(words).next()?;
    let digits: String = before.chars().rev().take_while(|c| c.is_ascii_digit() || *c == ',').collect();
    digits.chars().rev().filter(char::is_ascii_digit).collect::<String>().parse().context("").ok()
}
