//! Many invented sensors alike, made from one of the examples.

use anyhow::{Context, Result};
use std::fmt::Write;

/// A register of so many light sensors after the example `BW-51210`, and the mounts that put them on the channels s1, s2 and on.
///
/// # Errors
/// If the examples' register has no such sensor.
pub fn sensors(register_of_examples: &str, prefix: &str, count: usize) -> Result<(String, String)> {
    let mut entries = register_of_examples.split("[[sensor]]");
    let entry = entries.find(|e| e.contains("\"BW-51210\"")).context("no BW-51210")?;
    let (mut register, mut mounted) = ("format = 1\n".to_owned(), String::new());
    for n in 1..=count {
        let entry =
            entry.replace("BW-51210", &format!("{prefix}-{n}")).replace("mass = \"24 g\"", "mass = \"4 g\"");
        writeln!(register, "[[sensor]]{entry}")?;
        write!(
            mounted,
            "[[mounted]]\nsensor = \"{prefix}-{n}\"\nchannel = \"s{n}\"\nmounting = \"stud\"\nadapter_mass = \"2 g\"\n\n"
        )?;
    }
    Ok((register, mounted))
}
