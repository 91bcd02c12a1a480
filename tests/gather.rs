//! A clean frame gathered from a painted take: its robust mean against NumPy's, and the map
//! of what was never free against the masks the take was painted with.

mod outside;

use platesmith::error::Faults;
use platesmith::gather::{Hidden, LEAST_FREE, Lit, Pile, bare, pile};
use platesmith::measure::Mask;
use platesmith::media::{Media, open};
use platesmith::time::{Frame, FrameRange};
use std::io::Write;
use std::path::Path;
use std::process::{Command, Stdio};

const SIZE: (usize, usize) = (160, 96);
const FRAMES: usize = 40;

/// Where the bar is in a frame: it swings, but never leaves its own last columns.
fn bar(frame: usize) -> Mask {
    let left = 20 + (3 * frame).min(60);
    Mask::from_fn(SIZE.0, SIZE.1, |x, y| (left..left + 24).contains(&x) && y < 40)
}

/// Luma of a frame in codes of ten bits, and its light.
fn painted(frame: usize) -> Vec<u16> {
    let bar = bar(frame);
    let gain = 1.0 + 0.001 * frame as f64;
    let code = |at: usize| {
        let (x, y) = (at % SIZE.0, at / SIZE.0);
        let wall = 500.0 + 40.0 * (x as f64 / 9.0).sin() + 30.0 * (y as f64 / 7.0).cos();
        let mixed = (at as u64)
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add((frame as u64).wrapping_mul(1_442_695_040_888_963_407))
            .wrapping_mul(2_862_933_555_777_941_757);
        let grain = (mixed >> 40) as f64 / f64::from(1 << 23) - 1.0;
        let set = 64.0 + (wall - 64.0) * gain;
        ((if bar.has(x, y) { 200.0 } else { set }) + 6.0 * grain).round() as u16
    };
    (0..SIZE.0 * SIZE.1).map(code).collect()
}

/// The take as a file, and its luma as raw numbers beside it.
fn take(folder: &Path) -> Media {
    let (file, raw) = (folder.join("take.mkv"), folder.join("take.raw"));
    let bytes: Vec<u8> =
        (0..FRAMES).flat_map(painted).flat_map(|code| code.to_le_bytes()).collect();
    std::fs::write(&raw, &bytes).expect("room");
    let size = format!("{}x{}", SIZE.0, SIZE.1);
    let mut run = Command::new("ffmpeg")
        .args(["-v", "error", "-nostdin", "-y", "-f", "rawvideo", "-pix_fmt", "gray10le"])
        .args(["-r", "24", "-s", &size, "-i", "-", "-c:v", "ffv1", "-level", "3"])
        .arg(&file)
        .stdin(Stdio::piped())
        .spawn()
        .expect("ffmpeg is there");
    run.stdin.take().expect("piped").write_all(&bytes).expect("it reads");
    assert!(run.wait().expect("it ends").success());
    open(&file).expect("it opens")
}

fn piled(take: &Media) -> Pile {
    let of = |frame: Frame| -> Result<Option<(Hidden, Lit)>, Faults> {
        let frame = frame.0 as usize;
        let lit = Lit { gain: 1.0 + 0.001 * frame as f32, offset: 0.0 };
        Ok(Some(((bar(frame), 1), lit)))
    };
    pile(take, &[FrameRange::new(0, FRAMES as i64)], &of).expect("it decodes")
}

#[test]
fn what_was_never_free_is_counted_exactly() {
    let folder = tempfile::tempdir().expect("a folder");
    let found = piled(&take(folder.path()));
    for y in 0..SIZE.1 {
        for x in 0..SIZE.0 {
            let free = (0..FRAMES).filter(|frame| !bar(*frame).has(x, y)).count();
            assert_eq!(usize::from(found.counts[y * SIZE.0 + x]), free, "{x} {y}");
            assert_eq!(found.never_free(x, y), free < usize::from(LEAST_FREE), "{x} {y}");
        }
    }
}

#[test]
fn the_set_is_told_from_a_bar_that_swings() {
    let folder = tempfile::tempdir().expect("a folder");
    let take = take(folder.path());
    let found = bare(&take, FrameRange::new(0, 18)).expect("it decodes").expect("frames");
    assert!(found.booms >= 16, "{}", found.booms);
    for (frame, hidden) in found.frames.iter().zip(&found.hidden) {
        let mut lost = bar(*frame as usize).scaled(hidden.width(), hidden.height());
        lost.take(hidden);
        assert!(lost.is_empty(), "frame {frame}: {} pixels of the bar are lost", lost.count());
    }
}

/// Tukey's weights round the plain mean, as NumPy computes them.
const SCRIPT: &str = "
import sys, numpy as np
w, h, n = 160, 96, 40
v = np.fromfile(sys.argv[1], '<u2').reshape(n, h, w).astype(np.float64)
left = 20 + np.minimum(3 * np.arange(n), 60)
x, y = np.meshgrid(np.arange(w), np.arange(h))
free = ~((x >= left[:, None, None]) & (x < left[:, None, None] + 24) & (y < 40))
gain = 1 + .001 * np.arange(n)[:, None, None]
v = 64 + (v - 64) / gain
count = free.sum(0)
mean = (v * free).sum(0) / np.maximum(count, 1)
var = ((v - mean) ** 2 * free).sum(0) / np.maximum(count, 1)
s = np.sqrt(np.quantile(var[count >= 5], .75))
k = np.clip(1 - ((v - mean) / (4.685 * s)) ** 2, 0, None) ** 2 * free
clean = (v * k).sum(0) / np.maximum(k.sum(0), 1e-9)
clean.astype('<f4').tofile(sys.argv[2])
";

#[test]
fn the_robust_mean_is_that_of_numpy() {
    let Some(python) = outside::python_with("numpy") else { return };
    let folder = tempfile::tempdir().expect("a folder");
    let found = piled(&take(folder.path()));
    let clean = folder.path().join("clean.raw");
    let done = Command::new(python)
        .args(["-c", SCRIPT])
        .args([folder.path().join("take.raw"), clean.clone()])
        .output()
        .expect("python runs");
    assert!(done.status.success(), "{}", String::from_utf8_lossy(&done.stderr));
    let bytes = std::fs::read(&clean).expect("written");
    for (at, four) in bytes.chunks_exact(4).enumerate() {
        let wanted = f32::from_le_bytes([four[0], four[1], four[2], four[3]]);
        let got = found.clean[0][at];
        if found.counts[at] >= LEAST_FREE {
            assert!((got - wanted).abs() < 0.05, "{at}: {got} for {wanted}");
        }
    }
}
