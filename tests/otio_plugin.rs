//! The plugin for hosts of the timeline format's own library, installed with `pip` and used
//! through that library alone (opentimelineio 0.18.1).

mod little_show;
mod outside;

use little_show::little_show;
use std::path::Path;
use std::process::Command;

fn copied(from: &Path, to: &Path) {
    std::fs::create_dir_all(to).expect("made");
    for entry in std::fs::read_dir(from).expect("a folder") {
        let entry = entry.expect("an entry");
        let target = to.join(entry.file_name());
        if entry.path().is_dir() {
            copied(&entry.path(), &target);
        } else {
            std::fs::copy(entry.path(), target).expect("copied");
        }
    }
}

#[test]
fn a_host_writes_annotated_timelines_and_is_told_what_went_wrong() {
    let (Some(python), Some(_)) =
        (outside::python(), outside::python_with("setuptools.command.bdist_wheel"))
    else {
        return;
    };
    let Some(show) = little_show() else { return };
    let at = |name: &str| show.folder.path().join(name);
    // pip builds where the sources lie.
    copied(&outside::project().join("adapters/otio"), &at("source"));
    let installed = Command::new(&python)
        .args(["-m", "pip", "install", "--quiet", "--disable-pip-version-check", "--no-index"])
        .args(["--no-build-isolation", "--no-deps", "--target"])
        .arg(at("site"))
        .arg(at("source"))
        .output()
        .expect("pip runs");
    assert!(installed.status.success(), "{}", String::from_utf8_lossy(&installed.stderr));
    std::fs::create_dir(at("host")).expect("made");
    let ran = Command::new(&python)
        .arg(outside::project().join("tests/plugin/host.py"))
        .arg(env!("CARGO_BIN_EXE_platesmith"))
        .args([&show.cut, &show.log, &show.media, &at("host")])
        .env("PYTHONPATH", at("site"))
        .output()
        .expect("python runs");
    let said = String::from_utf8_lossy(&ran.stdout);
    assert!(ran.status.success(), "{said}\n{}", String::from_utf8_lossy(&ran.stderr));
}
