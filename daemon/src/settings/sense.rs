//! What a setting has to make sense as, beyond its type: a country, a pattern of numbers, files that are there.
//!
//! Owns the rules of single settings. Whoever asks names place and source. Files are looked at apart from words: `stop` and
//! `acknowledge` must not be refused because a template was moved.

use crate::log;
use crate::release::ledger;
use figment::value::{Dict, Value};
use std::ops::RangeInclusive;
use std::path::Path;

/// Something that makes no sense: the setting, what is wrong, what to write.
pub(super) struct Nonsense {
    pub(super) key: &'static str,
    pub(super) message: String,
    pub(super) remedy: &'static str,
}

/// What is wrong with words.
pub(super) fn words(says: &Dict) -> Vec<Nonsense> {
    let mut found = Vec::new();
    if let Some(country) = text(says, "laboratory", "country")
        && !(country.len() == 2 && country.bytes().all(|b| b.is_ascii_uppercase()))
    {
        found.push(Nonsense {
            key: "laboratory.country",
            message: format!("laboratory.country is no country: \"{country}\""),
            remedy: "write the two capital letters of ISO 3166-1, such as \"DE\"",
        });
    }
    if let Some(pattern) = text(says, "release", "number")
        && let Err(message) = ledger::check_pattern(pattern)
    {
        found.push(Nonsense {
            key: "release.number",
            message: format!("release.number can't be \"{pattern}\": {message}"),
            remedy: "write {n} where certificates are counted, and {year} for the year, such as \"LAB-{year}-{n}\"",
        });
    }
    found.extend(outside(
        says,
        "file_mib_max",
        "log_files.file_mib_max",
        &log::FILE_MIB,
        "write a size in MiB from 1 to 1024",
    ));
    found.extend(outside(
        says,
        "files_kept",
        "log_files.files_kept",
        &log::FILES,
        "write a number of files from 1 to 1000",
    ));
    found
}

/// A number of `[log_files]` that makes no sense.
fn outside(
    says: &Dict,
    key: &str,
    name: &'static str,
    sense: &RangeInclusive<u32>,
    remedy: &'static str,
) -> Option<Nonsense> {
    let Value::Dict(_, inner) = says.get("log_files")? else { return None };
    let written = inner.get(key)?;
    let number = written.to_i128().or_else(|| i128::try_from(written.to_u128()?).ok())?;
    // What is no such number at all is refused by its type.
    let number = u32::try_from(number).ok()?;
    let known = sense.contains(&number);
    (!known).then(|| Nonsense { key: name, message: format!("{name} can't be {number}"), remedy })
}

/// What is wrong with the files that certificates need.
pub(super) fn files(says: &Dict) -> Vec<Nonsense> {
    let wanted: [(&str, &str, &'static str, &'static str, bool); 3] = [
        ("laboratory", "mark", "laboratory.mark", "the laboratory's mark", false),
        ("certificate", "template", "certificate.template", "the template of certificates", false),
        ("certificate", "fonts", "certificate.fonts", "the folder of fonts", true),
    ];
    let mut found = Vec::new();
    for (table, key, name, what, folder) in wanted {
        let Some(path) = text(says, table, key) else { continue };
        let there = if folder { Path::new(path).is_dir() } else { Path::new(path).is_file() };
        if !there {
            found.push(Nonsense {
                key: name,
                message: format!("{name}: {what} is not there: \"{path}\""),
                remedy: "correct the path, which counts from the folder that the program is started in, or leave it out",
            });
        } else if name == "laboratory.mark" && !is_picture(path) {
            found.push(Nonsense {
                key: name,
                message: format!("{name} is neither an SVG nor a PNG: \"{path}\""),
                remedy: "name a file that ends in .svg or .png",
            });
        }
    }
    found
}

fn is_picture(path: &str) -> bool {
    let ending = Path::new(path).extension().and_then(|e| e.to_str()).map(str::to_ascii_lowercase);
    matches!(ending.as_deref(), Some("svg" | "png"))
}

fn text<'a>(says: &'a Dict, table: &str, key: &str) -> Option<&'a str> {
    let Value::Dict(_, inner) = says.get(table)? else { return None };
    let Value::String(_, text) = inner.get(key)? else { return None };
    Some(text)
}
