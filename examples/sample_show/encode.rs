//! Hands frames to the `ffmpeg` program, which codes them; a file appears under its name
//! only when it is whole.

use crate::picture::stage::{FrameTruth, Stage};
use crate::script::{Codec, Take};
use std::io::{Read, Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

/// Renders a take into `media` and gives what was true of each frame.
///
/// # Errors
///
/// Says which step failed: starting `ffmpeg`, its exit, or a file.
pub fn render(take: &Take, media: &Path) -> Result<Vec<FrameTruth>, String> {
    let target = media.join(take.file);
    let partial = partial_name(&target);
    let truth = run(take, false, &partial, &codec_arguments(take))?;
    if take.codec == Codec::Dpx {
        for frame in 0..take.frames {
            stamp_dpx(take, frame, &partial.join(image_name(take, frame)))?;
        }
    }
    replace(&partial, &target)?;
    Ok(truth)
}

/// Renders the frames without their boom, grain the same, as FFV1.
///
/// # Errors
///
/// As for [`render`].
pub fn render_clean(take: &Take, clean: &Path) -> Result<(), String> {
    let target = clean.join(format!("{}.mkv", take.clip));
    let partial = partial_name(&target);
    run(take, true, &partial, &ffv1())?;
    replace(&partial, &target)
}

/// File name of one image of a sequence: numbered by timecode.
pub fn image_name(take: &Take, frame: usize) -> String {
    format!("{}.{:07}.dpx", take.clip, take.start_frame() + frame as i64)
}

/// Bytes of a rendered take, all images together; `None` if it is not there.
pub fn size(take: &Take, media: &Path) -> Option<u64> {
    let path = media.join(take.file);
    if take.codec != Codec::Dpx {
        return Some(path.metadata().ok()?.len());
    }
    (0..take.frames)
        .map(|frame| Some(path.join(image_name(take, frame)).metadata().ok()?.len()))
        .sum()
}

fn partial_name(target: &Path) -> PathBuf {
    let name = target.file_name().unwrap_or_default().to_string_lossy().into_owned();
    target.with_file_name(format!("partial-{name}"))
}

fn replace(partial: &Path, target: &Path) -> Result<(), String> {
    if target.is_dir() {
        std::fs::remove_dir_all(target).map_err(|io| format!("{}: {io}", target.display()))?;
    }
    std::fs::rename(partial, target).map_err(|io| format!("{}: {io}", target.display()))
}

fn ffv1() -> Vec<&'static str> {
    vec!["-c:v", "ffv1", "-level", "3", "-g", "1", "-slices", "4", "-slicecrc", "1"]
}

fn codec_arguments(take: &Take) -> Vec<&'static str> {
    match take.codec {
        Codec::ProResHq => vec!["-c:v", "prores", "-profile:v", "3"],
        Codec::DnxhrHqx => vec!["-c:v", "dnxhd", "-profile:v", "dnxhr_hqx"],
        Codec::Ffv1 => ffv1(),
        Codec::H264 => vec![
            "-c:v", "libx264", "-pix_fmt", "yuv420p", "-preset", "fast", "-crf", "19", "-g", "48",
            "-bf", "2",
        ],
        Codec::H264High => {
            vec!["-c:v", "libx264", "-preset", "fast", "-crf", "17", "-g", "60", "-bf", "2"]
        }
        Codec::Dpx => vec!["-c:v", "dpx", "-pix_fmt", "gbrp10be"],
    }
}

fn run(
    take: &Take,
    clean: bool,
    partial: &Path,
    codec: &[&str],
) -> Result<Vec<FrameTruth>, String> {
    let rate = format!("{}/{}", take.rate.0, take.rate.1);
    let size = format!("{}x{}", take.width, take.height);
    let mut ffmpeg = Command::new("ffmpeg");
    ffmpeg
        .args(["-v", "error", "-nostdin", "-y", "-f", "rawvideo", "-pix_fmt", "yuv422p10le"])
        .args(["-s", &size, "-framerate", &rate, "-color_range", "tv", "-colorspace", "bt709"])
        .args(["-i", "pipe:0"])
        .args(["-threads", "1", "-sws_flags", "bicubic+accurate_rnd+full_chroma_int+bitexact"])
        .args(codec)
        .args(["-color_primaries", "bt709", "-color_trc", "bt709", "-colorspace", "bt709"])
        .args(["-color_range", "tv", "-fflags", "+bitexact", "-flags:v", "+bitexact"])
        .args(["-timecode", take.start]);
    if take.codec == Codec::Dpx && !clean {
        std::fs::create_dir_all(partial).map_err(|io| format!("{}: {io}", partial.display()))?;
        ffmpeg.args(["-f", "image2", "-start_number", &take.start_frame().to_string()]);
        ffmpeg.arg(partial.join(format!("{}.%07d.dpx", take.clip)));
    } else {
        ffmpeg.arg(partial);
    }
    let mut child = ffmpeg
        .stdin(Stdio::piped())
        .spawn()
        .map_err(|io| format!("ffmpeg does not start: {io}; scripts/setup installs it"))?;
    let mut pipe = child.stdin.take().ok_or("ffmpeg takes no input")?;
    let mut stage = Stage::new(take);
    let (mut truth, mut bytes) = (Vec::with_capacity(take.frames), Vec::new());
    for frame in 0..take.frames {
        truth.push(stage.shoot(frame, clean, &mut bytes));
        pipe.write_all(&bytes)
            .map_err(|io| format!("{}: ffmpeg stopped at frame {frame}: {io}", take.clip))?;
    }
    drop(pipe);
    let status = child.wait().map_err(|io| io.to_string())?;
    if status.success() {
        Ok(truth)
    } else {
        Err(format!("{}: ffmpeg failed: {status}", take.clip))
    }
}

/// Writes what the image writer leaves out of a DPX header (SMPTE ST 268-1): transfer and
/// colorimetric 6 (BT.709), film and television frame rate, and the timecode in BCD.
fn stamp_dpx(take: &Take, frame: usize, path: &Path) -> Result<(), String> {
    let fault = |io: std::io::Error| format!("{}: {io}", path.display());
    let mut file = std::fs::OpenOptions::new().read(true).write(true).open(path).map_err(fault)?;
    let mut magic = [0; 4];
    file.read_exact(&mut magic).map_err(fault)?;
    if &magic != b"SDPX" {
        return Err(format!("{}: not a big-endian DPX file", path.display()));
    }
    let bcd: Vec<u8> = take
        .label(frame as i64)
        .split([':', ';'])
        .map(|field| field.bytes().fold(0, |sum, digit| sum << 4 | (digit - b'0')))
        .collect();
    let rate = (take.rate.0 as f32 / take.rate.1 as f32).to_be_bytes();
    let parts: [(u64, &[u8]); 4] = [(801, &[6, 6]), (1724, &rate), (1920, &bcd), (1940, &rate)];
    for (offset, bytes) in parts {
        file.seek(SeekFrom::Start(offset)).map_err(fault)?;
        file.write_all(bytes).map_err(fault)?;
    }
    Ok(())
}
