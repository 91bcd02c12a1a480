//! What the packets of a container say without decoding: how many frames are shown, and
//! whether they stand on the grid of one rate.

use super::clock::Clock;
use super::ffi;
use crate::error::Faults;
use crate::time::Rate;
use ff::format::context::Input;
use ffmpeg_next as ff;

/// A time stamp further than this share of a frame from the grid of the rate means that
/// the rate varies. Ours: a rounded time stamp is off by one tick at most (MKV: 1 ms, 0.06
/// of a frame at 60 a second), real recordings at a varying rate by up to half a frame.
const OFF_GRID: (i128, i128) = (1, 4);

/// Most errors in a row while reading packets before the rest is given up.
const MOST_BAD_READS: u32 = 64;

/// The shown packets of a video stream.
#[derive(Debug, Clone, Default)]
pub(super) struct Scan {
    /// Presentation times of all shown packets, sorted.
    pub times: Vec<i64>,
    /// Packet sizes in file order, as far as an index or a pass over the packets gave them.
    pub sizes: Vec<u64>,
    /// Byte after the last packet the index promises.
    pub bytes_needed: Option<u64>,
    /// Index into `times` after the last packet that lies inside the file.
    pub whole: Option<usize>,
}

/// Reads the next packet of one stream; `None` at the end of the file.
pub(super) fn next_packet(input: &mut Input, stream: usize) -> Option<ff::Packet> {
    let mut bad = 0;
    loop {
        let mut packet = ff::Packet::empty();
        match packet.read(input) {
            Ok(()) if packet.stream() == stream => return Some(packet),
            Ok(()) => bad = 0,
            Err(ff::Error::InvalidData) if bad < MOST_BAD_READS => bad += 1,
            Err(_) => return None,
        }
    }
}

/// Scans a stream: from the index where that is complete and stands for presentation
/// times, else by reading every packet once. Leaves the input anywhere in the file.
pub(super) fn scan(
    input: &mut Input,
    stream: usize,
    file: &str,
    size: u64,
) -> Result<Scan, Faults> {
    let tags = input.stream(stream).map(|s| ffi::stream_tags(&s));
    let format = input.format().name().to_string();
    if tags.is_some_and(|tags| tags.intra_only) {
        if format.contains("mov") || format == "avi" {
            if let Some(scan) = from_index(input, stream, size) {
                return Ok(scan);
            }
        } else if format == "mxf"
            && let Some(scan) = from_edit_units(input, stream)
        {
            return Ok(scan);
        }
    }
    let needed = input.stream(stream).and_then(|s| ffi::index(&s).iter().map(end_of).max());
    rewind(input, stream);
    let scan = from_packets(input, stream, file)?;
    Ok(Scan { bytes_needed: needed, ..scan })
}

/// Returns the byte after an entry of the index.
fn end_of(entry: &ffi::IndexEntry) -> u64 {
    u64::try_from(entry.pos).unwrap_or(0).saturating_add(entry.size)
}

/// Goes to the head of the file.
fn rewind(input: &mut Input, stream: usize) {
    let start = input.stream(stream).map_or(0, |s| s.start_time());
    let start = if start == i64::MIN { 0 } else { start };
    if ffi::seek_back(input, stream, start).is_err() {
        // A file that cannot seek is still at its head: opening reads ahead and keeps it.
        let _ = ffi::seek_back(input, stream, start.saturating_sub(1 << 32));
    }
}

/// Takes the shown entries of the index, if the first and the last packet agree with it.
fn from_index(input: &mut Input, stream: usize, size: u64) -> Option<Scan> {
    let entries = ffi::index(&input.stream(stream)?);
    let shown: Vec<&ffi::IndexEntry> = entries.iter().filter(|entry| !entry.hidden).collect();
    let (first, last) = (shown.first()?.time, shown.last()?.time);
    if !shown.windows(2).all(|pair| pair[0].time < pair[1].time) {
        return None;
    }
    let end_of =
        |entry: &ffi::IndexEntry| u64::try_from(entry.pos).unwrap_or(0).saturating_add(entry.size);
    let needed = entries.iter().map(end_of).max()?;
    let whole = shown.iter().position(|entry| end_of(entry) > size).unwrap_or(shown.len());
    let scan = Scan {
        times: shown.iter().map(|entry| entry.time).collect(),
        sizes: entries.iter().map(|entry| entry.size).collect(),
        bytes_needed: Some(needed),
        whole: Some(whole),
    };
    if whole < shown.len() {
        return Some(scan);
    }
    (head_is(input, stream, first) && tail_is(input, stream, last)).then_some(scan)
}

/// MXF runs at one edit rate by definition (SMPTE ST 377-1): its length in edit units is
/// its frame count, if the last unit is really there.
fn from_edit_units(input: &mut Input, stream: usize) -> Option<Scan> {
    let (start, length) = {
        let video = input.stream(stream)?;
        (video.start_time(), video.duration())
    };
    // 10 million frames are four days at 30: a length past that is not believed.
    if start == i64::MIN || !(1..=10_000_000).contains(&length) {
        return None;
    }
    let end = start.checked_add(length)?;
    (head_is(input, stream, start) && tail_is(input, stream, end - 1))
        .then(|| Scan { times: (start..end).collect(), ..Scan::default() })
}

/// Tells whether the first shown packet has this presentation time.
fn head_is(input: &mut Input, stream: usize, first: i64) -> bool {
    rewind(input, stream);
    while let Some(packet) = next_packet(input, stream) {
        if !ffi::is_hidden(&packet) {
            return packet.pts() == Some(first);
        }
    }
    false
}

/// Tells whether the file ends with a packet of this presentation time.
fn tail_is(input: &mut Input, stream: usize, last: i64) -> bool {
    if ffi::seek_back(input, stream, last).is_err() {
        return false;
    }
    let mut latest = None;
    while let Some(packet) = next_packet(input, stream) {
        latest = latest.max(packet.pts());
    }
    latest == Some(last)
}

/// Reads every packet once.
///
/// A trim without encoding leaves pictures before the first key frame that no player can
/// show; some writers give them no time. Anywhere else a packet without one is a fault.
fn from_packets(input: &mut Input, stream: usize, file: &str) -> Result<Scan, Faults> {
    let mut scan = Scan::default();
    let mut keys = 0;
    while let Some(packet) = next_packet(input, stream) {
        scan.sizes.push(packet.size() as u64);
        keys += u32::from(packet.is_key());
        // A packet the end of the file cuts is marked as corrupt.
        if ffi::is_hidden(&packet) || packet.size() == 0 || packet.is_corrupt() {
            continue;
        }
        match packet.pts() {
            Some(pts) => scan.times.push(pts),
            None if keys == 1 && !packet.is_key() => {}
            None => return Err(timeless(file, scan.sizes.len() - 1)),
        }
    }
    scan.times.sort_unstable();
    Ok(scan)
}

fn timeless(file: &str, packet: usize) -> Faults {
    Faults::one(
        file,
        format!("packet {packet}"),
        "its packets carry no presentation times, so a frame cannot be found by time",
        "rewrap it without re-encoding to MOV, MXF or MKV",
    )
}

/// Pictures a stream may hold back to put them in order of display: 16 in H.264 and H.265
/// (ITU-T H.264, A.3; from memory). A trim without encoding loses frames among as many.
const REORDERED: usize = 16;

/// The rate that fits, and how many frames from the first are there without a gap.
#[derive(Debug)]
pub(super) struct Fit {
    pub clock: Clock,
    pub frames: usize,
}

/// Finds the rate on whose grid every shown packet stands.
///
/// `claims` are the rates the headers name, the most trusted first; the rate measured from
/// first to last packet is tried after them. Frames lost among the last few, as a trim
/// without encoding leaves them, end the file there.
pub(super) fn fit(
    times: &[i64],
    tick: (u32, u32),
    claims: &[Rate],
    file: &str,
) -> Result<Fit, Faults> {
    let first = times.first().copied().unwrap_or(0);
    let measured = measured_rate(times, tick);
    let mut candidates: Vec<Rate> = Vec::new();
    for claim in claims.iter().copied().chain(measured) {
        candidates.extend(Rate::from_f64(claim.as_f64()).filter(|rate| rate.is_standard()));
        candidates.push(claim);
    }
    let mut worst: Option<(usize, Clock)> = None;
    for rate in candidates {
        let clock = Clock { first, tick, rate };
        match times.iter().enumerate().find(|(n, pts)| is_off(&clock, *n, **pts)) {
            None => return Ok(Fit { clock, frames: times.len() }),
            Some((n, _)) if worst.is_none_or(|(held, _)| n > held) => worst = Some((n, clock)),
            Some(_) => {}
        }
    }
    let Some((n, clock)) = worst else {
        return Err(Faults::one(
            file,
            "",
            "it says no frame rate",
            "rewrap it with its frame rate, or make image files of it",
        ));
    };
    if n > 1 && times.len() - n <= REORDERED && on_grid(&clock, &times[n..]) {
        return Ok(Fit { clock, frames: n });
    }
    Err(varies(times, n, &clock, file))
}

/// Tells whether times stand on the grid, with frames missing between them.
fn on_grid(clock: &Clock, times: &[i64]) -> bool {
    times.iter().all(|pts| {
        let n = usize::try_from(clock.frame(*pts));
        n.is_ok_and(|n| !is_off(clock, n, *pts))
    })
}

fn is_off(clock: &Clock, n: usize, pts: i64) -> bool {
    let (off, frame) = clock.off(pts, n as i64);
    let (_, tick) = clock.scales();
    let limit = (frame * OFF_GRID.0 / OFF_GRID.1).max(tick.min(frame / 2));
    off.abs() > limit
}

/// The rate from first to last packet.
fn measured_rate(times: &[i64], tick: (u32, u32)) -> Option<Rate> {
    let ticks = times.last()?.checked_sub(*times.first()?).filter(|ticks| *ticks > 0)?;
    let seconds = ticks as f64 * f64::from(tick.0) / f64::from(tick.1);
    Rate::from_f64((times.len() - 1) as f64 / seconds)
}

fn varies(times: &[i64], n: usize, clock: &Clock, file: &str) -> Faults {
    let (off, frame) = clock.off(times[n], n as i64);
    let off = off as f64 / frame as f64;
    let rate = clock.rate;
    let side = if off < 0.0 { "early" } else { "late" };
    Faults::one(
        file,
        format!("frame {n}"),
        format!(
            "the frame rate varies, or frames were dropped: the frame comes {:.2} frames {side} \
             for a constant {rate} frames a second",
            off.abs()
        ),
        "make a copy at a constant frame rate, conform the cut to it and relink",
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    const FILM: (u32, u32) = (24, 1);

    fn fitted(times: &[i64], tick: (u32, u32), claims: &[(u32, u32)]) -> Result<Fit, Faults> {
        let claims: Vec<Rate> =
            claims.iter().filter_map(|(num, den)| Rate::new(*num, *den)).collect();
        fit(times, tick, &claims, "a.mkv")
    }

    #[test]
    fn a_wrong_claim_gives_way_to_what_the_packets_say() {
        let times: Vec<i64> = (0..500).map(|n| (n * 1001 + 12) / 24).collect();
        for claims in [&[(25, 1)][..], &[], &[(1000, 1), (239, 10)]] {
            let fit = fitted(&times, (1, 1000), claims).expect("constant");
            assert_eq!(fit.clock.rate.to_string(), "24000/1001");
        }
    }

    #[test]
    fn jitter_of_a_tick_is_no_varying_rate_and_half_a_frame_is() {
        let jitter: Vec<i64> = (0..200).map(|n| n * 40 + n % 2).collect();
        assert!(fitted(&jitter, (1, 1000), &[(25, 1)]).is_ok());
        let wobble: Vec<i64> = (0..200).map(|n| n * 40 + (n % 2) * 15).collect();
        assert!(fitted(&wobble, (1, 1000), &[(25, 1)]).is_err());
    }

    #[test]
    fn a_gap_in_the_middle_is_refused_and_one_among_the_last_ends_the_file() {
        let gap = |at: i64| -> Vec<i64> { (0..100).filter(|n| *n != at).collect() };
        let fault = fitted(&gap(50), (1, 24), &[FILM]).expect_err("a dropped frame");
        assert_eq!(
            fault.to_string(),
            "a.mkv, frame 50: the frame rate varies, or frames were dropped: the frame comes \
             1.00 frames late for a constant 24 frames a second"
        );
        assert_eq!(fitted(&gap(97), (1, 24), &[FILM]).expect("a trim").frames, 97);
        let two_rates: Vec<i64> = (0..95).map(|n| n * 10).chain([950, 965, 980]).collect();
        assert!(fitted(&two_rates, (1, 240), &[FILM]).is_err());
    }
}
