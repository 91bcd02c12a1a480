//! The guide mix under the cut: a quiet room and a tick each second.

use crate::picture::hash::Stream;
use std::path::Path;

const SAMPLE_RATE: u32 = 48_000;

/// Writes `guide.wav`, 16-bit mono, as long as the cut; kept if it is already whole.
///
/// # Errors
///
/// Says which file could not be written.
pub fn write(media: &Path, cut_frames: i64) -> Result<(), String> {
    let samples = cut_frames as u32 * (SAMPLE_RATE / 24);
    let target = media.join("guide.wav");
    if target.metadata().is_ok_and(|file| file.len() == u64::from(samples) * 2 + 44) {
        return Ok(());
    }
    let partial = media.join("partial-guide.wav");
    std::fs::write(&partial, wave(samples)).map_err(|io| format!("{}: {io}", partial.display()))?;
    std::fs::rename(&partial, &target).map_err(|io| format!("{}: {io}", target.display()))
}

fn wave(samples: u32) -> Vec<u8> {
    let size = samples * 2;
    let mut out = Vec::with_capacity(size as usize + 44);
    out.extend_from_slice(b"RIFF");
    out.extend_from_slice(&(size + 36).to_le_bytes());
    out.extend_from_slice(b"WAVEfmt ");
    out.extend_from_slice(&16_u32.to_le_bytes());
    out.extend_from_slice(&[1, 0, 1, 0]);
    out.extend_from_slice(&SAMPLE_RATE.to_le_bytes());
    out.extend_from_slice(&(SAMPLE_RATE * 2).to_le_bytes());
    out.extend_from_slice(&[2, 0, 16, 0]);
    out.extend_from_slice(b"data");
    out.extend_from_slice(&size.to_le_bytes());
    let mut stream = Stream::new(1971);
    let mut air = 0.0_f32;
    for sample in 0..samples {
        air = 0.96 * air + 6.0 * stream.normal();
        let tick = sample % SAMPLE_RATE < 480 && sample / 24 % 2 == 0;
        let value = air as i16 + if tick { 2000 } else { 0 };
        out.extend_from_slice(&value.to_le_bytes());
    }
    out
}
