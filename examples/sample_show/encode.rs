//! Hands frames to the `ffmpeg` program, which codes them; a file appears under its name
//! only when it is whole.

use crate::picture::plane::Bounds;
use crate::picture::stage::{FrameTruth, Stage};
use crate::script::{Codec, Take};
use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

/// Renders a take into `media`; gives what was true of each frame, and where leaves move.
///
/// # Errors
///
/// Says which step failed: starting `ffmpeg`, its exit, or a file.
pub fn render(take: &Take, media: &Path) -> Result<(Vec<FrameTruth>, Bounds), String> {
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
) -> Result<(Vec<FrameTruth>, Bounds), String> {
    let rate = format!("{}/{}", take.rate.0, take.rate.1);
    let size = format!("{}x{}", take.width, take.height);
    let mut ffmpeg = Command::new("ffmpeg");
    ffmpeg
        .args(["-v", "error", "-nostdin", "-y", "-f", "rawvideo", "-pix_fmt", "yuv422p10le"])
        .args(["-s", &size, "-framerate", &rate, "-color_range", "tv", "-colorspace", "bt709"])
        .args(["-color_primaries", "bt709", "-color_trc", "bt709"])
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
        Ok((truth, stage.moving()))
    } else {
        Err(format!("{}: ffmpeg failed: {status}", take.clip))
    }
}

/// Where the general part of a DPX header ends, and where all of it ends.
const GENERAL_END: usize = 1664;
const HEADER_END: usize = 2048;

/// Writes what the image writer leaves out of a DPX header (SMPTE ST 268-1): the film and
/// television parts with frame rate and BCD timecode, and transfer and colorimetric 6
/// (BT.709). The writer's pixels begin where those parts belong, so they move back.
fn stamp_dpx(take: &Take, frame: usize, path: &Path) -> Result<(), String> {
    let fault = |io: std::io::Error| format!("{}: {io}", path.display());
    let bytes = std::fs::read(path).map_err(fault)?;
    let offset = bytes.get(4..8).map(|at| u32::from_be_bytes([at[0], at[1], at[2], at[3]]));
    if bytes.get(..4) != Some(b"SDPX") || offset != Some(GENERAL_END as u32) {
        return Err(format!("{}: not the DPX layout that was asked for", path.display()));
    }
    let bcd: Vec<u8> = take
        .label(frame as i64)
        .split([':', ';'])
        .map(|field| field.bytes().fold(0, |sum, digit| sum << 4 | (digit - b'0')))
        .collect();
    let rate = (take.rate.0 as f32 / take.rate.1 as f32).to_be_bytes();
    let size = (bytes.len() + HEADER_END - GENERAL_END) as u32;
    let mut header = bytes[..GENERAL_END].to_vec();
    header.resize(HEADER_END, 0);
    // All ones is "not known" for the numbers of both parts.
    header[1712..1732].fill(0xFF);
    header[1924..1972].fill(0xFF);
    let parts: [(usize, &[u8]); 9] = [
        (4, &(HEADER_END as u32).to_be_bytes()),
        (16, &size.to_be_bytes()),
        (24, &((HEADER_END - GENERAL_END) as u32).to_be_bytes()),
        (801, &[6, 6]),
        (1712, &(frame as u32).to_be_bytes()),
        (1716, &(take.frames as u32).to_be_bytes()),
        (1724, &rate),
        (1920, &bcd),
        (1940, &rate),
    ];
    for (at, part) in parts {
        header[at..at + part.len()].copy_from_slice(part);
    }
    header.extend_from_slice(&bytes[GENERAL_END..]);
    std::fs::write(path, header).map_err(fault)
}
