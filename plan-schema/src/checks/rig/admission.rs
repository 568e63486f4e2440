//! Checks of what admits points in spite of their hazards.

use crate::checks::Checker;
use crate::rig::Rig;

/// What admits points in spite of their hazards has to say who or what, and why.
pub(super) fn admission(checker: &mut Checker<'_, Rig>, rig: &Rig) {
    if let Some(limiter) = &rig.limiter {
        checker.named("limiter.name", &limiter.name);
    }
    if let Some(waiver) = &rig.waiver {
        checker.named("waiver.name", &waiver.name);
        if waiver.reason.trim().is_empty() {
            checker.error(
                "waiver.reason",
                "a waiver without a reason can't be answered for",
                "write why the armature may be driven all the same",
            );
        }
    }
}

#[cfg(test)]
mod tests {
    use crate::fixture::Texts;
    use crate::resolve::ResolvedJob;
    use crate::rig::LimiterKind;
    use crate::units::Seconds;

    fn with(lines: &str) -> Result<ResolvedJob, String> {
        let mut texts = Texts::valid();
        texts.rig = format!("{}\n{lines}\n", texts.rig);
        match texts.try_files() {
            Some(files) => {
                ResolvedJob::resolve(&files).map(|(job, _)| job).map_err(|report| report.to_string())
            }
            None => Err("unreadable".to_owned()),
        }
    }

    #[test]
    fn a_limiter_and_a_waiver_are_read() {
        let job = with(
            "[limiter]\nname = \"rubber buffers\"\nkind = \"mechanical\"\n\
             [waiver]\nname = \"A. Person\"\nreason = \"the armature is caught by hand\"\n\
             [timing]\ntransfer = \"12 ms\"\njudgement = \"2 ms\"",
        )
        .unwrap();
        let limiter = job.rig.limiter.unwrap();
        assert_eq!((limiter.kind, limiter.remark), (LimiterKind::Mechanical, None));
        assert_eq!(job.rig.waiver.unwrap().name, "A. Person");
        assert_eq!(
            (job.rig.timing.transfer, job.rig.timing.judgement),
            (Seconds::new(0.012), Seconds::new(0.002))
        );
    }

    #[test]
    fn nobody_and_nothing_admit_nothing() {
        for (lines, place) in [
            ("[limiter]\nname = \" \"\nkind = \"hardware\"", "name is empty"),
            ("[waiver]\nname = \"\"\nreason = \"none\"", "name is empty"),
            ("[waiver]\nname = \"A. Person\"\nreason = \"  \"", "a waiver without a reason"),
            ("[timing]\ntransfer = \"-1 ms\"", "transfer can't be below zero"),
            ("[timing]\njudgement = \"-1 ms\"", "judgement can't be below zero"),
        ] {
            let said = with(lines).unwrap_err();
            assert!(said.contains(place), "{lines}: {said}");
        }
        assert_eq!(with("[waiver]\nname = \"A. Person\"").unwrap_err(), "unreadable");
        assert_eq!(with("[limiter]\nname = \"x\"\nkind = \"soft\"").unwrap_err(), "unreadable");
    }
}
