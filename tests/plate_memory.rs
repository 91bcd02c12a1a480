//! Memory does not grow with the length of a plate. Each plate is made in a process of its
//! own, whose high-water mark is read.

mod outside;
mod pictures;
mod plates;

use pictures::{ffmpeg, opened};
use plates::{job, looped, made};
use platesmith::plate::Method;
use platesmith::settings::Turns;
use std::path::Path;

/// Returns the most memory this process has had, in KiB (`proc_pid_status(5)`).
fn most_memory() -> Option<u64> {
    let status = std::fs::read_to_string("/proc/self/status").ok()?;
    let line = status.lines().find(|line| line.starts_with("VmHWM"))?;
    line.split_whitespace().nth(1)?.parse().ok()
}

/// The child of the test below: makes the plate named in its environment.
#[test]
#[ignore = "run by ten_times_the_length_takes_no_more_memory"]
fn one_plate() {
    let told = |name: &str| std::env::var(name).expect("set by the parent");
    let (source, out) = (told("PLATE_SOURCE"), told("PLATE_OUT"));
    let media = opened(Path::new(&source));
    let map = looped(2, 40, told("PLATE_LENGTH").parse().expect("a number"), Turns::Twice);
    let plate = made(&job(&media, &map, Path::new(&out)));
    let method = if plate.method == Method::Copy { "copy" } else { "encode" };
    println!("most {} {method}", most_memory().expect("Linux tells"));
}

/// Makes a plate in a child process; returns its most memory and how it was made.
fn child(source: &Path, length: u64, out: &Path) -> (u64, String) {
    let run = std::process::Command::new(std::env::current_exe().expect("this test"))
        .args(["one_plate", "--exact", "--ignored", "--nocapture"])
        .env("PLATE_SOURCE", source)
        .env("PLATE_OUT", out)
        .env("PLATE_LENGTH", length.to_string())
        .output()
        .expect("it runs");
    let text = String::from_utf8_lossy(&run.stdout).into_owned();
    let line = text.lines().find_map(|line| line.split_once("most ")).map(|(_, rest)| rest);
    let words: Vec<&str> = line.unwrap_or_else(|| panic!("{text}")).split(' ').collect();
    (words[0].parse().expect("a number"), words[1].to_owned())
}

#[test]
fn ten_times_the_length_takes_no_more_memory() {
    if !outside::has_program("ffmpeg") || most_memory().is_none() {
        return;
    }
    let folder = tempfile::tempdir().expect("a folder");
    let noise = "testsrc2=s=320x180:r=24,noise=alls=8:allf=t";
    for (name, coding, method, length) in [
        ("a.mov", "-c:v mjpeg -q:v 2 -pix_fmt yuvj422p", "copy", 80),
        ("b.mkv", "-c:v ffv1 -g 1 -pix_fmt yuv422p", "copy", 80),
        ("c.mp4", "-c:v libx264 -preset ultrafast -pix_fmt yuv420p", "encode", 60),
    ] {
        let path = folder.path().join(name);
        let mut words = vec!["-f", "lavfi", "-i", noise, "-frames:v", "40"];
        words.extend(coding.split_whitespace());
        words.push(path.to_str().expect("UTF-8"));
        assert!(ffmpeg(&words));
        let made = |length: u64, again: u32| {
            let out = folder.path().join(format!("{name}_{length}_{again}"));
            let (most, made) = child(&path, length, &out);
            assert_eq!(made, method, "{name}");
            most
        };
        let short = made(length, 0);
        // The allocator's own waste settles within some passes, and on a busy machine threads
        // may take arenas of their own: it only ever adds, so the least of three runs counts. A
        // frame kept for every frame shown would be many times the whole, in each of them.
        let fits = |long: &u64| long * 100 <= short * 108;
        let mut runs = Vec::new();
        while runs.len() < 3 && !runs.last().is_some_and(fits) {
            runs.push(made(10 * length, runs.len() as u32));
        }
        println!("{name}: {short}, {runs:?} KiB");
        assert!(runs.iter().any(fits), "{name}: {short}, {runs:?} KiB");
    }
}
