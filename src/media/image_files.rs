//! Image files copied with a new timecode in their headers and nothing else changed.

use super::info::{MediaInfo, StartTimecode};
use crate::time::{FrameShift, Rate};

/// Byte of the timecode in a DPX television header (SMPTE ST 268).
const DPX_TIMECODE: usize = 1920;

/// Byte of the transfer characteristic of a DPX file's first element; colorimetry follows.
const DPX_TRANSFER: usize = 801;

/// Byte of the frame rate in a DPX television header.
const DPX_RATE: usize = 1940;

/// Most header bytes of an EXR file that are walked; real ones have a few KiB.
const EXR_HEADER_LIMIT: usize = 16 << 20;

/// Bytes of a file replaced by others: `old` bytes from `at` on give way to `new`.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Splice {
    /// First byte replaced, in the original.
    pub at: usize,
    /// Number of bytes replaced.
    pub old: usize,
    /// The bytes that stand there instead.
    pub new: Vec<u8>,
}

/// The fields of one timecode label.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Label {
    /// Hours, minutes, seconds, frames.
    pub fields: [u8; 4],
    /// Drop-frame counting.
    pub drop: bool,
    /// Labels a second.
    pub base: u32,
}

impl Label {
    /// Returns the label of frame `k` of a file that starts at `start`.
    pub fn of(start: StartTimecode, k: u64) -> Label {
        let shift = FrameShift(i64::try_from(k).unwrap_or(i64::MAX));
        let text = start.counting.label(start.frame + shift);
        let mut fields = [0; 4];
        for (field, digits) in fields.iter_mut().zip(text.split([':', ';', '.'])) {
            *field = digits.parse().unwrap_or_default();
        }
        Label { fields, drop: start.counting.is_drop(), base: start.counting.base() }
    }

    /// Tells whether the tens of frames fit the two bits of SMPTE ST 12-1.
    pub fn is_slow(self) -> bool {
        self.base <= 30
    }

    /// Returns hours, minutes, seconds and frames as two decimal digits a byte, hours first;
    /// up to 30 a second the bit above the tens of frames is the drop-frame flag.
    fn binary_coded(self) -> u32 {
        let digits = |value: u8| u32::from(value / 10 % 10) * 16 + u32::from(value % 10);
        let flag = if self.drop && self.is_slow() { 0x40 } else { 0 };
        self.fields.iter().fold(0, |word, field| (word << 8) | digits(*field)) | flag
    }
}

/// Finds what must change in an image file so that its header carries `label`.
///
/// DPX (SMPTE ST 268): the timecode word of the television header, in the byte order of the
/// file. Where a file has the generic header alone, film and television headers are put
/// behind it, undefined but for timecode and `rate`. EXR (OpenEXR file layout): attribute `timeCode` of every part, in place where it
/// is present; else put in, with the offset tables moved by its length. Other files carry
/// no timecode and stay as they are.
///
/// # Errors
///
/// What is wrong with the header, in words.
pub fn timecode_splices(bytes: &[u8], label: Label, rate: Rate) -> Result<Vec<Splice>, String> {
    match bytes.get(..4) {
        Some(b"SDPX") => DPX_BIG.timecode(bytes, Some(label), rate),
        Some(b"XPDS") => DPX_LITTLE.timecode(bytes, Some(label), rate),
        Some([0x76, 0x2f, 0x31, 0x01]) => exr(bytes, label),
        _ => Ok(Vec::new()),
    }
}

/// Finds what must change in an image file that was just encoded: its timecode, and what
/// the DPX encoder does not take from the frame: rate, transfer and colorimetry.
///
/// The DPX numbers are those of SMPTE ST 268; 0, user-defined, stands for what the source
/// does not tell.
///
/// # Errors
///
/// As [`timecode_splices`].
pub fn told_splices(
    bytes: &[u8],
    label: Option<Label>,
    info: &MediaInfo,
) -> Result<Vec<Splice>, String> {
    let dpx = match bytes.get(..4) {
        Some(b"SDPX") => DPX_BIG,
        Some(b"XPDS") => DPX_LITTLE,
        _ => {
            return label.map_or(Ok(Vec::new()), |label| timecode_splices(bytes, label, info.rate));
        }
    };
    let mut splices = dpx.timecode(bytes, label, info.rate)?;
    let new = vec![dpx_number(&info.colour.transfer), dpx_number(&info.colour.primaries)];
    splices.push(Splice { at: DPX_TRANSFER, old: 2, new });
    if !splices.iter().any(|splice| splice.old == 0) {
        let new = (dpx.write)((info.rate.as_f64() as f32).to_bits()).to_vec();
        splices.push(Splice { at: DPX_RATE, old: 4, new });
    }
    splices.sort_by_key(|splice| splice.at);
    Ok(splices)
}

/// The whole DPX header: generic 1664 bytes, film 256, television 128 (SMPTE ST 268).
const DPX_HEADER: u32 = 2048;
const DPX_GENERIC: u32 = 1664;

/// The byte order of a DPX file.
#[derive(Clone, Copy)]
struct Dpx {
    read: fn([u8; 4]) -> u32,
    write: fn(u32) -> [u8; 4],
}

const DPX_BIG: Dpx = Dpx { read: u32::from_be_bytes, write: u32::to_be_bytes };
const DPX_LITTLE: Dpx = Dpx { read: u32::from_le_bytes, write: u32::to_le_bytes };

impl Dpx {
    fn word(self, bytes: &[u8], at: usize) -> Result<u32, String> {
        let four = bytes.get(at..at + 4).and_then(|four| four.try_into().ok());
        four.map(self.read).ok_or_else(|| format!("the DPX header stops at byte {at}"))
    }

    /// Puts a timecode in; all bits set, "undefined", where there is none.
    fn timecode(
        self,
        bytes: &[u8],
        label: Option<Label>,
        rate: Rate,
    ) -> Result<Vec<Splice>, String> {
        let data = self.word(bytes, 4)?;
        let word = (self.write)(label.map_or(u32::MAX, Label::binary_coded));
        match data {
            DPX_GENERIC => self.lengthened(bytes, word, rate),
            DPX_HEADER.. if bytes.len() > DPX_RATE + 4 => {
                Ok(vec![Splice { at: DPX_TIMECODE, old: 4, new: word.to_vec() }])
            }
            _ => {
                Err(format!("the DPX header has no television part: its data begin at byte {data}"))
            }
        }
    }

    /// Puts film and television headers behind the generic one, and moves what points past
    /// it: picture data, file size, header length, and the data of every picture element.
    fn lengthened(self, bytes: &[u8], word: [u8; 4], rate: Rate) -> Result<Vec<Splice>, String> {
        const ADDED: u32 = DPX_HEADER - DPX_GENERIC;
        let mut splices = vec![
            Splice { at: 4, old: 4, new: (self.write)(DPX_HEADER).to_vec() },
            Splice { at: 28, old: 4, new: (self.write)(ADDED).to_vec() },
        ];
        for at in std::iter::once(16).chain((0..8).map(|element| 780 + 72 * element)) {
            let value = self.word(bytes, at)?;
            if (DPX_GENERIC..u32::MAX - ADDED).contains(&value) {
                splices.push(Splice { at, old: 4, new: (self.write)(value + ADDED).to_vec() });
            }
        }
        splices.sort_by_key(|splice| splice.at);
        let mut headers = dpx_undefined();
        headers[256..260].copy_from_slice(&word);
        headers[276..280].copy_from_slice(&(self.write)((rate.as_f64() as f32).to_bits()));
        splices.push(Splice { at: DPX_GENERIC as usize, old: 0, new: headers.to_vec() });
        Ok(splices)
    }
}

/// Film and television headers with every number undefined (all bits set) and every text
/// empty; the lengths of the fields are those of SMPTE ST 268 (from memory).
fn dpx_undefined() -> [u8; 384] {
    let mut headers = [0; 384];
    headers[48..68].fill(0xff);
    headers[256..308].fill(0xff);
    headers
}

/// Returns the DPX number of a transfer or of primaries (SMPTE ST 268, from memory).
fn dpx_number(tag: &Option<String>) -> u8 {
    match tag.as_deref() {
        Some("linear") => 2,
        Some("bt709") => 6,
        Some("bt470bg") => 7,
        Some("smpte170m") => 8,
        _ => 0,
    }
}

/// Returns the file with its splices made.
pub fn spliced(bytes: &[u8], splices: &[Splice], into: &mut Vec<u8>) {
    into.clear();
    let mut from = 0;
    for splice in splices {
        into.extend_from_slice(bytes.get(from..splice.at).unwrap_or_default());
        into.extend_from_slice(&splice.new);
        from = splice.at + splice.old;
    }
    into.extend_from_slice(bytes.get(from..).unwrap_or_default());
}

/// Tells whether `copy` is `bytes` with exactly these splices made.
pub fn differs_only_by(bytes: &[u8], copy: &[u8], splices: &[Splice]) -> bool {
    let mut from = 0;
    let mut left = copy;
    for splice in splices {
        let Some(kept) = bytes.get(from..splice.at) else { return false };
        let Some(rest) = left.strip_prefix(kept) else { return false };
        let Some(rest) = rest.strip_prefix(splice.new.as_slice()) else { return false };
        left = rest;
        from = splice.at + splice.old;
    }
    bytes.get(from..) == Some(left)
}

/// Packs a label as EXR keeps it: the 60-field packing of SMPTE ST 12-1, frames lowest.
fn exr_word(label: Label) -> u32 {
    let [hours, minutes, seconds, frames] = label.fields.map(u32::from);
    let digits = |value: u32, mask: u32| (((value / 10) << 4) | (value % 10)) & mask;
    let drop = u32::from(label.drop) << 6;
    let low = digits(frames, 0x3f) | drop | (digits(seconds, 0x7f) << 8);
    low | (digits(minutes, 0x7f) << 16) | (digits(hours, 0x3f) << 24)
}

/// Where a part's header carries timecode, or where it ends.
enum ExrTimecode {
    Present(usize),
    EndsAt(usize),
}

fn exr(bytes: &[u8], label: Label) -> Result<Vec<Splice>, String> {
    if !label.is_slow() {
        return Err(format!("an EXR timecode has no room for {} frames a second", label.base));
    }
    let word = exr_word(label).to_le_bytes();
    let (parts, table) = exr_headers(bytes)?;
    let mut splices = Vec::new();
    let mut added: u64 = 0;
    for part in parts {
        match part {
            ExrTimecode::Present(at) => splices.push(Splice { at, old: 4, new: word.to_vec() }),
            ExrTimecode::EndsAt(at) => {
                let mut new = b"timeCode\0timecode\0\x08\0\0\0".to_vec();
                new.extend_from_slice(&word);
                new.extend_from_slice(&[0; 4]);
                added += new.len() as u64;
                splices.push(Splice { at, old: 0, new });
            }
        }
    }
    if added > 0 {
        splices.push(exr_table(bytes, table, added)?);
    }
    Ok(splices)
}

/// Walks the headers of all parts; returns where each carries its timecode, and the first
/// byte of the offset tables.
fn exr_headers(bytes: &[u8]) -> Result<(Vec<ExrTimecode>, usize), String> {
    let version = word_at(bytes, 4).ok_or("the EXR file ends in its version")?;
    let many = version & 0x1000 != 0;
    let mut parts = Vec::new();
    let mut at = 8;
    loop {
        let (part, end) = exr_header(bytes, at)?;
        parts.push(part);
        at = end;
        if !many {
            return Ok((parts, at));
        }
        if bytes.get(at) == Some(&0) {
            return Ok((parts, at + 1));
        }
    }
}

/// Walks one header from `at` to past its closing zero.
fn exr_header(bytes: &[u8], mut at: usize) -> Result<(ExrTimecode, usize), String> {
    let mut found = None;
    loop {
        if at > EXR_HEADER_LIMIT {
            return Err(format!("the EXR header does not end within {EXR_HEADER_LIMIT} bytes"));
        }
        let name = text_at(bytes, at)?;
        if name.is_empty() {
            return Ok((found.unwrap_or(ExrTimecode::EndsAt(at)), at + 1));
        }
        let kind = text_at(bytes, at + name.len() + 1)?;
        let size_at = at + name.len() + kind.len() + 2;
        let size = word_at(bytes, size_at).ok_or_else(|| ends_in(size_at))? as usize;
        let value = size_at + 4;
        if name == b"timeCode" && kind == b"timecode" && size == 8 {
            found = Some(ExrTimecode::Present(value));
        }
        at = value
            .checked_add(size)
            .filter(|end| *end < bytes.len())
            .ok_or_else(|| ends_in(value))?;
    }
}

/// Moves every entry of the offset tables by `added` bytes. The tables end where the first
/// chunk begins, which is the smallest offset in them.
fn exr_table(bytes: &[u8], table: usize, added: u64) -> Result<Splice, String> {
    let mut new = Vec::new();
    let mut first = u64::MAX;
    let mut at = table;
    while (at as u64) < first {
        let entry: [u8; 8] = bytes
            .get(at..at + 8)
            .and_then(|eight| eight.try_into().ok())
            .ok_or_else(|| ends_in(at))?;
        let entry = u64::from_le_bytes(entry);
        if entry < at as u64 + 8 || entry >= bytes.len() as u64 {
            return Err(format!(
                "the EXR offset table points to byte {entry}: the file is not whole"
            ));
        }
        first = first.min(entry);
        new.extend_from_slice(&(entry + added).to_le_bytes());
        at += 8;
    }
    if at as u64 != first {
        return Err(format!("the EXR offset table runs into its first chunk at byte {first}"));
    }
    Ok(Splice { at: table, old: new.len(), new })
}

fn ends_in(at: usize) -> String {
    format!("the EXR header stops at byte {at}")
}

fn word_at(bytes: &[u8], at: usize) -> Option<u32> {
    Some(u32::from_le_bytes(bytes.get(at..at.checked_add(4)?)?.try_into().ok()?))
}

/// Returns the text from `at` to its closing zero. Names have at most 255 letters.
fn text_at(bytes: &[u8], at: usize) -> Result<&[u8], String> {
    let rest = bytes.get(at..).unwrap_or_default();
    let end = rest.iter().take(256).position(|byte| *byte == 0).ok_or_else(|| ends_in(at))?;
    Ok(&rest[..end])
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::time::{Counting, Frame};

    fn label() -> Label {
        Label { fields: [23, 59, 58, 21], drop: false, base: 24 }
    }

    fn film() -> Rate {
        Rate::new(24, 1).expect("a rate")
    }

    #[test]
    fn the_label_of_a_frame_wraps_at_midnight() {
        let counting = Counting::new(Rate::new(24, 1).expect("a rate"), false);
        let start = StartTimecode { frame: Frame(2_073_599), counting };
        assert_eq!(Label::of(start, 0).fields, [23, 59, 59, 23]);
        assert_eq!(Label::of(start, 25).fields, [0, 0, 1, 0]);
    }

    #[test]
    fn a_dpx_changes_in_four_bytes_whatever_its_byte_order() {
        // SMPTE ST 268: magic number, offset to picture data, timecode at byte 1920 (from memory).
        for (magic, data, word) in [
            (b"SDPX", 2048_u32.to_be_bytes(), [0x23, 0x59, 0x58, 0x21]),
            (b"XPDS", 2048_u32.to_le_bytes(), [0x21, 0x58, 0x59, 0x23]),
        ] {
            let mut file = vec![7; 2100];
            file[..4].copy_from_slice(magic);
            file[4..8].copy_from_slice(&data);
            let splices = timecode_splices(&file, label(), film()).expect("a header");
            assert_eq!(splices, [Splice { at: 1920, old: 4, new: word.to_vec() }]);
            let mut copy = Vec::new();
            spliced(&file, &splices, &mut copy);
            assert!(differs_only_by(&file, &copy, &splices));
            copy[2050] = 8;
            assert!(!differs_only_by(&file, &copy, &splices));
        }
        let mut short = vec![0; 900];
        short[..4].copy_from_slice(b"SDPX");
        assert!(timecode_splices(&short, label(), film()).is_err());
    }

    /// A header with one attribute, two chunks of four bytes, in OpenEXR's file layout.
    fn small_exr(attribute: &[u8]) -> Vec<u8> {
        let mut file = vec![0x76, 0x2f, 0x31, 0x01, 2, 0, 0, 0];
        file.extend_from_slice(attribute);
        file.push(0);
        let first = file.len() as u64 + 16;
        file.extend_from_slice(&first.to_le_bytes());
        file.extend_from_slice(&(first + 4).to_le_bytes());
        file.extend_from_slice(b"aaaabbbb");
        file
    }

    #[test]
    fn an_exr_timecode_is_put_in_once_and_then_changed_in_place() {
        let file = small_exr(b"owner\0string\0\x02\0\0\0me");
        let splices = timecode_splices(&file, label(), film()).expect("a header");
        let mut once = Vec::new();
        spliced(&file, &splices, &mut once);
        assert_eq!(once.len(), file.len() + 30);
        assert!(differs_only_by(&file, &once, &splices));
        let table = once.len() - 24;
        let first = u64::from_le_bytes(once[table..table + 8].try_into().expect("eight"));
        assert_eq!(&once[first as usize..], b"aaaabbbb");
        let again =
            timecode_splices(&once, Label { fields: [1, 2, 3, 4], drop: true, base: 30 }, film())
                .expect("a header");
        let mut twice = Vec::new();
        spliced(&once, &again, &mut twice);
        assert_eq!((again.len(), twice.len()), (1, once.len()));
        // OpenEXR packs drop-frame as bit 6, hours from bit 24 on (ImfTimeCode.h, from memory).
        assert_eq!(again[0].new, 0x0102_0344_u32.to_le_bytes());
    }

    #[test]
    fn a_broken_exr_is_refused_and_never_a_panic() {
        let file = small_exr(b"owner\0string\0\x02\0\0\0me");
        for end in 4..file.len() - 8 {
            assert!(timecode_splices(&file[..end], label(), film()).is_err(), "{end}");
        }
        let huge = small_exr(b"owner\0string\0\xff\xff\xff\xffme");
        assert!(timecode_splices(&huge, label(), film()).is_err());
    }
}
