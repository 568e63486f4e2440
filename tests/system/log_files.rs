//! The daemon's log in files: within its bounds, with what the instruments' hosts say, one daemon to a folder, and a settings file
//! from before it means what it meant.

use std::fs;
use std::net::TcpListener;
use tests::Bench;
use tests::daemon::Daemon;

const RIG: &str = "examples/rigs/portable-network.toml";

/// A rig whose generator takes connections and is silent, and settings with small files.
fn bench() -> (Bench, TcpListener) {
    let bench = Bench::new().unwrap();
    let silent = TcpListener::bind("127.0.0.1:0").unwrap();
    let address = silent.local_addr().unwrap().to_string();
    bench.replace(RIG, "127.0.0.1:5025", &address).unwrap();
    let settings =
        "log = \"debug\"\n[log_files]\nfolder = \"log\"\nfile_mib_max = 1\nfiles_kept = 2\n[serve]\n";
    fs::write(bench.path("calwright.toml"), settings).unwrap();
    (bench, silent)
}

/// Every line of the folder, the oldest first, and the sizes of its files.
fn lines(bench: &Bench) -> (Vec<String>, Vec<usize>) {
    let files = ["log/calwright.log.3", "log/calwright.log.2", "log/calwright.log.1", "log/calwright.log"];
    let texts: Vec<String> =
        files.iter().filter_map(|name| fs::read_to_string(bench.path(name)).ok()).collect();
    let lines = texts.concat().lines().map(str::to_owned).collect();
    (lines, texts.iter().map(String::len).collect())
}

#[test]
fn what_a_host_says_is_in_the_daemons_files() {
    let (bench, _silent) = bench();
    // Nearly full from before: the first line that comes begins another file, and none is lost.
    fs::create_dir(bench.path("log")).unwrap();
    let before: String = (0..1_048_500 / 20).map(|n| format!("line before {n:07}\n")).collect();
    fs::write(bench.path("log/calwright.log"), &before).unwrap();
    let daemon = Daemon::start(&bench, RIG, &[]).unwrap();
    let other = bench.command(&["serve", RIG, "--listen", "127.0.0.1:0"]).unwrap().output().unwrap();
    assert_eq!(other.status.code(), Some(5), "{other:?}");
    let said = String::from_utf8(other.stderr).unwrap();
    assert!(said.contains("another daemon writes its log to log"), "{said}");
    assert_eq!(daemon.terminate().unwrap(), Some(0));
    let (lines, sizes) = lines(&bench);
    assert!(sizes.len() <= 3 && sizes.iter().all(|size| *size <= 1 << 20), "{sizes:?}");
    assert_eq!(fs::read_to_string(bench.path("log/calwright.log.1")).unwrap(), before);
    let new: Vec<&String> = lines.iter().filter(|line| !line.starts_with("line before")).collect();
    // All instruments are made safe at once: which of them is first to ask again is not said.
    let of_generator =
        |line: &&&String| line.contains("asked again") && line.contains("instrument=\"generator\"");
    let asked_again = new.iter().find(of_generator).unwrap_or_else(|| panic!("{new:#?}"));
    assert!(asked_again.contains("WARN"), "{asked_again}");
    assert!(!lines.iter().any(|line| line.contains('\u{1b}')), "no colours in a file");
}

#[test]
fn settings_from_before_log_to_standard_error() {
    let (bench, _silent) = bench();
    // As this program wrote them for a laboratory before it knew of log files.
    fs::write(bench.path("calwright.toml"), "log = \"debug\"\n[serve]\n").unwrap();
    let daemon = Daemon::start(&bench, RIG, &[]).unwrap();
    assert_eq!(daemon.terminate().unwrap(), Some(0));
    assert!(!bench.path("log").exists());
}

#[test]
fn a_folder_that_can_not_be_written_to_is_said_before_anything_moves() {
    let (bench, _silent) = bench();
    fs::write(bench.path("log"), "a file").unwrap();
    let said = bench.run(&["serve", RIG]).unwrap().expect_status(5).unwrap().stderr;
    assert!(said.contains("no log can be written to log") && said.contains("log_files.folder"), "{said}");
}
