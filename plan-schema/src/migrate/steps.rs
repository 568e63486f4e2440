//! The steps from each format to the next. A new format gets its step here; the steps before it stay as they are.

/// A step from one format to the next.
pub(super) struct Step {
    /// The format that it starts from; it leads to the one above.
    pub(super) from: u32,
    /// Keys that are called otherwise from then on, by kind of file.
    renames: &'static [(&'static str, &'static [Rename])],
}

/// A key that gets another name.
pub(super) struct Rename {
    /// Where it stands, by its old names: the keys of the tables around it, then its own.
    pub(super) path: &'static [&'static str],
    /// Its new name.
    pub(super) to: &'static str,
}

impl Step {
    /// What gets another name in a kind of file.
    pub(super) fn renames(&self, kind: &str) -> &'static [Rename] {
        self.renames.iter().find(|(of, _)| *of == kind).map_or(&[], |(_, renames)| renames)
    }
}

const fn rename(path: &'static [&'static str], to: &'static str) -> Rename {
    Rename { path, to }
}

/// All steps, oldest first.
pub(super) const STEPS: [Step; 1] = [Step {
    from: 0,
    renames: &[
        ("plan", &[rename(&["points"], "point")]),
        (
            "rig",
            &[
                rename(&["instruments"], "instrument"),
                rename(&["channels"], "channel"),
                rename(&["channels", "gains"], "gain"),
                rename(&["safe_paths"], "safe_path"),
                rename(&["fixtures"], "fixture"),
                rename(&["fixtures", "points"], "point"),
                rename(&["permissives"], "permissive"),
            ],
        ),
        ("sensors", &[rename(&["sensors"], "sensor")]),
        (
            "references",
            &[
                rename(&["references"], "reference"),
                rename(&["references", "calibrations"], "calibration"),
                rename(&["references", "calibrations", "points"], "point"),
            ],
        ),
        ("faults", &[rename(&["faults"], "fault")]),
    ],
}];
