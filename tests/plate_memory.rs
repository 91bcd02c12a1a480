//! Memory does not grow with the length of a plate. Alone in its file: the high-water mark
//! is that of the whole process.

mod outside;
mod pictures;
mod plates;

use pictures::{ffmpeg, opened};
use plates::{job, looped, made};
use platesmith::plate::Method;
use platesmith::settings::Turns;

/// Returns the most memory this process has had, in KiB (`proc_pid_status(5)`).
fn most_memory() -> Option<u64> {
    let status = std::fs::read_to_string("/proc/self/status").ok()?;
    let line = status.lines().find(|line| line.starts_with("VmHWM"))?;
    line.split_whitespace().nth(1)?.parse().ok()
}

#[test]
fn ten_times_the_length_takes_no_more_memory() {
    if !outside::has_program("ffmpeg") || most_memory().is_none() {
        return;
    }
    let folder = tempfile::tempdir().expect("a folder");
    let noise = "testsrc2=s=640x360:r=24,noise=alls=30:allf=t";
    for (name, coding, method) in [
        ("a.mov", "-c:v mjpeg -q:v 2 -pix_fmt yuvj422p", Method::Copy),
        ("b.mkv", "-c:v ffv1 -g 1 -pix_fmt yuv422p", Method::Copy),
        ("c.mp4", "-c:v libx264 -preset ultrafast -pix_fmt yuv420p", Method::Encode),
    ] {
        let path = folder.path().join(name);
        let mut words = vec!["-f", "lavfi", "-i", noise, "-frames:v", "40"];
        words.extend(coding.split_whitespace());
        words.push(path.to_str().expect("UTF-8"));
        assert!(ffmpeg(&words));
        let media = opened(&path);
        let mut most = Vec::new();
        for length in [160, 1600] {
            let length = if method == Method::Encode { length / 2 } else { length };
            let map = looped(2, 40, length, Turns::Twice);
            let out = folder.path().join(format!("P{length}_{}", name.replace('.', "_")));
            let plate = made(&job(&media, &map, &out));
            assert_eq!(plate.method, method, "{name}");
            std::fs::remove_file(&plate.path).expect("removed");
            most.push(most_memory().expect("it was there"));
        }
        assert!(most[1] * 100 <= most[0] * 108, "{name}: {most:?} KiB");
        println!("{name}: {most:?} KiB");
    }
}
