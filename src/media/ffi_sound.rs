//! Sound samples in and out of the libraries' frames.
#![allow(
    unsafe_code,
    reason = "the safe layer reaches the channels of a sound frame only where it knows their \
              type at compile time, and mistakes their length where they lie in planes"
)]

use ffmpeg_next as ff;
use ffmpeg_next::ffi as c;

/// Reads one channel of a frame to `out` as numbers from -1 to 1; false if it has none, or in
/// a form that is not known.
pub(super) fn channel(frame: &ff::frame::Audio, channel: usize, out: &mut Vec<f32>) -> bool {
    out.clear();
    let channels = usize::from(frame.channels());
    let Some((format, bytes, planar)) = form(frame) else { return false };
    if channel >= channels {
        return false;
    }
    let (plane, first, step) =
        if planar { (channel, 0, bytes) } else { (0, channel * bytes, channels * bytes) };
    let Some(length) = frame.samples().checked_mul(step) else { return false };
    // SAFETY: a sound frame holds one plane for each channel, or one for all of them, of
    // `samples` steps each; the borrow keeps it alive.
    let data = unsafe {
        let start = *(*frame.as_ptr()).extended_data.add(plane);
        if start.is_null() {
            return false;
        }
        std::slice::from_raw_parts(start, length)
    };
    let Some(value) = reader(format) else { return false };
    out.extend(data.chunks_exact(step).map(|all| value(&all[first..first + bytes])));
    true
}

/// Makes a frame of floating-point samples, one plane for each channel, all of one length.
pub(super) fn planes(channels: &[&[f32]], rate: u32) -> Option<ff::frame::Audio> {
    let length = channels.first()?.len();
    let layout = ff::ChannelLayout::default(i32::try_from(channels.len()).ok()?);
    let format = ff::format::Sample::F32(ff::format::sample::Type::Planar);
    let mut frame = ff::frame::Audio::new(format, length, layout);
    frame.set_rate(rate);
    for (number, samples) in channels.iter().enumerate() {
        // SAFETY: the frame was made for this many channels and samples, and is borrowed
        // alone; without memory for it there is no plane.
        unsafe {
            let planes = (*frame.as_mut_ptr()).extended_data;
            let start = if planes.is_null() { planes.cast() } else { *planes.add(number) };
            if start.is_null() || samples.len() != length {
                return None;
            }
            std::ptr::copy_nonoverlapping(samples.as_ptr(), start.cast::<f32>(), length);
        }
    }
    Some(frame)
}

/// The form of a frame's samples: format, bytes, whether each channel has its own plane.
fn form(frame: &ff::frame::Audio) -> Option<(ff::format::Sample, usize, bool)> {
    // SAFETY: reads one number of a frame that is alive.
    let number = unsafe { (*frame.as_ptr()).format };
    if !(0..c::AVSampleFormat::AV_SAMPLE_FMT_NB as i32).contains(&number) {
        return None;
    }
    let format = frame.format();
    Some((format, format.bytes(), format.is_planar()))
}

/// Returns what reads one sample of a format.
fn reader(format: ff::format::Sample) -> Option<fn(&[u8]) -> f32> {
    use ff::format::Sample;
    /// The bytes of a sample, zeros where there are fewer.
    fn bytes<const N: usize>(from: &[u8]) -> [u8; N] {
        from.first_chunk().copied().unwrap_or([0; N])
    }
    Some(match format {
        Sample::None => return None,
        Sample::U8(_) => |from| (f32::from(bytes::<1>(from)[0]) - 128.0) / 128.0,
        Sample::I16(_) => |from| f32::from(i16::from_ne_bytes(bytes(from))) / 32_768.0,
        Sample::I32(_) => {
            |from| (f64::from(i32::from_ne_bytes(bytes(from))) / 2_f64.powi(31)) as f32
        }
        Sample::I64(_) => |from| (i64::from_ne_bytes(bytes(from)) as f64 / 2_f64.powi(63)) as f32,
        Sample::F32(_) => |from| f32::from_ne_bytes(bytes(from)),
        Sample::F64(_) => |from| f64::from_ne_bytes(bytes(from)) as f32,
    })
}
