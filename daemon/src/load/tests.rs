//! A job as texts is the same job as from files, and its mistakes are named as the job names its files.

use super::*;

const EXAMPLES: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/../examples");

fn example(name: &str) -> String {
    std::fs::read_to_string(Path::new(EXAMPLES).join(name)).unwrap()
}

fn handed_in(left_out: &str) -> Result<Loaded, LoadError> {
    let names = ["plans/low-frequency.toml", "registers/sensors.toml", "registers/references.toml"];
    let files = names.iter().filter(|n| **n != left_out).map(|n| ((*n).to_owned(), example(n))).collect();
    let (job, rig) = (example("low-frequency.toml"), example("rigs/long-stroke.toml"));
    job_of_texts(&Texts { name: "low-frequency.toml", job: &job, files: &files, rig: ("the rig", &rig) })
}

#[test]
fn texts_give_the_same_job_as_files() {
    let files = job(&Path::new(EXAMPLES).join("low-frequency.toml")).unwrap();
    let texts = handed_in("").unwrap();
    assert_eq!(format!("{:?}", texts.job), format!("{:?}", files.job));
}

#[test]
fn a_text_that_is_missing_is_named_as_the_job_names_it() {
    let error = handed_in("plans/low-frequency.toml").unwrap_err();
    let LoadError::Input(Report(found)) = error else { panic!("{error}") };
    let said = found.render(false);
    assert!(said.contains("plans/low-frequency.toml: this file was not handed in with the job"), "{said}");
    assert!(said.contains("low-frequency.toml:4:8"), "{said}");
}

#[test]
fn no_file_of_this_machine_is_opened() {
    let job = example("low-frequency.toml").replace("plans/low-frequency.toml", "/etc/passwd");
    let error = job_of_texts(&Texts {
        name: "sly.toml",
        job: &job,
        files: &BTreeMap::new(),
        rig: ("the rig", &example("rigs/long-stroke.toml")),
    })
    .unwrap_err();
    assert!(!error.to_string().contains("root:"), "{error}");
}
