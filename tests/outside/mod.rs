//! What tests reach outside the project: reference material that may lie beside it, the
//! `ffmpeg` program, and a Python with the timeline format's own library. A test that
//! misses one of them says so loudly and passes.
#![allow(dead_code, reason = "each test file uses a part")]

use std::path::{Path, PathBuf};
use std::process::Command;

/// Returns the project's own folder.
pub fn project() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR"))
}

/// Returns a path below the reference material (`PLATESMITH_SHARED`, else `../shared`), or
/// says that it is absent.
pub fn shared(below: &str) -> Option<PathBuf> {
    let root = std::env::var_os("PLATESMITH_SHARED")
        .map_or_else(|| project().join("../shared"), PathBuf::from);
    let path = root.join(below);
    if path.exists() {
        return Some(path);
    }
    skipped(&format!("reference material {below} is not beside the project"));
    None
}

/// Tells whether a program answers to `-version`, or says that it is absent.
pub fn has_program(name: &str) -> bool {
    answers(name, "-version")
}

/// Tells whether a program answers to `--version`, or says that it is absent.
pub fn has_program_version(name: &str) -> bool {
    answers(name, "--version")
}

fn answers(name: &str, question: &str) -> bool {
    let answers = Command::new(name).arg(question).output().is_ok_and(|run| run.status.success());
    if !answers {
        skipped(&format!("no program {name}; scripts/test installs it"));
    }
    answers
}

/// Returns the Python that holds the timeline format's own library (`PLATESMITH_PYTHON`,
/// else `.venv/bin/python`), or says that it is absent.
pub fn python() -> Option<PathBuf> {
    let python = std::env::var_os("PLATESMITH_PYTHON")
        .map_or_else(|| project().join(".venv/bin/python"), PathBuf::from);
    let works = Command::new(&python)
        .args(["-c", "import opentimelineio"])
        .output()
        .is_ok_and(|run| run.status.success());
    if works {
        return Some(python);
    }
    skipped("no Python with opentimelineio; scripts/test installs it");
    None
}

/// Returns a Python that has `module`: the one of [`python`], else `python3`, or says that
/// there is none.
pub fn python_with(module: &str) -> Option<PathBuf> {
    let named = std::env::var_os("PLATESMITH_PYTHON")
        .map_or_else(|| project().join(".venv/bin/python"), PathBuf::from);
    let has = |python: &PathBuf| {
        let asked = Command::new(python).args(["-c", &format!("import {module}")]).output();
        asked.is_ok_and(|run| run.status.success())
    };
    let found = [named, PathBuf::from("python3")].into_iter().find(has);
    if found.is_none() {
        skipped(&format!("no Python with {module}; scripts/test installs it"));
    }
    found
}

/// Returns the runner of Open Job Description templates beside the Python of [`python`], or
/// says that it is absent.
pub fn openjd() -> Option<PathBuf> {
    let named = std::env::var_os("PLATESMITH_PYTHON")
        .map_or_else(|| project().join(".venv/bin/python"), PathBuf::from);
    let runner = named.with_file_name("openjd");
    has_program_version(&runner.to_string_lossy()).then_some(runner)
}

/// Says that a file of the sample show has not been rendered.
pub fn not_rendered(file: &Path) {
    let name = file.file_name().unwrap_or_default().to_string_lossy();
    skipped(&format!("{name} of the sample show is not rendered; scripts/test renders it"));
}

/// Says that a check was left out, and why.
pub fn skipped(why: &str) {
    // Straight to the terminal: the test harness hides what a passing test prints.
    use std::io::Write;
    let _ = writeln!(std::io::stderr().lock(), "SKIPPED: {why}");
}
