//! The sound that lies beside the picture of a take, in step with it to the sample.
//!
//! Sample n is heard n / rate seconds after the first picture is shown. Where the container's
//! ticks are longer than a sample, reading begins at the head of the file and counts.

use super::container;
use super::ffi;
use super::ffi_sound;
use super::open::{Media, Source};
use super::scan::next_packet;
use crate::error::Faults;
use ff::format::context::Input;
use ffmpeg_next as ff;
use std::collections::VecDeque;

/// Most channels that are read: a take's mix lies on its first two (common practice, no
/// source).
const CHANNELS: usize = 2;

/// Seconds of sound decoded before the first sample that is asked for: coded sound needs a
/// run-up of a packet or two, and 0.5 s is more than ten of any codec. Ours.
const RUN_UP: (i64, i64) = (1, 2);

/// Errors in a row after which a track counts as ended. Ours.
const MOST_ERRORS: u32 = 1000;

/// The first two channels of a take's sound, read forward.
pub struct Sound {
    rate: u32,
    tracks: Vec<SoundTrack>,
}

/// One sound stream being decoded.
struct SoundTrack {
    input: Input,
    decoder: ff::decoder::Audio,
    stream: usize,
    /// Channels taken from it.
    taken: usize,
    clock: SampleClock,
    /// Whether its ticks tell samples apart.
    fine: bool,
    /// Decoded samples by channel, the first of them being number `head`.
    held: Vec<VecDeque<f32>>,
    head: i64,
    /// Whether `head` is known.
    begun: bool,
    ended: bool,
    errors: u32,
}

/// From a stream's time stamps to sample numbers.
#[derive(Debug, Clone, Copy)]
struct SampleClock {
    rate: u32,
    /// The stream's tick in seconds.
    tick: (i64, i64),
    /// When the first picture is shown: ticks, and their length in seconds.
    picture: (i64, (u32, u32)),
}

impl SampleClock {
    fn sample(&self, pts: i64) -> i64 {
        let den = i128::from(self.tick.1) * i128::from(self.picture.1.1);
        let sound = i128::from(pts) * i128::from(self.tick.0) * i128::from(self.picture.1.1);
        let picture =
            i128::from(self.picture.0) * i128::from(self.picture.1.0) * i128::from(self.tick.1);
        nearest((sound - picture).saturating_mul(i128::from(self.rate)), den)
    }

    /// Returns the time stamp of a sample, to the nearest tick.
    fn pts(&self, sample: i64) -> i64 {
        let picture = i128::from(self.picture.0) * i128::from(self.picture.1.0);
        let since = i128::from(sample) * i128::from(self.picture.1.1)
            + picture.saturating_mul(i128::from(self.rate));
        let den = i128::from(self.rate) * i128::from(self.picture.1.1) * i128::from(self.tick.0);
        nearest(since.saturating_mul(i128::from(self.tick.1)), den)
    }
}

/// Divides and rounds to the nearest whole number, halves up.
fn nearest(num: i128, den: i128) -> i64 {
    let den = den.max(1);
    let whole = num.saturating_mul(2).saturating_add(den).div_euclid(den.saturating_mul(2));
    i64::try_from(whole).unwrap_or(if whole < 0 { i64::MIN } else { i64::MAX })
}

impl Media {
    /// Opens the sound beside the picture; `None` where there is none that can be decoded.
    ///
    /// Of a stream with several channels the first two are taken; of mono streams the first
    /// two that are alike.
    ///
    /// # Errors
    ///
    /// A source that can no longer be opened.
    pub fn sound(&self) -> Result<Option<Sound>, Faults> {
        let Source::Container { clock, .. } = &self.source else { return Ok(None) };
        let input = container::open_input(self.path(), &self.info.name)?;
        let streams: Vec<usize> = input
            .streams()
            .filter(|stream| stream.parameters().medium() == ff::media::Type::Audio)
            .map(|stream| stream.index())
            .collect();
        drop(input);
        let mut tracks: Vec<SoundTrack> = Vec::new();
        for stream in streams {
            let Some(track) = SoundTrack::open(self, stream, (clock.first, clock.tick))? else {
                continue;
            };
            match tracks.first() {
                None => tracks.push(track),
                Some(first) => {
                    let pair = (track.taken, track.clock.rate) == (1, first.clock.rate);
                    tracks.extend(pair.then_some(track));
                }
            }
            if tracks.iter().map(|track| track.taken).sum::<usize>() >= CHANNELS {
                break;
            }
        }
        Ok(tracks.first().map(|first| first.clock.rate).map(|rate| Sound { rate, tracks }))
    }
}

impl Sound {
    /// Returns the samples a second.
    pub fn rate(&self) -> u32 {
        self.rate
    }

    /// Returns the number of channels, 1 or 2.
    pub fn channels(&self) -> usize {
        self.tracks.iter().map(|track| track.taken).sum()
    }

    /// Returns `count` samples of each channel from sample `from` on, from -1 to 1. Where the
    /// file holds none, or they cannot be decoded, it is silent. Calls run forward.
    pub fn samples(&mut self, from: i64, count: usize) -> Vec<Vec<f32>> {
        self.tracks.iter_mut().flat_map(|track| track.samples(from, count)).collect()
    }
}

impl SoundTrack {
    /// Opens a stream; `None` if nothing here can decode it.
    fn open(
        media: &Media,
        stream: usize,
        picture: (i64, (u32, u32)),
    ) -> Result<Option<SoundTrack>, Faults> {
        let input = container::reopen(media.path(), stream, &media.info.name)?;
        let Some(found) = input.stream(stream) else { return Ok(None) };
        let base = found.time_base();
        let context = ff::codec::Context::from_parameters(found.parameters());
        let Ok(decoder) = context.and_then(|context| context.decoder().audio()) else {
            return Ok(None);
        };
        let (rate, taken) = (decoder.rate(), usize::from(decoder.channels()).min(CHANNELS));
        let tick = (i64::from(base.numerator()), i64::from(base.denominator()));
        if rate == 0 || taken == 0 || tick.0 <= 0 || tick.1 <= 0 {
            return Ok(None);
        }
        let fine = i64::from(rate).saturating_mul(tick.0) <= tick.1;
        Ok(Some(SoundTrack {
            clock: SampleClock { rate, tick, picture },
            input,
            decoder,
            stream,
            taken,
            fine,
            held: vec![VecDeque::new(); taken],
            head: 0,
            begun: false,
            ended: false,
            errors: 0,
        }))
    }

    fn samples(&mut self, from: i64, count: usize) -> Vec<Vec<f32>> {
        if !self.begun && self.fine {
            let run_up = i64::from(self.clock.rate) * RUN_UP.0 / RUN_UP.1;
            let pts = self.clock.pts(from.saturating_sub(run_up));
            // A file that cannot be sought is read from its head.
            let _ = ffi::seek_back(&mut self.input, self.stream, pts);
        }
        let end = from.saturating_add(i64::try_from(count).unwrap_or(i64::MAX));
        while !self.ended && (!self.begun || self.end() < end) {
            self.decode();
            self.forget_before(from);
        }
        self.forget_before(from);
        let at = |held: &VecDeque<f32>, n: i64| -> f32 {
            let place = usize::try_from(n.saturating_sub(self.head)).ok();
            place.and_then(|place| held.get(place)).copied().unwrap_or(0.0)
        };
        self.held.iter().map(|held| (from..end).map(|n| at(held, n)).collect()).collect()
    }

    /// One past the last sample held.
    fn end(&self) -> i64 {
        self.head.saturating_add(self.held.first().map_or(0, VecDeque::len) as i64)
    }

    fn forget_before(&mut self, from: i64) {
        let before = usize::try_from(from.saturating_sub(self.head)).unwrap_or(0);
        let gone = before.min(self.held.first().map_or(0, VecDeque::len));
        self.held.iter_mut().for_each(|held| drop(held.drain(..gone)));
        self.head += gone as i64;
    }

    /// Gets one more frame out of the decoder, or one more packet in.
    fn decode(&mut self) {
        let mut frame = ff::frame::Audio::empty();
        let fault = match self.decoder.receive_frame(&mut frame) {
            Ok(()) => {
                self.errors = 0;
                return self.add(&frame);
            }
            Err(fault) => fault,
        };
        self.errors += 1;
        if fault == ff::Error::Eof || self.errors > MOST_ERRORS {
            self.ended = true;
            return;
        }
        // A packet that cannot be decoded leaves a gap, which is silent.
        let sent = match next_packet(&mut self.input, self.stream) {
            Some(packet) => self.decoder.send_packet(&packet),
            None => self.decoder.send_eof(),
        };
        self.ended |= sent == Err(ff::Error::Eof);
    }

    /// Adds decoded samples where they belong.
    fn add(&mut self, frame: &ff::frame::Audio) {
        let told = frame.timestamp().or(frame.pts()).map(|pts| self.clock.sample(pts));
        if !self.begun {
            self.head = told.unwrap_or(0);
            self.begun = true;
        }
        let (end, tick) = (self.end(), self.tick_samples());
        // Within the grain of the ticks samples follow one another; past it there is a gap,
        // or an overlap.
        let off = told.map_or(0, |told| told.saturating_sub(end));
        let gap = if off.abs() <= tick { 0 } else { off };
        let silence = usize::try_from(gap).unwrap_or(0).min(self.clock.rate as usize * 3600);
        let twice = usize::try_from(gap.saturating_neg()).unwrap_or(0);
        let mut samples = Vec::new();
        for channel in 0..self.taken {
            if !ffi_sound::channel(frame, channel, &mut samples) {
                samples.clear();
                samples.resize(frame.samples(), 0.0);
            }
            let held = &mut self.held[channel];
            held.extend(std::iter::repeat_n(0.0, silence));
            held.extend(samples.iter().skip(twice));
        }
    }

    /// Samples that a time stamp may be off for its tick alone.
    fn tick_samples(&self) -> i64 {
        let rate = i64::from(self.clock.rate);
        rate.saturating_mul(self.clock.tick.0) / self.clock.tick.1 + 1
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn samples_and_time_stamps_count_from_the_first_picture() {
        // Sound in ticks of a sample, picture that begins 2 frames of 23.976 into the file.
        let clock = SampleClock { rate: 48_000, tick: (1, 48_000), picture: (2002, (1, 24_000)) };
        assert_eq!(clock.sample(4004), 0);
        assert_eq!(clock.sample(0), -4004);
        for sample in [-4004, 0, 1, 1_000_000] {
            assert_eq!(clock.sample(clock.pts(sample)), sample);
        }
        let coarse = SampleClock { tick: (1, 1000), ..clock };
        assert_eq!(coarse.sample(1000), 48_000 - 4004);
    }
}
