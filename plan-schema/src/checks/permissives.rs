//! Checks of what has to be so before the armature moves: permissives, check-list, warning, leave.

use super::Checker;
use crate::rig::{ENABLE, Needed, Rig};
use crate::units::{Seconds, engineering};
use std::collections::BTreeMap;

/// Shortest warning before a motion: time to take one's hands away.
const WARNING_MIN: Seconds = Seconds::new(5.0);

pub(super) fn permissives(checker: &mut Checker<'_, Rig>, rig: &Rig) {
    for (n, permissive) in rig.permissives.iter().enumerate() {
        let path = format!("permissive[{n}]");
        checker.named(&format!("{path}.name"), &permissive.name);
        if permissive.name == ENABLE {
            checker.error(
                &format!("{path}.name"),
                format!("'{ENABLE}' is the name of the enable input"),
                "give this permissive another name, or write enable_input instead of it",
            );
        }
        if permissive.guard && permissive.when == Needed::Before {
            checker.error(
                &format!("{path}.when"),
                "the door of a guard has to stay closed while the armature moves",
                "write when = \"always\"",
            );
        }
    }
    checker.unique("permissive", "name", rig.permissives.iter().map(|p| p.name.as_str()));
    inputs(checker, rig);
    for (n, entry) in rig.checklist.iter().enumerate() {
        checker.named(&format!("checklist[{n}].text"), &entry.text);
    }
    checker.unique("checklist", "text", rig.checklist.iter().map(|e| e.text.as_str()));
    times(checker, rig);
    if rig.roles.contacts.is_some() {
        return;
    }
    let needing = [
        ("permissive", !rig.permissives.is_empty()),
        ("enable_input", rig.enable_input.is_some()),
        ("warning_output", rig.warning_output.is_some()),
    ];
    for (key, _) in needing.into_iter().filter(|(_, there)| *there) {
        checker.error(
            key,
            "no instrument of the rig has contacts",
            "add contacts = \"INSTRUMENT.contacts\" to [roles]",
        );
    }
}

/// Every contact input permits one thing only: two that share one can't be told apart.
fn inputs(checker: &mut Checker<'_, Rig>, rig: &Rig) {
    let mut taken: BTreeMap<u32, String> = BTreeMap::new();
    for (n, permissive) in rig.permissives_in_force().into_iter().enumerate() {
        let enable = permissive.name == ENABLE && n == rig.permissives.len();
        let path = if enable { "enable_input".to_owned() } else { format!("permissive[{n}].input") };
        if let Some(other) = taken.get(&permissive.input) {
            let message = format!("contact input {} is that of '{other}' already", permissive.input);
            checker.error(&path, message, "give each its own input");
        } else {
            taken.insert(permissive.input, permissive.name);
        }
    }
}

fn times(checker: &mut Checker<'_, Rig>, rig: &Rig) {
    checker.positive("leave_limit", rig.leave_limit.si());
    checker.not_negative("permissive_wait", rig.permissive_wait.si());
    if rig.warning_time < WARNING_MIN {
        checker.error(
            "warning_time",
            format!("a warning of {} is too short to act on", engineering(rig.warning_time.si(), "s")),
            format!("write at least \"{} s\"", WARNING_MIN.si()),
        );
    }
}

#[cfg(test)]
mod tests {
    use crate::fixture::{RIG, Texts, edit};
    use crate::resolve::ResolvedJob;
    use crate::rig::{ContactState, Needed};

    const GUARD: &str = "[[permissive]]\nname = \"guard door\"\ninput = 1\nguard = true\n";

    fn rig(top: &str, end: &str) -> Texts {
        let text = edit(RIG, "format = 1\n", &format!("format = 1\n{top}\n"));
        Texts { rig: format!("{text}\n{end}\n"), ..Texts::valid() }
    }

    /// What the rig is refused for.
    fn refused(top: &str, end: &str) -> String {
        match rig(top, end).read().and_then(|files| ResolvedJob::resolve(&files)) {
            Ok(_) => panic!("this rig was accepted:\n{top}\n{end}"),
            Err(report) => report.to_string(),
        }
    }

    #[test]
    fn what_is_left_out_is_the_safe_side() {
        let text = "[[permissive]]\nname = \"air\"\ninput = 0\nstate = \"open\"\nwhen = \"before\"\n";
        let files = rig("enable_input = 4", &format!("{GUARD}{text}")).files();
        let (job, _) = ResolvedJob::resolve(&files).unwrap_or_else(|r| panic!("{r}"));
        let there = job.rig.permissives_in_force();
        let names: Vec<&str> = there.iter().map(|p| p.name.as_str()).collect();
        assert_eq!(names, ["guard door", "air", "enable"]);
        assert_eq!((there[0].state, there[0].when), (ContactState::Closed, Needed::Always));
        assert_eq!((there[1].state, there[1].when), (ContactState::Open, Needed::Before));
        assert_eq!((there[2].input, there[2].when), (4, Needed::Always));
    }

    #[test]
    fn what_can_not_be_meant_is_refused() {
        let named = |name: &str, input: u32| format!("[[permissive]]\nname = \"{name}\"\ninput = {input}\n");
        for (top, end, words) in [
            ("warning_output = 0\nwarning_time = \"4.9 s\"", String::new(), "at least \"5 s\""),
            ("leave_limit = \"0 s\"", String::new(), "above zero"),
            ("", format!("{}{}", named("a", 1), named("a", 2)), "in the file twice"),
            ("", format!("{}{}", named("a", 1), named("b", 1)), "is that of 'a' already"),
            ("enable_input = 1", named("a", 1), "is that of 'a' already"),
            ("", named("enable", 1), "the name of the enable input"),
            ("", named(" ", 1), "is empty"),
            ("", format!("{GUARD}when = \"before\"\n"), "has to stay closed"),
            ("", "[[checklist]]\ntext = \"x\"\n[[checklist]]\ntext = \"x\"\n".to_owned(), "twice"),
            ("", "[[permissive]]\nname = \"a\"\ninput = 1\nstate = \"shut\"\n".to_owned(), "\"shut\""),
        ] {
            let said = refused(top, &end);
            assert!(said.contains(words), "{words:?} is not said: {said}");
        }
    }

    #[test]
    fn contacts_need_an_instrument() {
        let contacts = RIG.lines().find(|l| l.starts_with("contacts = ")).map(str::to_owned);
        let mut texts = rig("enable_input = 4\nwarning_output = 1", GUARD);
        if let Some(line) = contacts {
            texts.rig = edit(&texts.rig, &format!("{line}\n"), "");
        }
        let report = texts.read().and_then(|files| ResolvedJob::resolve(&files)).unwrap_err().to_string();
        assert_eq!(report.matches("no instrument of the rig has contacts").count(), 3, "{report}");
    }
}
